"""Each reason that a decision can have, brought about by the arbiter itself; and who did what."""

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

from haunt.core import events
from haunt.core.clockwork import CalendarSpec, NightSpec, PhaseSpec, QuietSpec, TimeOfDay
from haunt.core.decisions import Decision
from haunt.core.show import Behaviour, Link, LoadSpec
from haunt.live.hands import Hands
from tests.core.stage import BOOT, EVENING, Stage, prop, sensor, show

ALL_DAY = (TimeOfDay(0), TimeOfDay(0))
EVENING_DAY = datetime.fromtimestamp(EVENING / 1000, UTC).date()


class Crewed(Stage):
    """A stage on which people's orders are noted under their names."""

    def __init__(self, *args: Any, **more: Any) -> None:
        self.hands = Hands()
        super().__init__(*args, **more)

    def order(
        self, what: str, about: str, kind: type[events.Event], *args: Any, **more: Any
    ) -> None:
        self.hands.note(what, about, "Mara", self.now + self.offset)
        self.do(kind, *args, **more)


def _plain(**more: Any) -> Crewed:
    return Crewed(show(prop(), sensor(), **more))


def _last(stage: Crewed, name: str = "pir", **more: Any) -> tuple[Crewed, Decision]:
    return stage, stage.motion(name, **more)[-1]


def _after_a_play(stage: Crewed, ms: int) -> tuple[Crewed, Decision]:
    stage.plays()
    stage.wait(ms)
    return _last(stage)


def unknown_sensor() -> tuple[Crewed, Decision]:
    return _last(_plain(), "loft-pir")


def muted() -> tuple[Crewed, Decision]:
    stage = _plain()
    stage.order("mute", "pir", events.Muted, "pir", on=True, for_ms=600_000, by="Mara")
    stage.wait(360_000)
    return _last(stage)


def warming_up() -> tuple[Crewed, Decision]:
    stage = Crewed(show(prop(), sensor(warm_up_ms=45_000)))
    stage.do(events.BoardHere, "b1", "bbbbbbbbbbbb", 0, "power-on")
    stage.wait(33_000)
    return stage, stage.do(events.Motion, "b1", "pir", "bbbbbbbbbbbb", 1)[-1]


def block_time() -> tuple[Crewed, Decision]:
    stage = Crewed(show(prop(cooldown_ms=0), sensor(block_ms=4000)))
    stage.motion()
    stage.wait(1900)
    return _last(stage)


def lingering() -> tuple[Crewed, Decision]:
    stage = Crewed(show(prop(cooldown_ms=0), sensor(lull_ms=3000)))
    stage.motion()
    stage.wait(900)
    return _last(stage)


def wrong_way() -> tuple[Crewed, Decision]:
    link = Link("gate", after="first", within_ms=20_000)
    stage = Crewed(show(prop(), sensor("first", links=()), sensor(links=(link,))))
    stage.motion("first")
    stage.wait(64_000)
    return _last(stage)


def self_trigger() -> tuple[Crewed, Decision]:
    stage = Crewed(show(prop(cooldown_ms=0), sensor(sees=("gate",), settle_ms=1500)))
    stage.motion()
    stage.wait(4600)
    return _last(stage)


def no_prop() -> tuple[Crewed, Decision]:
    return _last(Crewed(show(prop(), sensor(links=()))))


def stale() -> tuple[Crewed, Decision]:
    return _last(_plain(), age_ms=7100)


def stopped() -> tuple[Crewed, Decision]:
    stage = _plain()
    stage.order("stop", "", events.Stopped, "Mara")
    stage.wait(7000)
    return _last(stage)


def walk_test() -> tuple[Crewed, Decision]:
    stage = _plain()
    stage.order("walk test", "", events.WalkTest, on=True, by="Mara")
    stage.wait(60_000)
    return _last(stage)


def closed() -> tuple[Crewed, Decision]:
    night = NightSpec(EVENING_DAY, TimeOfDay(18 * 60), TimeOfDay(21 * 60), 10)
    return _last(_plain(calendar=CalendarSpec(nights=(night,))))


def held() -> tuple[Crewed, Decision]:
    stage = _plain()
    stage.order("hold", "gate", events.Held, "gate", 60_000, by="Mara")
    stage.wait(18_000)
    return _last(stage)


def locked_out() -> tuple[Crewed, Decision]:
    stage = _plain()
    stage.order("lock out", "gate", events.LockedOut, "gate", on=True, by="Mara")
    return _last(stage)


def out_of_service() -> tuple[Crewed, Decision]:
    stage = _plain()
    stage.order("out of service", "gate", events.ServiceChanged, "gate", out=True, by="Mara")
    return _last(stage)


def offline() -> tuple[Crewed, Decision]:
    stage = Crewed(show(prop(), sensor("mat", board="b2")))
    stage.do(events.BoardGone, "b1")
    stage.wait(2100)
    return _last(stage, "mat")


def no_link() -> tuple[Crewed, Decision]:
    stage = _plain()
    stage.hands.link(stage.now + stage.offset, up=False)
    stage.do(events.LinkChanged, up=False)
    stage.wait(3000)
    return _last(stage)


def low_battery() -> tuple[Crewed, Decision]:
    stage = Crewed(show(prop(retire_percent=20), sensor()))
    for _ in range(8):
        stage.do(events.BoardHealth, "b1", BOOT, charge_percent=15)
    return _last(stage)


def already_waiting() -> tuple[Crewed, Decision]:
    stage = Crewed(show(prop(cooldown_ms=2500), sensor()))
    stage.plays()
    stage.motion()
    stage.wait(1000)
    return _last(stage)


def playing() -> tuple[Crewed, Decision]:
    stage = _plain()
    stage.motion()
    stage.wait(2000)
    return _last(stage)


def cooldown() -> tuple[Crewed, Decision]:
    stage = Crewed(show(prop(cooldown_ms=25_000), sensor()))
    return _after_a_play(stage, 21_800)


def hourly_cap() -> tuple[Crewed, Decision]:
    return _after_a_play(Crewed(show(prop(cooldown_ms=0, hourly_cap=1), sensor())), 3_500_000)


def duty() -> tuple[Crewed, Decision]:
    driven = (Behaviour("turn", 60_000, motor_on_ms=60_000),)
    stage = Crewed(show(prop(behaviours=driven, duty_permille=150, cooldown_ms=0), sensor()))
    stage.plays(ms=60_000)
    stage.wait(120_000)
    return _last(stage)


def audience() -> tuple[Crewed, Decision]:
    early = CalendarSpec(phases=(PhaseSpec("early", *ALL_DAY, max_intensity=2),))
    loud = (Behaviour("roar", 1000, intensity=3),)
    return _last(Crewed(show(prop(behaviours=loud), sensor(), calendar=early)))


def quiet_hours() -> tuple[Crewed, Decision]:
    hush = CalendarSpec(quiet=(QuietSpec(TimeOfDay(16 * 60), TimeOfDay(18 * 60), (), 65.0),))
    loud = (Behaviour("howl", 1000, level_dba=80.0),)
    return _last(Crewed(show(prop(behaviours=loud), sensor(), calendar=hush)))


def _pair(voice: bool = False, **more: Any) -> Crewed:
    speak = (Behaviour("speak", 6000, voice=voice, draws=((0, 1000),) if more else ()),)
    near: dict[str, Any] = {"behaviours": speak}
    one = {**near, "voice_neighbours" if voice else "neighbours": ("well",)}
    other = {**near, "voice_neighbours" if voice else "neighbours": ("gate",)}
    gap = {} if voice or more else {"gap_ms": 5000}
    return Crewed(
        show(
            prop(**one), prop("well", "b2", **other), sensor(), sensor("mat", "well", "b2"),
            **gap, **more,
        )
    )  # fmt: skip


def stagger() -> tuple[Crewed, Decision]:
    stage = _pair()
    stage.motion()
    stage.wait(1000)
    return _last(stage, "mat")


def talk_over() -> tuple[Crewed, Decision]:
    stage = _pair(voice=True)
    stage.motion()
    stage.wait(1000)
    return _last(stage, "mat")


def _sharing(reason: str, name: str, limit: int) -> tuple[Crewed, Decision]:
    stage = _pair(loads=(LoadSpec(reason, name, limit),))
    stage.motion()
    stage.wait(1000)
    return _last(stage, "mat")


def supply() -> tuple[Crewed, Decision]:
    return _sharing("supply", "gate-psu", 1999)


def flash() -> tuple[Crewed, Decision]:
    return _sharing("flash", "garden", 1500)


def sound_limit() -> tuple[Crewed, Decision]:
    return _sharing("sound-limit", "fence", 1500)


def left() -> tuple[Crewed, Decision]:
    stage = Crewed(show(prop(cooldown_ms=2900), sensor(stays=True, fresh_ms=2000)))
    stage.plays()
    stage.motion()
    return stage, stage.wait(2900)[-1]


def restart() -> tuple[Crewed, Decision]:
    stage = Crewed(show(prop(), sensor(links=(Link("gate", delay_ms=5000),))))
    stage.motion()
    stage.now += 9000
    stage.hands.started_wall_ms = stage.now + stage.offset
    return stage, stage.do(events.Started, 0, stopped=False, link_up=True)[-1]


Scene = Callable[[], tuple[Crewed, Decision]]

SCENES: dict[str, Scene] = {
    each.__name__.replace("_", "-"): each
    for each in (
        unknown_sensor, muted, warming_up, block_time, lingering, wrong_way, self_trigger, no_prop,
        stale, stopped, walk_test, closed, held, locked_out, out_of_service, offline, no_link,
        low_battery, already_waiting, playing, cooldown, hourly_cap, duty, audience, quiet_hours,
        stagger, talk_over, supply, flash, sound_limit, left, restart,
    )
}  # fmt: skip
