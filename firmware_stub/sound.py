"""Drives a voice: wav files through I2S in small pieces, and all else through the maker's module.

It must never wait for a piece to be played, and a fault in a sound must never stop the board.
"""

import machine

import wav

PIECE_BYTES = 2048
QUEUE_BYTES = 8192


class Voice:
    """Takes "file:…", "line:…" or 0; whatever goes wrong is said once and then it is silent."""

    def __init__(self, output):
        self._i2s = output.get("i2s")
        self._piece = bytearray(PIECE_BYTES) if self._i2s else None  # once: the heap breaks up
        self._hook = None
        self._player = None
        self._is_hooked = False
        if "hook" in output:
            try:
                self._hook = __import__(output["hook"])
            except Exception as fault:  # the maker's own code: the show goes on in silence
                print("no voice:", repr(fault))

    def write(self, level):
        self._silence()
        if not level:
            return
        kind, _, what = level.partition(":")
        try:
            if kind == "file" and self._i2s:
                self._player = FilePlayer(self._i2s, self._piece, what)
            elif self._hook is not None:
                self._is_hooked = True
                (self._hook.play if kind == "file" else self._hook.say)(what)
            else:
                print("no voice for", level)
        except Exception as fault:
            self._fail(fault)

    def poll(self, ms):
        try:
            if self._player is not None:
                self._player.poll()
            elif self._is_hooked and hasattr(self._hook, "poll"):
                self._hook.poll(ms)
        except Exception as fault:
            self._fail(fault)

    def _silence(self):
        if self._player is not None:
            player, self._player = self._player, None
            player.close()
        if self._is_hooked:
            self._is_hooked = False
            try:
                self._hook.stop()
            except Exception as fault:
                print("sound does not stop:", repr(fault))

    def _fail(self, fault):
        print("no sound:", repr(fault))
        self._silence()


class FilePlayer:
    """One file, once. The port says when a piece is through; the next is handed over by poll()."""

    def __init__(self, pins, piece, path):
        self._file = open(path, "rb")
        self._i2s = None
        try:
            rate, bits, channels, begins, self._left = wav.format_of(
                self._file.read(wav.HEAD_BYTES)
            )
            self._file.seek(begins)
            self._i2s = machine.I2S(
                pins.get("id", 0),
                sck=machine.Pin(pins["sck"]),
                ws=machine.Pin(pins["ws"]),
                sd=machine.Pin(pins["sd"]),
                mode=machine.I2S.TX,
                bits=bits,
                format=machine.I2S.MONO if channels == 1 else machine.I2S.STEREO,
                rate=rate,
                ibuf=QUEUE_BYTES,
            )
            self._piece = piece
            self._is_free = True
            self._i2s.irq(self._freed)  # from now on write() returns at once
        except Exception:
            self.close()
            raise

    def poll(self):
        if not self._is_free:
            return
        view = memoryview(self._piece)[: min(self._left, PIECE_BYTES)]
        count = self._file.readinto(view) if self._left else 0
        if not count:
            self.close()
            return
        self._left -= count
        self._is_free = False
        self._i2s.write(view[:count])

    def close(self):
        self._is_free = False
        if self._i2s is not None:
            self._i2s.deinit()
            self._i2s = None
        self._file.close()

    def _freed(self, _i2s):
        self._is_free = True
