"""Reads the head of a sound file: how to play it and where its samples begin. Opens nothing."""

HEAD_BYTES = 512


class WavError(Exception):
    """Not a file that can be played here; the text says what is allowed."""


def format_of(head):
    """(rate, bits, channels, where the samples begin, how many bytes) of plain PCM."""
    if head[:4] != b"RIFF" or head[8:12] != b"WAVE":
        raise WavError("allowed are wav files")
    place, found = 12, None
    while place + 8 <= len(head):
        name, size = head[place : place + 4], _number(head, place + 4, 4)
        if name == b"fmt ":
            found = _pcm(head, place + 8)
        elif name == b"data":
            if found is None:
                raise WavError("the samples come before their format")
            return found + (place + 8, size)
        place += 8 + size + size % 2
    raise WavError("no samples within the first %d bytes" % HEAD_BYTES)


def _pcm(head, place):
    kind, channels = _number(head, place, 2), _number(head, place + 2, 2)
    rate, bits = _number(head, place + 4, 4), _number(head, place + 14, 2)
    if kind != 1 or bits != 16 or channels not in (1, 2) or not 4000 <= rate <= 48000:
        raise WavError("allowed is PCM of 16 bits, mono or stereo, 4000 to 48000 a second")
    return (rate, bits, channels)


def _number(head, place, size):
    number = 0
    for byte in reversed(bytes(head[place : place + size])):
        number = number << 8 | byte
    return number
