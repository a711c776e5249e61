"""`python -m tests.model.long STEPS --seed N`: many random nights against the plain model."""

import argparse
from collections import Counter
from functools import partial
from time import perf_counter

from tests.model.duel import DisagreementError, disagrees, duel_of, shortest, steps_of
from tests.model.shows import evening_of

LENGTH = 150


def main() -> int:
    words = argparse.ArgumentParser(prog="tests.model.long", description=__doc__)
    words.add_argument("steps", type=int)
    words.add_argument("--seed", type=int, default=1)
    asked = words.parse_args()
    began, tally, seed, steps, found = perf_counter(), Counter[str](), asked.seed, 0, 0
    while steps < asked.steps:
        found += not _agrees(seed, tally)
        seed, steps = seed + 1, steps + LENGTH
    for what, count in sorted(tally.items()):
        print(f"{count:9,} {what}")
    print(
        f"{steps:,} steps in {perf_counter() - began:.0f} s, "
        f"seeds {asked.seed} to {seed - 1}: {found} disagreements"
    )
    return 1 if found else 0


def _agrees(seed: int, tally: Counter[str]) -> bool:
    """Play one night; of a disagreement the fewest steps that show it are printed."""
    evening, steps = evening_of(seed), steps_of(seed, LENGTH)
    duel = duel_of(evening)
    try:
        duel.play(steps)
    except DisagreementError:
        fewest = shortest(steps, partial(disagrees, evening))
        print(f"seed {seed}, evening_of({seed}) and {len(fewest)} steps: {fewest}")
        try:
            duel_of(evening).play(fewest)
        except DisagreementError as why:
            print(why)
        return False
    finally:
        tally.update(duel.tally)
    return True


if __name__ == "__main__":
    raise SystemExit(main())
