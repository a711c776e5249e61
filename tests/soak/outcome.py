"""What a run of injected faults gives back: what was done, how often, and what went wrong."""

from collections import Counter
from dataclasses import dataclass, field


@dataclass
class Outcome:
    """`injected` counts faults by kind, `noted` what is worth knowing, `failures` are words."""

    injected: Counter[str] = field(default_factory=Counter)
    noted: Counter[str] = field(default_factory=Counter)
    failures: list[str] = field(default_factory=list)

    def expect(self, what: object, why: str) -> None:
        if not what:
            self.failures.append(why)

    def text(self) -> str:
        lines = [f"{sum(self.injected.values())} faults injected"]
        lines += [f"  {count:7} {kind}" for kind, count in sorted(self.injected.items())]
        lines += [f"{count:9} {kind}" for kind, count in sorted(self.noted.items())]
        lines += [f"FAILED: {each}" for each in self.failures[:20]]
        return "\n".join([*lines, f"{len(self.failures)} failures"])
