"""Chance as a function of a seed and a name: the same night draws the same behaviours again."""

from zlib import crc32

_MASK = (1 << 64) - 1


def draw(seed: int, name: str, sides: int) -> int:
    """Return a whole number in [0, sides) that depends on nothing but seed and name.

    The mixing is splitmix64's finaliser (Steele, Lea, Flood 2014), over CRC-32 of the name.
    """
    z = (seed * 0x9E3779B97F4A7C15 + crc32(name.encode())) & _MASK
    z = ((z ^ (z >> 30)) * 0xBF58476D1CE4E5B9) & _MASK
    z = ((z ^ (z >> 27)) * 0x94D049BB133111EB) & _MASK
    return (z ^ (z >> 31)) % sides
