"""Gives the pure modules a world: sockets, radio, clock, watchdog and, by pins.py, the pins.

It must never wait without a time-out, and writes every output to rest before anything else.
"""

import errno
import gc
import json
import os
import select
import socket
import sys
import time

import config as configuration
import script

READ_BYTES = 1024
UNSENT_BYTES_MAX = 8192
WAIT_MS = 10
JOIN_MS = 15000
REST_MS = 15000
SLEEP_MS = 100
RESTART_PAUSE_MS = 3000
RP2_WATCHDOG_MS_MAX = 8388
MARKER = "restarted.txt"
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
        try:
            # Without it a packet waits up to 44 ms for the acknowledgement of the one before.
            self.socket.setsockopt(_TCP, _TCP_NODELAY, 1)
        except OSError as fault:
            print("this port has no TCP_NODELAY, so motions may come 44 ms late:", fault)
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


class Radio:
    """The board's own Wi-Fi where its configuration names one; otherwise always ready."""

    def __init__(self, wifi, sleep="none"):
        self._wifi = wifi
        self._sleep = sleep
        self._wlan = None
        self._again_ms = None
        self._rest_until_ms = None
        if wifi:
            import network

            self._wlan = network.WLAN(network.STA_IF)
            self._wlan.active(True)
            self._save_power(network)

    def is_ready(self, ms):
        """Joins and joins again by itself: some ports give up for good when a router restarts."""
        if self._wlan is None or self._wlan.isconnected():
            self._again_ms = None
            return True
        if self.is_resting(ms):
            return False
        if self._again_ms is None or ms >= self._again_ms:
            if self._again_ms is not None:
                self._wlan.disconnect()
                if self._sleep == "light":
                    return self._rest(ms)
            self._join(ms)
        return False

    def is_resting(self, ms):
        """Off for a while, so that the board may sleep; only where its configuration says light."""
        return self._rest_until_ms is not None and ms < self._rest_until_ms

    def rssi(self):
        return None if self._wlan is None else self._wlan.status("rssi")

    def _join(self, ms):
        if self._rest_until_ms is not None:
            self._rest_until_ms = None
            self._wlan.active(True)
        self._wlan.connect(self._wifi["ssid"], self._wifi["password"])
        self._again_ms = ms + JOIN_MS

    def _rest(self, ms):
        self._wlan.active(False)
        self._rest_until_ms, self._again_ms = ms + REST_MS, None
        return False

    def _save_power(self, network):
        """Unasked for, most ports let the radio nap, and a cue then waits for its next beacon."""
        mode = "PM_PERFORMANCE" if self._sleep == "none" else "PM_POWERSAVE"
        if hasattr(network.WLAN, mode):
            self._wlan.config(pm=getattr(network.WLAN, mode))


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


def run(config):
    """For ever, or until the keyboard says otherwise; our own faults end with outputs at rest."""
    clock = Clock()
    pins = _pins(config)
    configuration.forget_checks()
    import loop  # this late, because boot.py wants the pins before the rest is compiled

    # Before radio and network: whatever hangs from here on ends in a restart.
    watchdog = _watchdog(config)
    link, radio, waiter = Link(), Radio(config.wifi, config.sleep), Waiter()
    cause, ms = reset_cause(), clock.now_ms()
    board = loop.Board(config, pins, link, radio, os.urandom, ms, cause)
    said = None
    gc.collect()  # while nothing plays; what loading left behind would be in the way later
    try:
        while True:
            ms = clock.now_ms()
            board.poll(ms)
            if watchdog is not None:
                watchdog.feed()
            if board.fault != said:
                said = board.fault
                print("connection lost:", said)
            if radio.is_resting(ms) and board.is_quiet():
                _sleep_lightly()
            else:
                waiter.wait([link.socket, pins.socket], WAIT_MS)
    finally:
        board.close(clock.now_ms())


def has(module, name):
    """Whether the port brings something at all: a computer has neither pins nor a radio to join."""
    try:
        return hasattr(__import__(module), name)
    except ImportError:
        return False


def restart():
    """On a real board; on a computer there is nothing to restart.

    The pause leaves a maker time to read why, and keeps a board that fails at once from spinning.
    """
    import machine

    if not hasattr(machine, "reset"):
        return
    try:
        with open(MARKER, "w") as file:
            file.write("by its own firmware")
    except OSError as fault:
        print("the next start will not know why:", fault)
    time.sleep_ms(RESTART_PAUSE_MS)
    machine.reset()


def _pins(config):
    if config.pins == "script":
        return ScriptPins(config)
    import pins

    return pins.machine_pins(config)


def _sleep_lightly():
    import machine

    if hasattr(machine, "lightsleep"):
        machine.lightsleep(SLEEP_MS)
    else:
        time.sleep_ms(SLEEP_MS)


def _watchdog(config):
    if not config.watchdog_ms:
        return None
    import machine

    if not hasattr(machine, "WDT"):
        return None
    is_rp2 = sys.platform == "rp2"
    return machine.WDT(timeout=min(config.watchdog_ms, RP2_WATCHDOG_MS_MAX if is_rp2 else 60000))


def reset_cause():
    """The cause as far as the port tells it, no further.

    A brown-out shows as power-on on today's ESP32 port, as a watchdog on an old one; a restart by
    software shows as a hard reset there and as a watchdog on the RP2, hence the marker. `unknown`
    counts as a loss of power, so that sensors warm up.
    """
    try:
        import machine
    except ImportError:
        return "power-on"
    if not hasattr(machine, "reset_cause"):
        return "power-on"
    if _was_ours():
        return "soft"
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


def _was_ours():
    try:
        os.remove(MARKER)
    except OSError:
        return False
    return True
