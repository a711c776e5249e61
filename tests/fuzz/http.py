"""`python -m tests.fuzz.http [--examples N] [--seed S]`: a real server is asked by everybody.

Invariant: whatever is asked by whomever, there is an answer in time that is no fault of ours, tells
no secret, and gives nobody more than the role that was shown.
"""

import argparse
import re
import sys
import time
from collections.abc import Callable
from typing import Any, Final

import schemathesis
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis.errors import Unsatisfiable
from hypothesis.strategies import SearchStrategy
from schemathesis import GenerationMode
from schemathesis.core.result import Ok

from haunt.site.rights import RIGHTS
from tests.fuzz.httpdraw import described, grains, pressed
from tests.fuzz.httphouse import Asked, FuzzHouse, fuzz_house, said
from tests.fuzz.httplaw import faults_of
from tests.fuzz.mutation import Mutation
from tests.soak.outcome import Outcome
from tests.system.house import SHOW

FAILURES_MAX: Final = 40
MEND_EVERY: Final = 250
GROWTH_KB_MAX: Final = 120_000
TRACE: Final = re.compile(r"^Traceback .*\n(?:^[ |+].*\n)*^.*$", re.MULTILINE)
BEHIND: Final = "can't handle event type Response when role=SERVER and state=MUST_CLOSE"
"""What uvicorn writes down where bytes that are no HTTP come right behind a request: it has hung
up, and the answer goes nowhere. No fault of ours.
"""
MODES: Final = (GenerationMode.POSITIVE, GenerationMode.NEGATIVE)


class Run:
    """One run against one house. A quarter of it comes from the API's description, a quarter is
    bytes, the rest goes to every route there is.
    """

    def __init__(self, house: FuzzHouse, number: int) -> None:
        self._house, self._seed = house, number
        self.outcome = Outcome()
        self._asked, self._slowest = 0, 0.0

    def everything(self, examples: int) -> Outcome:
        before_kb = self._house.memory_kb()
        self._described(examples // 4)
        self._drawn("routes", examples // 2, pressed(self._house, RIGHTS))
        self._bytes(examples - examples // 4 - examples // 2)
        self._look_after(before_kb)
        return self.outcome

    # --- where requests come from

    def _described(self, examples: int) -> None:
        """Every operation in both modes; in a short run as many of them as there are examples."""
        document = self._house.server.get("/api/v1/openapi.json")
        schema = schemathesis.openapi.from_dict(document)
        found = [each.ok() for each in schema.get_all_operations() if isinstance(each, Ok)]
        pairs = [(operation, mode) for operation in found for mode in MODES]
        step = max(1, len(pairs) // max(1, examples))
        for operation, mode in pairs[self._seed % step :: step]:
            name = f"{operation.label} {mode.value}"
            strategy: SearchStrategy[Any] = operation.as_strategy(mode)
            each_has = max(1, examples // len(pairs))
            self._drawn(name, each_has, described(self._house, strategy))

    def _drawn(self, name: str, examples: int, strategy: SearchStrategy[Asked]) -> None:
        @seed(self._seed)
        @settings(
            max_examples=examples,
            deadline=None,
            database=None,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        )
        @given(strategy)
        def one(asked: Asked) -> None:
            self._try(name, asked)

        try:
            one()
        except Unsatisfiable:  # an operation without parameters has none that are wrong
            self.outcome.noted["operations with nothing to get wrong"] += 1

    def _bytes(self, count: int) -> None:
        mutation = Mutation(self._seed, grains(self._house))
        for number in range(count):
            raw = mutation.made(number)
            line = raw.split(b"\r\n")[0].split(b" ")
            target = line[1].decode("latin-1") if len(line) > 1 else "/"
            method = "HEAD" if line[0] == b"HEAD" else "GET"
            self._try("bytes", Asked(method, target, raw, self._house.callers[0], "raw: bytes"))

    # --- what is done with one

    def _try(self, name: str, asked: Asked) -> None:
        outcome = self.outcome
        if len(outcome.failures) >= FAILURES_MAX:
            return
        self._asked += 1
        if self._asked % MEND_EVERY == 0:
            self._put_back()
        try:
            answer = self._house.answer(asked)
        except TimeoutError:
            self._fails(asked, "no answer")
            return
        outcome.injected[asked.trick] += 1
        outcome.noted[f"status {answer.status}"] += 1
        outcome.noted[f"asked by {asked.caller.name}"] += 1
        self._slowest = max(self._slowest, answer.took_s)
        for fault in faults_of(self._house, asked, answer):
            self._fails(asked, f"{name}: {fault}; said {answer.body[:200]!r}")

    def _fails(self, asked: Asked, what: str) -> None:
        words = f"{asked.caller.name}, {asked.trick}: {asked.raw[:400]!r}: {what}"
        self.outcome.failures.append(words[:900])

    def _put_back(self) -> None:
        """What owners can do is done: people are removed, the show is changed."""
        self._house.mend()
        status, _ = self._house.server.ask("PUT", "/api/v1/show", SHOW_JSON)
        self.outcome.expect(status in {200, 401}, f"the show could not be put back: {status}")

    def _look_after(self, before_kb: int) -> None:
        house, outcome = self._house, self.outcome
        outcome.expect(house.is_alive(), "the server ended")
        if not house.is_alive():
            return
        house.mend()
        outcome.expect(house.server.get("/api/v1/props"), "it answers no sane request any more")
        grown_kb = house.memory_kb() - before_kb
        outcome.expect(grown_kb < GROWTH_KB_MAX, f"it grew by {grown_kb} kB")
        outcome.noted["kB grown"] = grown_kb
        outcome.noted["ms slowest"] = round(self._slowest * 1000)
        traces = TRACE.findall(said(house))
        ours = [each for each in traces if not each.endswith(BEHIND)]
        outcome.noted["traces of bytes behind a request"] = len(traces) - len(ours)
        for each in dict.fromkeys(trace[-500:] for trace in ours):
            outcome.failures.append(f"the log has a trace: …{each}")


def _show_json() -> dict[str, Any]:
    from haunt.wire.showfile import read_show, show_to_json  # noqa: PLC0415

    return show_to_json(read_show(SHOW, "show").show)


SHOW_JSON: Final = _show_json()


def run(
    examples: int, number: int, also: Callable[[FuzzHouse], None] = lambda _house: None
) -> Outcome:
    with fuzz_house() as house:
        also(house)
        return Run(house, number).everything(examples)


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    asked.add_argument("--examples", type=int, default=4000)
    asked.add_argument("--seed", type=int, default=1)
    words = asked.parse_args()
    began = time.monotonic()
    outcome = run(words.examples, words.seed)
    print(
        f"P24, http: {words.examples} requests, seed {words.seed}, {time.monotonic() - began:.0f} s"
    )
    print(outcome.text())
    return 1 if outcome.failures else 0


if __name__ == "__main__":
    sys.exit(main())
