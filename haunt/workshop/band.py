"""A figure with the range it very likely lies in: what an honest forecast is made of."""

from dataclasses import dataclass
from typing import Self

NINETEEN_OF_TWENTY = 1.96


@dataclass(frozen=True, slots=True)
class Band:
    """`low` to `high` holds about nineteen cases of twenty. Raises ValueError out of order."""

    at: float
    low: float
    high: float

    def __post_init__(self) -> None:
        if not self.low <= self.at <= self.high:
            raise ValueError(f"{self.low} <= {self.at} <= {self.high} does not hold; allowed: only")

    @classmethod
    def exact(cls, value: float) -> Self:
        return cls(value, value, value)

    @classmethod
    def within(cls, value: float, share: float) -> Self:
        """A figure known to a share of itself: 0.1 is ten per cent either way."""
        off = abs(value) * share
        return cls(value, value - off, value + off)

    @property
    def sigma(self) -> float:
        return (self.high - self.low) / (2 * NINETEEN_OF_TWENTY)

    def __add__(self, other: "Band") -> "Band":
        return Band(self.at + other.at, self.low + other.low, self.high + other.high)

    def __sub__(self, other: "Band") -> "Band":
        return Band(self.at - other.at, self.low - other.high, self.high - other.low)

    def times(self, other: "Band") -> "Band":
        """Multiply amounts; raises ValueError where a band reaches below 0."""
        if self.low < 0 or other.low < 0:
            raise ValueError(f"{self} times {other}; allowed: bands of 0 and more")
        return Band(self.at * other.at, self.low * other.low, self.high * other.high)

    def scaled(self, factor: float) -> "Band":
        ends = sorted((self.low * factor, self.high * factor))
        return Band(self.at * factor, ends[0], ends[1])
