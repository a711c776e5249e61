"""Bytes changed by chance and a seed: flipped, cut, doubled, joined, numbers at their edges."""

from collections.abc import Sequence

from haunt.core.dice import draw

EDGES = (b"\x00", b"\xff", b"\x7f", b"\x80", b"\xff\xff", b"\x00\x00", b"\xff\xff\xff\x7f")


class Mutation:
    """The same seed and number give the same bytes."""

    def __init__(self, seed: int, grains: Sequence[bytes]) -> None:
        self._seed, self._grains = seed, grains

    def made(self, number: int) -> bytes:
        """Return a grain, changed one to four times."""
        self._draws, self._name = 0, f"mutation {number}"
        raw = bytearray(self._grains[self._upto(len(self._grains))])
        for _ in range(1 + self._upto(4) * self._upto(2)):
            self._change(raw)
        return bytes(raw)

    def _change(self, raw: bytearray) -> None:
        at = self._upto(len(raw) + 1)
        kind = self._upto(12)
        if kind == 0 and raw:
            raw[at % len(raw)] ^= 1 << self._upto(8)
        elif kind == 1:
            del raw[at:]
        elif kind == 2:
            del raw[at : at + 1 + self._upto(8)]
        elif kind == 3:
            raw[at:at] = raw[: self._upto(len(raw) + 1)]
        elif kind == 4:
            edge = EDGES[self._upto(len(EDGES))]
            raw[at : at + len(edge)] = edge
        elif kind == 5:
            raw[at:at] = bytes(self._upto(256) for _ in range(1 + self._upto(16)))
        elif kind == 6:
            other = self._grains[self._upto(len(self._grains))]
            raw[at:] = other[self._upto(len(other) + 1) :]
        elif kind == 7:
            raw += bytes([self._upto(256)]) * (1 << self._upto(12))
        elif at < len(raw):
            raw[at] = self._alike(raw[at])

    def _alike(self, byte: int) -> int:
        """A letter for a letter, a digit for a digit: what keeps its form and changes its sense."""
        for first, count in ((0x30, 10), (0x41, 26), (0x61, 26)):
            if first <= byte < first + count:
                return first + self._upto(count)
        return byte

    def _upto(self, count: int) -> int:
        self._draws += 1
        return draw(self._seed, f"{self._name} {self._draws}", count)
