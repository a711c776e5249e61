"""Goal: a server that hears no broker gives the show to one that does, and to nobody else.

Method: the thread that keeps the hold, with a hold that is set up by hand.
"""

import threading

import pytest

from haunt.bootstrap.owning import SILENT_MS, Owning
from haunt.mqtt.client import Pace
from haunt.store.ownership import Ownership, Standing

HEIR = Standing("two", "http://two", 0, reaches=True)


class Hold(Ownership):
    """It has the show until it lets go, and is stepped as often as anybody likes."""

    def __init__(self, heir: Standing | None) -> None:
        super().__init__("postgresql://nobody@nowhere/night", "http://one", token="one")
        self._heir, self._has = heir, True
        self.stepped = threading.Semaphore(0)

    @property
    def owns(self) -> bool:
        return self._has

    def heir(self) -> Standing | None:
        return self._heir

    def step(self) -> None:
        self.stepped.release()

    def release(self) -> None:
        self._has = False


def kept(hold: Hold, silent_ms: int, monkeypatch: pytest.MonkeyPatch) -> tuple[bool, int]:
    """Let it be looked at twice; return whether it has the show, and how often that changed."""
    monkeypatch.setattr(hold, "pause", lambda _until: None)
    changes: list[None] = []
    found = Owning(hold, lambda: changes.append(None))
    found.silent_ms = lambda: silent_ms
    found.start()
    for _ in range(2):
        assert hold.stepped.acquire(timeout=30)
    has = hold.owns
    found.stop()
    return has, len(changes)


def test_who_hears_no_broker_gives_way_to_who_does(monkeypatch: pytest.MonkeyPatch) -> None:
    assert kept(Hold(HEIR), SILENT_MS, monkeypatch) == (False, 1)


@pytest.mark.parametrize(("heir", "silent_ms"), [(HEIR, SILENT_MS - 1), (None, 10 * SILENT_MS)])
def test_a_short_silence_is_borne_and_without_an_heir_any(
    heir: Standing | None, silent_ms: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert kept(Hold(heir), silent_ms, monkeypatch) == (True, 0)


def test_a_broker_has_time_to_be_started_again() -> None:
    assert 2 * Pace().ping_ms < SILENT_MS
