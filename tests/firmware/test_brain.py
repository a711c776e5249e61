"""Goal: the board's decisions hold, whatever order events come in.

Method: scripted sequences with every action expected, run on both interpreters, and random
sequences of events on a virtual clock against what must always hold.
"""

import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from tests.firmware.modules import BOOT, CONFIG, VECTORS, Run, beat, cue, stop
from tests.outside.registry import outside

STEPS = VECTORS / "board_steps.json"
OFFSET_MS = 100_000
ROOT = "haunt/yard"

events = st.one_of(
    st.sampled_from(["tick", "connected", "lost", "beat", "press", "rise", "fall", "garbage"]),
    st.tuples(st.just("stop"), st.integers(0, 6), st.booleans()),
    st.tuples(st.just("cue"), st.integers(0, 80), st.integers(0, 6), st.integers(-3000, 50)),
    st.tuples(st.just("epoch"), st.integers(0, 6)),
)
nights = st.lists(st.tuples(st.integers(0, 2500), events), max_size=80)


def test_every_scripted_sequence_goes_as_written(run_script: Run) -> None:
    done = run_script("step_vectors.py", STEPS)

    written = sum("steps" in each for each in json.loads(STEPS.read_text(encoding="utf-8")))
    assert done.stdout == f"run {written}\n", done.stderr
    assert done.returncode == 0
    outside("micropython/vectors").agrees(cases=written)


def test_an_action_left_out_of_a_sequence_is_noticed(run_script: Run, tmp_path: Path) -> None:
    rows = json.loads(STEPS.read_text(encoding="utf-8"))
    played = next(step for row in rows[1:] for step in row["steps"] if len(step["expect"]) == 2)
    played["expect"].pop()
    spoilt = tmp_path / "spoilt.json"
    spoilt.write_text(json.dumps(rows), encoding="utf-8")

    done = run_script("step_vectors.py", spoilt)

    assert done.returncode == 1
    assert "expected" in done.stdout


class Night:
    """A brain with what an onlooker sees: levels of the prop and the reports it made."""

    def __init__(self, firmware: SimpleNamespace) -> None:
        config = firmware.config.parse(json.dumps(CONFIG))
        self.brain = firmware.brain.Brain(config, BOOT, "power-on", 0)
        self.ms = 0
        self.on_since: int | None = None
        self.longest_ms = 0
        self.starts: list[str] = []
        self.said: list[dict[str, Any]] = []
        self.seqs: list[int] = []

    def take(self, event: Any) -> list[Any]:
        actions: list[Any] = self.brain.step(self.ms, self._event(event))
        for action in actions:
            self._look(action)
        return actions

    def _event(self, event: Any) -> tuple[Any, ...]:
        match event:
            case "press":
                return ("sensor", "stop-button", True)
            case "rise" | "fall":
                return ("sensor", "gate-pir", event == "rise")
            case "tick" | "connected" | "lost":
                return (event,)
            case _:
                return ("message", *self._message(event), False)

    def _message(self, event: Any) -> tuple[str, bytes]:
        now_ms = self.ms + OFFSET_MS
        match event:
            case "garbage":
                return f"{ROOT}/gate/cue", b'{"cue":"n-1"'
            case ("epoch", epoch):
                return f"{ROOT}/all/beat", beat(now_ms, epoch)
            case ("stop", epoch, stopped):
                return f"{ROOT}/all/stop", stop(epoch, stopped=stopped)
            case ("cue", number, epoch, age):
                return f"{ROOT}/gate/cue", cue(now_ms + age, f"n-{number}", epoch, 1500)
            case _:
                return f"{ROOT}/all/beat", beat(now_ms)

    def _look(self, action: tuple[Any, ...]) -> None:
        if action[0] in ("output", "stop_state"):
            if self.on_since is not None:
                self.longest_ms = max(self.longest_ms, self.ms - self.on_since)
            self.on_since = self.ms if action[0] == "output" and action[3] else None
        elif action[0] == "publish" and action[1].endswith(("/report", "/motion")):
            said = json.loads(action[2])
            self.brain.step(self.ms, ("acked", action[5]))
            self.said.append(said)
            if said.get("state") == "started":
                self.starts.append(said["cue"])
            if "seq" in said:
                self.seqs.append(said["seq"])


@given(nights)
def test_a_stopped_or_beatless_board_never_starts(
    firmware: SimpleNamespace, night: list[tuple[int, Any]]
) -> None:
    run, last_beat_ms = Night(firmware), None
    for wait_ms, event in [(0, "connected"), *night]:
        run.ms += wait_ms
        stopped_before, epoch_before = run.brain.stopped, run.brain.epoch
        actions = run.take(event)

        if event == "beat" or event[0] == "epoch":
            last_beat_ms = run.ms
        if ("output", "gatekeeper", "growl", True) in actions:
            assert not stopped_before
            assert event[0] == "cue"
            assert event[2] >= epoch_before
            assert event[3] + 1500 >= 0
            assert last_beat_ms is not None
            assert run.ms - last_beat_ms < 6000


@given(nights)
def test_no_cue_plays_twice_and_no_sequence_number_skips(
    firmware: SimpleNamespace, night: list[tuple[int, Any]]
) -> None:
    run = Night(firmware)
    for wait_ms, event in [(0, "connected"), *night]:
        run.ms += wait_ms
        run.take(event)

    recent = run.starts[-64:]
    assert len(recent) == len(set(recent))
    assert run.seqs == list(range(1, len(run.seqs) + 1))


@given(nights)
def test_outputs_are_on_no_longer_than_a_behaviour_lasts(
    firmware: SimpleNamespace, night: list[tuple[int, Any]]
) -> None:
    run = Night(firmware)
    for wait_ms, event in [(0, "connected"), (0, "beat"), (0, ("cue", 99, 6, 0)), *night]:
        for _ in range(wait_ms // 10):
            run.ms += 10
            run.take("tick")
        run.take(event)

    assert run.longest_ms <= 1000
    assert run.on_since is None or run.ms - run.on_since <= 1000


@given(
    st.binary(max_size=200), st.sampled_from(["gate/cue", "all/stop", "all/beat", "gate/settings"])
)
def test_no_message_raises(firmware: SimpleNamespace, payload: bytes, leaf: str) -> None:
    run = Night(firmware)
    run.take("connected")

    actions = run.brain.step(1, ("message", f"{ROOT}/{leaf}", payload, False))

    assert all(action[0] == "publish" for action in actions)


def test_health_fits_its_limit_at_the_largest_configuration(firmware: SimpleNamespace) -> None:
    limits = firmware.parts
    names = [f"{number:032d}" for number in range(limits.SENSORS_MAX)]
    raw = {**CONFIG, "sensors": {name: {} for name in names}}
    raw["props"] = {name: {} for name in names[: limits.PROPS_MAX]}
    brain = firmware.brain.Brain(firmware.config.parse(json.dumps(raw)), BOOT, "deep-sleep", 0)
    year_ms = 366 * 86_400_000
    brain.step(0, ("battery", 999_999))
    brain.step(0, ("rssi", -100))
    for name in names:
        brain.step(0, ("sensor", name, True))

    health = next(
        action for action in brain.step(year_ms, ("connected",)) if action[1].endswith("/health")
    )

    assert len(health[2]) <= firmware.payloads.PAYLOAD_BYTES_MAX
    assert set(json.loads(health[2])["active"].values()) == {year_ms}


def test_a_full_outbox_lets_the_oldest_go_even_if_it_is_underway(
    firmware: SimpleNamespace,
) -> None:
    outbox = firmware.outbox.Outbox()
    for number in range(64):
        outbox.put(number, "motion", {})
    underway = [outbox.take() for _ in range(8)]
    assert outbox.take() is None

    outbox.put(64, "motion", {})
    outbox.connection_lost()

    assert outbox.dropped == 1
    assert outbox.take() == underway[1]
