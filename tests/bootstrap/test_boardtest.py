"""Goal: a trial never surprises whoever works on a prop, and never meets another controller.

Method: a real data folder and the night's own events; a broker where somebody beats.
"""

import time
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from haunt.bootstrap import boardtest
from haunt.bootstrap.boardwire import TrialRefused
from haunt.bootstrap.kept import Kept, kept_in
from haunt.bootstrap.offline import import_file, listener_in, listener_of, open_store
from haunt.config import Config, read_config
from haunt.core import events
from haunt.core.arbiter import Arbiter
from haunt.mqtt.client import Account, BrokerClient
from haunt.store.latch import StopLatch
from haunt.store.reader import Reader
from haunt.store.writer import Writer
from haunt.wire.payloads import Beat, encode
from tests.firmware.test_real_broker import Broker
from tests.system.yards import SHOW

RAVEN = """
[[prop]]
id = "raven"
board = "gate"
[[prop.behaviour]]
id = "caw"
duration_s = 1
intensity = 3
"""


@pytest.fixture
def config(tmp_path: Path) -> Config:
    show, made = tmp_path / "show.toml", read_config(tmp_path / "data", {}, {})
    show.write_text(SHOW + RAVEN)
    assert import_file(made, show)[0] == []
    return made


@pytest.fixture
def kept(config: Config) -> Iterator[Kept]:
    with ExitStack() as ending:
        writer, reading = open_store(config)
        ending.callback(writer.dispose)
        ending.callback(reading.dispose)
        yield kept_in(config, Reader(reading), Writer(writer))


def after(kept: Kept, *happened: events.Event) -> Kept:
    arbiter = Arbiter(kept.prepared.show)
    for event in happened:
        arbiter.handle(event)
    return Kept(
        kept.read,
        kept.version,
        kept.prepared,
        arbiter.snapshot(),
        kept.number,
        kept.clock,
        kept.seed,
        kept.is_news,
    )


def test_the_gentlest_prop_moves_by_its_gentlest_behaviour(config: Config) -> None:
    subject = boardtest.plan(config, "gate", None, 0, is_told=False).subject

    assert (subject.prop, subject.behaviour, subject.long) == ("gatekeeper", "growl", "moan")


def test_a_prop_somebody_works_on_is_left_alone(kept: Kept) -> None:
    locked = after(kept, events.LockedOut(1, 1, "gatekeeper", on=True, by="Mara"))

    assert boardtest._chosen(locked, "gate", None).id == "raven"
    with pytest.raises(TrialRefused, match="Mara works on it"):
        boardtest._chosen(locked, "gate", "gatekeeper")


def test_a_prop_out_of_service_is_left_alone(kept: Kept) -> None:
    out = after(kept, events.ServiceChanged(1, 1, "gatekeeper", out=True))

    with pytest.raises(TrialRefused, match="out of service"):
        boardtest._chosen(out, "gate", "gatekeeper")


def test_a_folder_without_a_show_is_refused_and_not_given_one(tmp_path: Path) -> None:
    empty = read_config(tmp_path / "empty", {}, {})

    with pytest.raises(TrialRefused, match="no show yet"):
        boardtest.plan(empty, "gate", None, 0, is_told=False)
    with pytest.raises(TrialRefused, match="no show yet"):
        boardtest.plan(empty, "gate", None, 0, is_told=False)


def test_a_board_without_a_credential_is_told_how_to_get_one(config: Config) -> None:
    trial = boardtest.plan(config, "gate", None, 0, is_told=False)

    with pytest.raises(TrialRefused, match="haunt boards add"):
        boardtest.hold_trial(config, trial, lambda _found: None)


def test_boards_are_met_where_they_found_their_broker_last(config: Config) -> None:
    assert listener_in(config.data / "broker") is None
    assert listener_of(config) == ("127.0.0.1", 1883)
    (config.data / "broker").mkdir()
    (config.data / "broker" / "mosquitto.conf").write_text("listener 4711 0.0.0.0\n")

    trial = boardtest.plan(config, "gate", None, 0, is_told=False)

    assert trial.listener == ("0.0.0.0", 4711)
    assert boardtest.plan(config, "gate", None, 0, is_told=True).listener == ("127.0.0.1", 1883)


def test_a_stop_that_is_latched_is_known_to_the_trial(config: Config) -> None:
    latch = StopLatch(config.data / "stop")
    latch.start()
    latch.note(stopped=True, epoch=41)
    latch.close()

    subject = boardtest.plan(config, "gate", None, 0, is_told=False).subject

    assert (subject.stopped, subject.epoch) == (True, 41)


@pytest.mark.system
def test_where_another_controller_beats_there_is_no_trial(config: Config, tmp_path: Path) -> None:
    broker = Broker(tmp_path)
    trial = boardtest.plan(config, "gate", None, 0, is_told=False)
    account = Account("127.0.0.1", broker.port, client_id="yard-controller")
    other = BrokerClient(account, [], "haunt/yard/controller/ping", trial.clock, lambda _what: True)
    other.start()
    foreign = read_config(config.data, {"broker": f"mqtt://127.0.0.1:{broker.port}"}, {})
    try:
        until = time.monotonic() + 10
        while not other.statistics().connected and time.monotonic() < until:
            time.sleep(0.01)
        beat = encode(Beat(clock="a1", now_ms=1, wall_ms=1, epoch=1))
        # Kept, so that it is there whenever the trial begins to listen.
        other.publish("haunt/yard/all/beat", beat, qos=0, retain=True)
        with pytest.raises(TrialRefused, match="beats at this broker"):
            boardtest.hold_trial(foreign, trial, lambda _found: None)
    finally:
        other.stop()
        broker.kill()
