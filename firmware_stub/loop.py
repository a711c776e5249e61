"""Joins brain, tracks and session to pins, link and radio, which are handed in.

It must never wait, own a thread or touch the machine, so that many boards can live in one process.
"""

import binascii

import brain
import packets
import session
import tracks

CONNECT_MS = 5000
RSSI_MS = 5000


class Board:
    """One whole board; it owns no thread: call poll(ms) every 10 ms or so, with a steady clock.

    `fault` says why the last connection ended. Any number of boards live in one process.
    """

    def __init__(self, config, pins, link, radio, entropy, ms, reset="power-on"):
        self._config = config
        self._pins = pins
        self._link = link
        self._radio = radio
        self._entropy = entropy
        self.fault = None
        self._boot(ms, reset)

    def poll(self, ms):
        for event in self._pins.events(ms):
            self._feed(ms, event)
        try:
            self._network(ms)
        except (OSError, packets.PacketError, session.SessionError) as fault:
            self._lose(ms, fault)
        self._feed(ms, ("tick",))
        self._write(ms, self._tracks.due(ms))
        self._link.flush()

    def is_here(self):
        return self._session is not None and self._session.is_up

    def is_quiet(self):
        """Whether nothing would be missed if the board slept until the next look at its sensors."""
        return not self._link.is_open() and self._tracks.is_quiet()

    def close(self, ms):
        """Says goodbye: outputs in their stop states, presence gone without waiting for the will."""
        for prop in self._config.props:
            self._write(ms, self._tracks.stop(ms, prop))
        if self._session is not None and self._session.is_up:
            self._feed(ms, ("leaving",))
            self._link.write(packets.disconnect())
        self._link.close()
        self._pins.close()

    def _boot(self, ms, reset):
        boot = str(binascii.hexlify(self._entropy(6)), "ascii")
        flash_hz_max = self._config.flash_hz_max
        self._tracks = tracks.Tracks(self._config.props, flash_hz_max, int(boot, 16))
        for prop in self._config.props:
            self._write(ms, self._tracks.boot(ms, prop))
        self._brain = brain.Brain(self._config, boot, reset, ms)
        self._backoff = session.Backoff(boot)
        self._session = None
        self._connect_by_ms = ms
        self._rssi_due_ms = ms
        spread_ms = self._config.spread_ms if reset == "power-on" else 0
        self._connect_due_ms = ms + self._backoff.draw_ms(spread_ms)

    def _write(self, ms, changes):
        for prop, output, level in changes:
            self._pins.write(ms, prop, output, level)

    def _feed(self, ms, event):
        if event[0] == "drop":
            self._lose(ms, "dropped by script")
        elif event[0] == "reboot":
            self._link.close()
            self._boot(ms, event[1])
        elif event[0] == "stalled":
            self._tracks.stalled(event[1], event[2])
            self._feed_brain(ms, event[:2])
        else:
            self._feed_brain(ms, event)

    def _feed_brain(self, ms, event):
        for action in self._brain.step(ms, event):
            self._perform(ms, action)

    def _perform(self, ms, action):
        if action[0] == "output":
            self._output(ms, *action[1:])
        elif action[0] == "stop_state":
            self._write(ms, self._tracks.stop(ms, action[1]))
        elif action[0] == "connect":
            self._link.write(self._session.open(ms, action[1], action[2]))
        elif self._session is not None:
            self._link.write(self._session.publish(*action[1:]))

    def _output(self, ms, prop, behaviour, on, line=None):
        if on:
            self._write(ms, self._tracks.start(ms, prop, behaviour, line))
        else:
            self._write(ms, self._tracks.rest(ms, prop))

    def _network(self, ms):
        if not self._link.is_open():
            if ms >= self._connect_due_ms:
                self._open(ms)
        elif self._session is None:
            if self._link.is_ready():
                self._session = session.Session(self._config)
                self._feed(ms, ("connecting",))
            elif ms >= self._connect_by_ms:
                raise session.SessionError("no connection in time")
        else:
            self._exchange(ms)

    def _open(self, ms):
        if not self._radio.is_ready(ms):
            self._connect_due_ms = ms + session.RETRY_MS
            return
        self._connect_by_ms = ms + CONNECT_MS
        self._link.open(self._config.host, self._config.port)

    def _exchange(self, ms):
        events, replies = self._session.receive(ms, self._link.read())
        for event in events:
            if event[0] == "connected":
                self._backoff.reset()
            self._feed(ms, event)
        if ms >= self._rssi_due_ms:
            self._rssi_due_ms = ms + RSSI_MS
            self._feed(ms, ("rssi", self._radio.rssi()))
        for packet in replies + self._session.due(ms):
            self._link.write(packet)

    def _lose(self, ms, fault):
        self._link.close()
        self._session = None
        self.fault = str(fault)
        self._connect_due_ms = ms + self._backoff.next_ms()
        self._feed(ms, ("lost",))
