"""Makes new lines out of an owner's own sentences: ahead of the night, never while it runs.

A Markov chain over their words (markovify). The same sentences and seed make the same lines.
"""

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from itertools import islice
from typing import Final, NamedTuple

from haunt.study.chance import Chance
from haunt.study.pools.pool import PoolLine, State
from haunt.study.progress import Progress, quiet
from haunt.wire.saying import LINE_CHARS_MAX, words_in

MADE: Final = "prepared"
"""The source of a line that was made here."""
SENTENCES_LEAST: Final = 8
TRIES_A_LINE: Final = 60
OVERLAP_SHARE: Final = 0.7
"""A line that has more than this much in a row of one of the owner's is only theirs cut off."""

BEGIN, END = "___BEGIN__", "___END__"
"""What the library calls both ends of a sentence."""

Model = Mapping[tuple[str, ...], Mapping[str, int]]


class Made(NamedTuple):
    """What came of it: fewer than asked for where the sentences give no more."""

    lines: tuple[str, ...]
    tried: int


def own_sentences(lines: Iterable[PoolLine]) -> list[str]:
    """Return what people wrote of these and nobody struck."""
    return [e.text for e in lines if e.source != MADE and e.state is not State.STRUCK]


def too_few(sentences: Sequence[str]) -> str:
    """Say in words why nothing can be made of these, or nothing."""
    if len(sentences) >= SENTENCES_LEAST:
        return ""
    return (
        f"there are {len(sentences)} own sentences; {SENTENCES_LEAST} are the least, "
        "and fifty make better ones"
    )


def make_lines(
    sentences: Sequence[str],
    count: int,
    seed: int,
    known: Collection[str] = (),
    progress: Progress = quiet,
) -> Made:
    """Return up to `count` lines that are neither among the sentences nor among the known ones."""
    import markovify  # noqa: PLC0415 - only those who make wait

    taken = {_plain(each) for each in (*sentences, *known)}
    most_words = max(len(each.split()) for each in sentences)
    # Two words back is the sense of a sentence; few sentences share two, so one comes after.
    models = [
        markovify.NewlineText("\n".join(sentences), state_size=size, well_formed=False)
        for size in (2, 2, 1)
    ]
    found: list[str] = []
    chance, tried = Chance(seed, "lines"), 0
    while len(found) < count and tried < count * TRIES_A_LINE:
        model = models[tried % len(models)]
        words, tried = _walk(model.chain.model, model.state_size, most_words, chance), tried + 1
        line = " ".join(words)
        if not 0 < len(line) <= LINE_CHARS_MAX or _plain(line) in taken:
            continue
        if not model.test_sentence_output(words, OVERLAP_SHARE, most_words):
            continue
        taken.add(_plain(line))
        found.append(line)
        progress(len(found), count)
    return Made(tuple(found), tried)


def _walk(model: Model, back: int, most_words: int, chance: Chance) -> list[str]:
    """Go along the chain by our own dice; nothing where it leads too far."""
    state, words = (BEGIN,) * back, list[str]()
    while len(words) <= most_words:
        word = _picked(model[state], chance)
        if word == END:
            return words
        words.append(word)
        state = (*state[1:], word)
    return []


def _picked(choices: Mapping[str, int], chance: Chance) -> str:
    return next(islice(Counter(choices).elements(), chance.below(sum(choices.values())), None))


def _plain(text: str) -> str:
    """Tell lines apart by their words alone."""
    return " ".join(words_in(text))
