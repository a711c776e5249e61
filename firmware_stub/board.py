"""Gives the pure modules a world: the only file that touches pins, sockets, radio and the clock.

It must never wait without a time-out, and writes every output to rest before anything else.
"""

import errno
import json
import os
import select
import socket
import time

import config as configuration
import script

READ_BYTES = 1024
UNSENT_BYTES_MAX = 8192
WAIT_MS = 10
BATTERY_MS = 1000
JOIN_MS = 15000
_TCP, _TCP_NODELAY = 6, 1  # not every port names them
_LATER = (errno.EAGAIN, errno.EINPROGRESS)


class Clock:
    """Milliseconds since it was made; never wraps, though the interpreter's own counter may."""

    def __init__(self):
        self._ms = 0
        self._last = self._read()

    def now_ms(self):
        reading = self._read()
        if hasattr(time, "ticks_diff"):
            self._ms += time.ticks_diff(reading, self._last)
        else:
            self._ms += reading - self._last
        self._last = reading
        return self._ms

    def _read(self):
        return time.ticks_ms() if hasattr(time, "ticks_ms") else time.monotonic_ns() // 1000000


class Link:
    """One non-blocking socket; a fault while writing is kept and raised by the next read."""

    def __init__(self):
        self.socket = None
        self._unsent = b""
        self._fault = None

    def open(self, host, port):
        """A name in place of an address costs a look-up, the one call that may block."""
        found = socket.getaddrinfo(host, port, 0, socket.SOCK_STREAM)[0]
        self._unsent, self._fault = b"", None
        self.socket = socket.socket(*found[:3])
        self.socket.setblocking(False)
        # Without it a packet waits up to 44 ms for the acknowledgement of the one before.
        self.socket.setsockopt(_TCP, _TCP_NODELAY, 1)
        try:
            self.socket.connect(found[-1])
        except OSError as fault:
            if fault.errno not in _LATER:
                raise

    def is_open(self):
        """Begun is enough; see is_ready."""
        return self.socket is not None

    def is_ready(self):
        """Whether a connection that was begun now stands; raises OSError if it failed."""
        poller = select.poll()
        poller.register(self.socket, select.POLLOUT)
        for entry in poller.poll(0):
            if entry[1] & (select.POLLERR | select.POLLHUP):
                raise OSError(errno.ECONNREFUSED)
            return True
        return False

    def write(self, packet):
        if self._fault:
            return
        if len(self._unsent) + len(packet) > UNSENT_BYTES_MAX:
            self._fault = OSError(errno.ETIMEDOUT)
        elif self._unsent:
            self._unsent += packet
        else:
            self._unsent = packet
            self.flush()

    def flush(self):
        if not self._unsent or self._fault:
            return
        try:
            self._unsent = self._unsent[self.socket.send(self._unsent) :]
        except OSError as fault:
            if fault.errno not in _LATER:
                self._fault = fault

    def read(self):
        """What has come, b"" if nothing; raises OSError once the connection is over."""
        if self._fault:
            raise self._fault
        try:
            data = self.socket.recv(READ_BYTES)
        except OSError as fault:
            if fault.errno in _LATER:
                return b""
            raise
        if not data:
            raise OSError(errno.ECONNRESET)
        return data

    def close(self):
        if self.socket is not None:
            self.socket.close()
        self.socket = None


class ScriptPins:
    """Stands in for pins where there are none: lines of text in, a log of levels out.

    Lines come by `command` or by UDP on the loopback address; script.py says what they mean.
    """

    def __init__(self, config, log=None):
        self._lines = []
        self._log = log
        self._file = open(config.pin_log, "a") if log is None and config.pin_log else None
        self.socket = None
        if config.control_port:
            address = socket.getaddrinfo("127.0.0.1", config.control_port, 0, socket.SOCK_DGRAM)
            self.socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
            self.socket.bind(address[0][-1])
            self.socket.setblocking(False)

    def command(self, line):
        self._lines.append(line)

    def write(self, ms, prop, output, level):
        entry = {"ms": ms, "prop": prop, "output": output, "level": level}
        if self._log is not None:
            self._log(entry)
        elif self._file is not None:
            self._file.write(json.dumps(entry) + "\n")
            self._file.flush()

    def events(self, ms):
        self._receive()
        lines, self._lines = self._lines, []
        found = []
        for line in lines:
            found += script.events_of(line)
        return found

    def close(self):
        for resource in (self.socket, self._file):
            if resource is not None:
                resource.close()
        self.socket = self._file = None

    def _receive(self):
        while self.socket is not None:
            try:
                text = str(self.socket.recvfrom(READ_BYTES)[0], "utf-8")
            except OSError as fault:
                if fault.errno in _LATER:
                    return
                raise
            self._lines += text.split("\n")


class MachinePins:
    """Digital outputs and inputs, and the pack's voltage through a divider on an ADC pin."""

    def __init__(self, config):
        import machine

        self.socket = None
        self._outputs = {}
        for prop in config.props:
            outputs = config.props[prop].get("outputs", {})
            for name in outputs:
                rest = configuration.rest_level(outputs[name])
                pin = machine.Pin(outputs[name]["pin"], machine.Pin.OUT, value=rest)
                self._outputs[(prop, name)] = pin
        self._sensors = []
        for name in config.sensors:
            sensor = config.sensors[name]
            pin = machine.Pin(sensor["pin"], machine.Pin.IN)
            self._sensors.append([name, pin, sensor.get("active", 1), False])
        self._battery = config.battery if "pin" in config.battery else None
        self._adc = machine.ADC(machine.Pin(self._battery["pin"])) if self._battery else None
        self._battery_due_ms = 0
        self._told = dict((name, False) for name in config.sensors)

    def write(self, ms, prop, output, level):
        self._outputs[(prop, output)].value(level)

    def events(self, ms):
        found = []
        for entry in self._sensors:
            name, pin, active, last = entry
            is_high = entry[3] = pin.value() == active
            # Two looks must agree: a spike between them is no visitor.
            if is_high == last and is_high != self._told[name]:
                self._told[name] = is_high
                found.append(("sensor", name, is_high))
        if self._adc is not None and ms >= self._battery_due_ms:
            self._battery_due_ms = ms + BATTERY_MS
            full_scale_mv = self._battery.get("full_scale_mv", 3300)
            found.append(("battery", self._adc.read_u16() * full_scale_mv // 65535))
        return found

    def close(self):
        pass


class Radio:
    """The board's own Wi-Fi where its configuration names one; otherwise always ready."""

    def __init__(self, wifi):
        self._wifi = wifi
        self._wlan = None
        self._again_ms = None
        if wifi:
            import network

            self._wlan = network.WLAN(network.STA_IF)
            self._wlan.active(True)

    def is_ready(self, ms):
        """Joins and joins again by itself: some ports give up for good when a router restarts."""
        if self._wlan is None or self._wlan.isconnected():
            self._again_ms = None
            return True
        if self._again_ms is None or ms >= self._again_ms:
            if self._again_ms is not None:
                self._wlan.disconnect()
            self._wlan.connect(self._wifi["ssid"], self._wifi["password"])
            self._again_ms = ms + JOIN_MS
        return False

    def rssi(self):
        return None if self._wlan is None else self._wlan.status("rssi")


class Waiter:
    """Sleeps until one of the sockets can be read."""

    def __init__(self):
        self._sockets = None
        self._poller = None

    def wait(self, sockets, wait_ms):
        if sockets != self._sockets:
            self._sockets, self._poller = sockets, select.poll()
            for each in sockets:
                if each is not None:
                    self._poller.register(each, select.POLLIN)
        self._poller.poll(wait_ms)


def run(path):
    """For ever, or until the keyboard says otherwise; our own faults end with outputs at rest."""
    config = configuration.load(path)
    clock = Clock()
    pins = ScriptPins(config) if config.pins == "script" else MachinePins(config)
    import loop  # this late, because boot.py wants the pins before the rest is compiled

    link, radio, waiter = Link(), Radio(config.wifi), Waiter()
    cause, ms = _reset_cause(), clock.now_ms()
    board = loop.Board(config, pins, link, radio, os.urandom, ms, cause)
    watchdog = _watchdog(config)
    said = None
    try:
        while True:
            board.poll(clock.now_ms())
            if watchdog is not None:
                watchdog.feed()
            if board.fault != said:
                said = board.fault
                print("connection lost:", said)
            waiter.wait([link.socket, pins.socket], WAIT_MS)
    finally:
        board.close(clock.now_ms())


def restart():
    """On a real board; on a computer there is nothing to restart."""
    import machine

    if hasattr(machine, "reset"):
        machine.reset()


def _watchdog(config):
    if not config.watchdog_ms:
        return None
    import machine

    return machine.WDT(timeout=config.watchdog_ms)


def _reset_cause():
    """The cause as the port tells it; a brown-out looks like power-on on most of them."""
    try:
        import machine
    except ImportError:
        return "power-on"
    if not hasattr(machine, "reset_cause"):
        return "power-on"
    cause = machine.reset_cause()
    words = (
        ("PWRON_RESET", "power-on"),
        ("WDT_RESET", "watchdog"),
        ("DEEPSLEEP_RESET", "deep-sleep"),
        ("SOFT_RESET", "soft"),
    )
    for name, word in words:
        if cause == getattr(machine, name, None):
            return word
    return "unknown"
