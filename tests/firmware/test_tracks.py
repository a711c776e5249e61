"""Goal: tracks run at once and end, and no limit of an output is passed whatever they ask.

Method: scripted behaviours with every level expected, on both interpreters; random behaviours,
at random looks, against each limit counted by hand.
"""

import itertools
import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from tests.firmware.modules import VECTORS, Run
from tests.outside.registry import outside

TRACKS = VECTORS / "track_levels.json"
waits = st.lists(st.integers(0, 120), min_size=20, max_size=50)
spans = st.tuples(st.integers(10, 300), st.integers(10, 300)).map(sorted)


def test_every_scripted_behaviour_shows_its_levels(run_script: Run) -> None:
    done = run_script("track_vectors.py", TRACKS)

    count = len(json.loads(TRACKS.read_text("utf-8")))
    assert done.stdout == f"run {count}\n", done.stderr
    assert done.returncode == 0
    outside("micropython/vectors").agrees(cases=count)


def test_a_level_left_out_is_noticed(run_script: Run, tmp_path: Path) -> None:
    rows = json.loads(TRACKS.read_text("utf-8"))
    rows[0]["steps"][0][2].pop()
    spoilt = tmp_path / "spoilt.json"
    spoilt.write_text(json.dumps(rows), encoding="utf-8")

    done = run_script("track_vectors.py", spoilt)

    assert done.returncode == 1
    assert "expected" in done.stdout


class Stage:
    """One prop whose levels are logged as (ms, output, level), looked at after each wait."""

    def __init__(
        self, firmware: SimpleNamespace, outputs: Any, tracks: Any, steps: Any = (), **more: Any
    ) -> None:
        behaviour = {"duration_ms": 20_000, "tracks": tracks, "steps": list(steps)}
        props = {"p": {"outputs": outputs, "behaviours": {"b": behaviour}}}
        whole = {"id": "gate", "host": "h", "root": "haunt/y", "pins": "script", "props": props}
        config = firmware.config.parse(json.dumps({**whole, **more}))
        self.tracks = firmware.tracks.Tracks(config.props, config.flash_hz_max, 7)
        self.ms = 0
        self.log = [(0, *each[1:]) for each in self.tracks.boot(0, "p")]

    def start(self) -> None:
        self._note(self.tracks.start(self.ms, "p", "b"))

    def look(self, wait_ms: int) -> None:
        self.ms += wait_ms
        self._note(self.tracks.due(self.ms))

    def _note(self, changes: Any) -> None:
        self.log += [(self.ms, *each[1:]) for each in changes]

    def levels(self, output: str) -> list[tuple[int, Any]]:
        return [(ms, level) for ms, name, level in self.log if name == output]


def onsets(levels: list[tuple[int, Any]]) -> list[int]:
    """When a rise by a tenth of 1000 after a fall by a tenth passes that tenth, by definition."""
    found, low, high, is_lit = [], 0, 0, False
    for ms, level in levels:
        if is_lit:
            high = max(high, level)
            if high - level >= 100:
                is_lit, low = False, level
        else:
            low = min(low, level)
            if level - low >= 100:
                found.append(ms)
                is_lit, high = True, level
    return found


@given(waits, spans, spans, st.integers(1, 4), st.integers(0, 1000), st.integers(0, 1000))
def test_lights_together_flash_no_more_often_than_allowed_in_any_second(  # noqa: PLR0917
    firmware: SimpleNamespace,
    looks: list[int],
    on_ms: list[int],
    off_ms: list[int],
    hz_max: int,
    one: int,
    other: int,
) -> None:
    outputs = {name: {"kind": "dimmer", "stop": "off"} for name in ("eyes", "lamp")}
    tracks = [
        {"output": "eyes", "do": "flicker", "low": min(one, other), "high": max(one, other)},
        {"output": "lamp", "do": "blink", "level": 900, "on_ms": on_ms, "off_ms": off_ms},
    ]
    stage = Stage(firmware, outputs, tracks, flash_hz_max=hz_max)
    stage.start()
    for wait_ms in looks:
        stage.look(wait_ms)

    flashes = sorted(onsets(stage.levels("eyes")) + onsets(stage.levels("lamp")))
    for begins in flashes:
        assert sum(begins <= each < begins + 1000 for each in flashes) <= hz_max
    assert len(stage.log) > 2
    assert all(0 <= level <= 1000 for _, _, level in stage.log)


def test_a_light_that_may_not_flash_yet_does_flash_later(firmware: SimpleNamespace) -> None:
    tracks = [{"output": "lamp", "do": "blink", "level": 1, "on_ms": [50, 50], "off_ms": [50, 50]}]
    stage = Stage(firmware, {"lamp": {"stop": "off", "load": "light"}}, tracks)
    stage.start()
    for _ in range(1000):
        stage.look(10)

    # Three at once, then one whenever one of the last three is a second old, for ten seconds.
    assert 27 <= sum(level for _, level in stage.levels("lamp")) <= 31


@given(waits, st.lists(st.tuples(st.integers(0, 400), st.integers(-1000, 1000)), max_size=20))
def test_a_motor_neither_jumps_nor_turns_round_without_a_pause(
    firmware: SimpleNamespace, looks: list[int], asked: list[tuple[int, int]]
) -> None:
    steps, at_ms = [], 0
    for wait_ms, level in asked:
        at_ms += wait_ms
        steps.append([at_ms, "head", level])
    outputs = {"head": {"kind": "motor", "stop": "off", "soft_ms": 250, "run_ms_max": 60_000}}
    stage = Stage(firmware, outputs, [], steps)
    stage.start()
    for wait_ms in looks:
        stage.look(wait_ms)

    last_ms, last, off_since_ms = 0, 0, None
    for ms, level in stage.levels("head"):
        if abs(level) > abs(last):
            # Between two looks at which it did not change it may have been still and free to rise.
            most = 1000 * (ms - last_ms) // 250
            assert abs(level) - abs(last) <= most
        if level and last * level < 0:
            raise AssertionError("it turned round without being off")
        if level and last == 0 and off_since_ms is not None:
            assert ms - off_since_ms >= 200
        if level == 0 and last != 0:
            off_since_ms = ms
        last_ms, last = ms, level


@given(waits, st.integers(10, 300), st.integers(10, 300), st.integers(0, 900), st.integers(20, 900))
def test_a_solenoid_keeps_its_least_time_off_and_its_longest_time_on(
    firmware: SimpleNamespace,
    looks: list[int],
    on_ms: int,
    off_ms: int,
    min_off_ms: int,
    on_ms_max: int,
) -> None:
    outputs = {
        "bolt": {
            "kind": "solenoid", "stop": "off", "min_off_ms": min_off_ms, "on_ms_max": on_ms_max,
        }
    }  # fmt: skip
    tracks = [{"output": "bolt", "do": "pulse", "on_ms": on_ms, "off_ms": off_ms}]
    stage = Stage(firmware, outputs, tracks)
    stage.start()
    for wait_ms in looks:
        stage.look(wait_ms)

    changes = [(ms, level) for ms, level in stage.levels("bolt")[1:]]
    for (ms, level), (next_ms, _) in itertools.pairwise(changes):
        if level:
            assert next_ms - ms <= on_ms_max + 120  # the longest wait between two looks
        else:
            assert next_ms - ms >= min_off_ms
    assert [level for _, level in changes[:1]] == [1]


@given(waits, st.integers(0, 1000), st.integers(0, 1000), st.integers(100, 2000))
def test_a_sweep_stays_between_its_ends_and_never_jumps(
    firmware: SimpleNamespace, looks: list[int], left: int, right: int, sweep_ms: int
) -> None:
    tracks = [{"output": "arm", "do": "sweep", "left": left, "right": right, "sweep_ms": sweep_ms}]
    stage = Stage(firmware, {"arm": {"kind": "servo", "stop": "hold"}}, tracks)
    stage.start()
    last_ms, last = 0, left
    for wait_ms in looks:
        stage.look(wait_ms)
        _, level = stage.levels("arm")[-1]
        assert min(left, right) <= level <= max(left, right)
        assert abs(level - last) <= abs(right - left) * (stage.ms - last_ms) // sweep_ms + 2
        last_ms, last = stage.ms, level


def test_a_board_is_quiet_again_once_everything_is_at_rest(firmware: SimpleNamespace) -> None:
    outputs = {"eyes": {"kind": "dimmer", "stop": "off"}, "fan": {"kind": "relay", "stop": "off"}}
    tracks = [
        {"output": "eyes", "do": "flicker", "low": 0, "high": 1000},
        {"output": "fan", "do": "steady", "level": 1},
    ]
    stage = Stage(firmware, outputs, tracks)
    assert stage.tracks.is_quiet()
    stage.start()
    for _ in range(50):
        stage.look(20)
    assert not stage.tracks.is_quiet()

    stage.tracks.rest(stage.ms, "p")
    stage.look(10)

    assert stage.tracks.is_quiet()
    assert stage.tracks.due(stage.ms + 10) == []
