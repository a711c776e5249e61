"""A wall clock that leaps by seconds or by years in mid-night: no decision is another for it.

Each night is lived twice by the same people, once with leaps; the show is always open, so nothing
may differ but the wall's own time. Records stay in the order in which things happened.
"""

from pathlib import Path

from haunt.core.decisions import Decision
from haunt.study.chance import Chance
from tests.live.gardenstage import Garden
from tests.soak.outcome import Outcome

LEAPS_A_NIGHT = 200
NIGHT_MS = 600_000
VISITS = 240
REACHES_MS = (1000, 60_000, 3_600_000, 86_400_000, 10 * 365 * 86_400_000)


def run(count: int, seed: int, _folder: Path) -> Outcome:
    """Leap `count` times, two hundred a night."""
    outcome = Outcome()
    for number in range(-(-count // LEAPS_A_NIGHT)):
        calm, leaping = _night(seed, number, 0), _night(seed, number, LEAPS_A_NIGHT)
        outcome.injected["leaps of the wall clock"] += LEAPS_A_NIGHT
        _compare(number, calm, leaping, outcome)
    return outcome


def _night(seed: int, number: int, leaps: int) -> Garden:
    garden = Garden(3).open()
    people, clock = Chance(seed, f"people {number}"), Chance(seed, f"clock {number}")
    for _ in range(VISITS):
        name = f"b{1 + people.below(3)}"
        garden.after(people.below(NIGHT_MS), lambda n=name: _seen(garden, n))  # type: ignore[misc]
    wrong_ms = 0
    for at_ms in sorted(clock.below(NIGHT_MS) for _ in range(leaps)):
        reach_ms = REACHES_MS[clock.below(len(REACHES_MS))]
        before_ms, wrong_ms = wrong_ms, clock.between(-reach_ms, reach_ms)
        garden.after(
            at_ms,
            lambda by=wrong_ms - before_ms: garden.schedule.step_wall(by),  # type: ignore[misc]
        )
    return garden.run(NIGHT_MS)


def _seen(garden: Garden, board: str) -> None:
    garden.boards[board].sense(f"s{board[1:]}")


def _compare(number: int, calm: Garden, leaping: Garden, outcome: Outcome) -> None:
    expected, found = _told(calm), _told(leaping)
    outcome.noted["decisions compared"] += len(expected)
    outcome.expect(len(expected) > VISITS // 2, f"night {number} was empty")
    differ = [pair for pair in zip(expected, found, strict=False) if pair[0] != pair[1]]
    outcome.expect(
        found == expected,
        f"night {number}: {len(expected)} and {len(found)} decisions, first {differ[:1]}",
    )
    outcome.expect(not leaping.night.broken, leaping.night.broken)
    numbers = [each.number for each in leaping.journal.records]
    steady = [each.mono_ms for each in leaping.journal.records]
    outcome.expect(numbers == sorted(set(numbers)), f"night {number}: out of order")
    outcome.expect(steady == sorted(steady), f"night {number}: the steady clock went back")


def _told(garden: Garden) -> list[Decision]:
    return [each._replace(wall_ms=0) for each in garden.decisions()]
