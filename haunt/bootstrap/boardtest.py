"""`haunt boards test`: a broker for one board's trial, and study/conformance led over it.

The command leads the trial itself, and only while no server runs on the folder. It has to say stale
orders, hold the beat back and raise the epoch for every board, which no server may do to a night.
So it needs no right of anybody's either: it has a broker of its own, on the port that boards know,
with their credentials, and what the kept broker keeps is left alone.
"""

import json
import secrets
import shutil
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Final, NamedTuple

from haunt.bootstrap.boardwire import TrialRefused, TrialWire
from haunt.bootstrap.broker import foreign_account
from haunt.bootstrap.clock import SystemClock
from haunt.bootstrap.folder import alone
from haunt.bootstrap.kept import Kept, kept_in
from haunt.bootstrap.offline import listener_in, listener_of, opened_store
from haunt.bootstrap.refusal import StartRefused
from haunt.config import Config
from haunt.mqtt.client import Account
from haunt.mqtt.credentials import CredentialRefused, Credentials
from haunt.mqtt.kept import KeptBroker, mosquitto, running_pid
from haunt.mqtt.listening import BrokerFailed
from haunt.mqtt.relay import Relay, RelayRefused
from haunt.store.latch import StopLatch
from haunt.store.reader import Reader
from haunt.store.refusal import StoreRefused
from haunt.store.writer import Writer
from haunt.study.conformance.bench import Bench, Subject
from haunt.study.conformance.script import Say, examine
from haunt.study.conformance.verdicts import Finding, Verdict, summary
from haunt.wire.showerrors import ShowFileRefused
from haunt.wire.showmodels import Behaviour, Prop
from haunt.wire.topics import Topics

FOLDER: Final = "board-test"
FOREIGN_QUIET_MS: Final = 2500
"""Longer than two beats are apart: who hears none in it is the only controller there."""
CAUTION: Final = (
    "{prop} on board {board} will move, light up and sound about a dozen times in half a minute, "
    "without waiting for anybody.\n"
    "Hands, hair and cables clear of it; nobody on a ladder or with a hand inside. Strobe and fog "
    "as it has them. Its own switch within reach: this goes over Wi-Fi and stops nothing by itself."
)


class Trial(NamedTuple):
    """What is to be tried where; `caution` is to be read by whoever stands there."""

    subject: Subject
    caution: str
    clock: SystemClock
    listener: tuple[str, int]


def plan(config: Config, board: str, prop: str | None, motion_s: int, *, is_told: bool) -> Trial:
    """Choose what moves: a prop that may, its gentlest and its longest behaviour.

    `is_told`: the address was named just now, and wins over where boards found their broker last.
    Raises TrialRefused. Nothing is started yet.
    """
    kept = _kept(config)
    show = kept.read.show
    if all(each.id != board for each in show.boards):
        known = ", ".join(each.id for each in show.boards) or "none"
        raise TrialRefused(f"there is no board {board!r} in this show; there are: {known}")
    chosen = _chosen(kept, board, prop)
    short = min(chosen.behaviours, key=lambda each: (each.intensity, each.duration_ms))
    long = max(chosen.behaviours, key=lambda each: each.duration_ms)
    stopped, epoch = StopLatch(config.data / "stop").read()
    subject = Subject(
        show=show.info.id,
        board=board,
        prop=chosen.id,
        behaviour=short.id,
        duration_ms=short.duration_ms,
        long=long.id,
        long_ms=long.duration_ms,
        version=kept.version,
        stopped=stopped,
        epoch=epoch,
        motion_wait_ms=motion_s * 1000,
    )
    told = (config.mqtt_host, config.mqtt_port)
    caution = CAUTION.format(prop=chosen.name or chosen.id, board=board)
    return Trial(subject, caution, kept.clock, told if is_told else listener_of(config))


def _kept(config: Config) -> Kept:
    """What the folder holds, while nobody else has it."""
    try:
        with alone(config.data), opened_store(config) as (writing, reading):
            if Reader(reading).show() is None:
                raise TrialRefused(f"{config.data} holds no show yet: import one first")
            return kept_in(config, Reader(reading), Writer(writing))
    except (StoreRefused, StartRefused, ShowFileRefused) as refused:
        raise TrialRefused(str(refused)) from refused


def _chosen(kept: Kept, board: str, wanted: str | None) -> Prop:
    """Whoever works on a prop is not to be surprised; what could hurt moves only by name."""
    props = [each for each in kept.read.show.props if each.board == board and each.behaviours]
    if wanted is not None:
        props = [each for each in props if each.id == wanted]
        if not props:
            raise TrialRefused(f"board {board} has no prop {wanted!r} that can do anything")
    barred = {each.id: why for each in props if (why := _barred(kept, each, by_name=bool(wanted)))}
    free = [each for each in props if each.id not in barred]
    if not free:
        said = "; ".join(f"{name} {why}" for name, why in barred.items())
        raise TrialRefused(said or f"board {board} has no prop that can do anything")
    return min(free, key=lambda each: _gentlest(each.behaviours).intensity)


def _gentlest(behaviours: Sequence[Behaviour]) -> Behaviour:
    return min(behaviours, key=lambda each: each.intensity)


def _barred(kept: Kept, prop: Prop, *, by_name: bool) -> str:
    remembered = (kept.memory or {}).get("props", {}).get(prop.id, {})
    if remembered.get("locked_by"):
        return f"is locked out: {remembered['locked_by']} works on it"
    if remembered.get("out_of_service"):
        return "is out of service"
    if prop.arm_by_hand and not by_name:
        return f"could hurt somebody (arm_by_hand): name it with --prop {prop.id}"
    return ""


def hold_trial(config: Config, trial: Trial, say: Say) -> list[Finding]:
    """Lead the board through it. Raises TrialRefused where that cannot begin."""
    subject = trial.subject
    try:
        with alone(config.data), ExitStack() as ending:
            bench = Bench(_wire(config, trial, ending), subject, secrets.token_hex(4))
            ending.callback(_note_epoch, config, bench)
            return examine(bench, say)
    except (StoreRefused, BrokerFailed, RelayRefused, CredentialRefused) as refused:
        raise TrialRefused(str(refused)) from refused


def is_bad(found: Sequence[Finding]) -> bool:
    return any(each.verdict is Verdict.BAD for each in found)


def told(board: str, found: Sequence[Finding], *, as_json: bool) -> str:
    """The whole of it for a program, or the last line for a person."""
    if not as_json:
        return summary(board, found)
    checks = [each._asdict() for each in found]
    return json.dumps({"board": board, "good": not is_bad(found), "checks": checks}, indent=1)


def _note_epoch(config: Config, bench: Bench) -> None:
    """Boards have seen this epoch: the next night has to begin above it."""
    latch = StopLatch(config.data / "stop")
    latch.start()
    latch.note(bench.subject.stopped, bench.epoch)
    latch.close()


def _wire(config: Config, trial: Trial, ending: ExitStack) -> TrialWire:
    subject = trial.subject
    if config.has_foreign_broker:
        account = foreign_account(config.broker, f"{subject.show}-board-test", config.broker_ca)
        wire = TrialWire(account, subject, trial.clock, None, ending)
        _refuse_company(wire, subject)
        return wire
    binary = mosquitto()
    if binary is None:
        raise TrialRefused("a board is tried at Mosquitto: install it (apt-get install mosquitto)")
    credentials = Credentials(config.data / "broker", subject.show)
    if subject.board not in credentials.boards():
        raise TrialRefused(f"{subject.board} has no credential yet: haunt boards add makes one")
    _end_left_over(binary, credentials)
    account = ending.enter_context(_own_broker(binary, config.data, credentials))
    relay = Relay(*trial.listener, (account.host, account.port))
    relay.start()
    ending.callback(relay.stop)
    return TrialWire(account, subject, trial.clock, relay, ending)


def _end_left_over(binary: str, credentials: Credentials) -> None:
    """What was killed leaves its broker running: it is ended in order, its sessions saved."""
    where = listener_in(credentials.folder)
    if where is not None and running_pid(credentials.folder.resolve()) is not None:
        KeptBroker(binary, credentials, *where).start().stop()


@contextmanager
def _own_broker(binary: str, data: Path, credentials: Credentials) -> Iterator[Account]:
    """One with the same boards at its door, an empty memory, and a port that nobody knows."""
    folder = data / FOLDER
    copied = Credentials(folder, credentials.show)
    _end_left_over(binary, copied)
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(mode=0o700)
    shutil.copy2(credentials.folder / "credentials.json", folder)
    broker = KeptBroker(binary, copied, "127.0.0.1", 0)
    try:
        broker.start()
        yield Account(broker.host, broker.port, copied.controller, copied.controller_password())
    finally:
        broker.stop()
        shutil.rmtree(folder, ignore_errors=True)


def _refuse_company(wire: TrialWire, subject: Subject) -> None:
    """Listen for somebody's beat; what else comes meanwhile is for the trial."""
    beat, until_ms = Topics(subject.show).beat, wire.now_ms() + FOREIGN_QUIET_MS
    others = []
    while (left_ms := until_ms - wire.now_ms()) > 0:
        heard = wire.hear(left_ms)
        if heard is not None and heard.topic == beat:
            raise TrialRefused("a controller beats at this broker: end it first")
        if heard is not None:
            others.append(heard)
    wire.hear_again(others)
