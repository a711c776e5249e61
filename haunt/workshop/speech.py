"""How long a line takes to say, from its words and how fast they come. Sums only.

Words a minute: espeak-ng's own default is 175 (its man page); people in conversation come to about
150 (National Center for Voice and Speech), readers of audiobooks to 150 to 160.
"""

from typing import Final

CONVERSATION_WPM: Final = 150
WORDS_LEAST: Final = 2
"""A single word takes the time of two: it begins and ends in silence."""


def seconds_to_say(words: int, wpm: float) -> float:
    """Return words * 60 / wpm. Of a recording its own length counts, not this."""
    return max(WORDS_LEAST, words) * 60 / wpm if words else 0.0
