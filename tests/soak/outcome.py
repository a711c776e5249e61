"""What a run of injected faults gives back: what was done, how often, and what went wrong."""

import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field


class Patience:
    """How long a run may go on; one that is cut short says how often it was done."""

    ends_at_s = float("inf")

    def last(self, minutes: float) -> None:
        self.ends_at_s = time.monotonic() + 60 * minutes

    @property
    def is_over(self) -> bool:
        return time.monotonic() >= self.ends_at_s

    def numbers(self, count: int) -> Iterator[int]:
        for number in range(count):
            if self.is_over:
                return
            yield number


PATIENCE = Patience()


@dataclass
class Outcome:
    """`injected` counts faults by kind, `noted` what is worth knowing, `failures` are words."""

    injected: Counter[str] = field(default_factory=Counter)
    noted: Counter[str] = field(default_factory=Counter)
    failures: list[str] = field(default_factory=list)

    def expect(self, what: object, why: str) -> None:
        if not what:
            self.failures.append(why)

    def take(self, part: "Outcome", whose: str) -> None:
        """Add what one of several at once has; of what is the longest, the longest."""
        self.injected += part.injected
        for kind, count in part.noted.items():
            known = self.noted[kind]
            self.noted[kind] = max(known, count) if "longest" in kind else known + count
        self.failures += [f"{whose}: {each}" for each in part.failures]

    def text(self) -> str:
        lines = [f"{sum(self.injected.values())} faults injected"]
        lines += [f"  {count:7} {kind}" for kind, count in sorted(self.injected.items())]
        lines += [f"{count:9} {kind}" for kind, count in sorted(self.noted.items())]
        lines += [f"FAILED: {each}" for each in self.failures[:20]]
        return "\n".join([*lines, f"{len(self.failures)} failures"])
