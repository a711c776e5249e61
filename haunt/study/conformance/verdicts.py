"""What a check comes to, as one line a person or a program can read."""

from collections.abc import Callable, Sequence
from enum import StrEnum
from typing import NamedTuple

from haunt.study.conformance.bench import Bench


class Verdict(StrEnum):
    GOOD = "good"
    BAD = "bad"
    UNTRIED = "not tried"


class Seen(NamedTuple):
    verdict: Verdict
    words: str


class Check(NamedTuple):
    """`expected` says what the contract asks for."""

    name: str
    expected: str
    run: Callable[[Bench], Seen]


class Finding(NamedTuple):
    check: str
    verdict: Verdict
    expected: str
    seen: str

    @property
    def line(self) -> str:
        word = self.verdict.upper() if self.verdict is Verdict.BAD else self.verdict
        return f"{word:9}  {self.check:11}  {self.seen}  (expected: {self.expected})"


def good(words: str) -> Seen:
    return Seen(Verdict.GOOD, words)


def bad(words: str) -> Seen:
    return Seen(Verdict.BAD, words)


def untried(why: str) -> Seen:
    return Seen(Verdict.UNTRIED, why)


def summary(board: str, findings: Sequence[Finding]) -> str:
    counts = {each: sum(f.verdict is each for f in findings) for each in Verdict}
    wrong = [each.check for each in findings if each.verdict is Verdict.BAD]
    said = f"{counts[Verdict.GOOD]} good, {counts[Verdict.BAD]} bad"
    if counts[Verdict.UNTRIED]:
        said += f", {counts[Verdict.UNTRIED]} not tried"
    keeps = "does not keep to the contract" if wrong else "keeps to the contract, as far as tried"
    return f"board {board} {keeps}: {said}" + (f" ({', '.join(wrong)})" if wrong else "")
