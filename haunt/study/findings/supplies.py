"""Supplies and house circuits under what hangs on them."""

from haunt.study.findings import needs
from haunt.study.findings.ground import Ground, peak_ma
from haunt.study.findings.kinds import About, Figure, Finding, Items, Severity, Unchecked
from haunt.wire.showpower import Circuit, Supply
from haunt.workshop import mains
from haunt.workshop.cautions import Topic
from haunt.workshop.wire import CONTINUOUS_SHARE, least_fuse_a

NO_ADAPTER = frozenset({"air", "fog"})


def checks(ground: Ground) -> Items:
    for supply in ground.show.supplies:
        yield from _supply(ground, supply)
    for circuit in ground.show.circuits:
        yield from _circuit(ground, circuit)


def _idle_ma(ground: Ground, supply: Supply) -> float:
    return sum(each.idle_ma or 0 for each in ground.show.boards if each.supply == supply.id)


def _supply(ground: Ground, supply: Supply) -> Items:
    boards = [each for each in ground.show.boards if each.supply == supply.id]
    if not boards:
        return
    if supply.limit_a is None:
        yield Unchecked(needs.LIMIT, About("supply", supply.id))
    means_ma = _idle_ma(ground, supply)
    for prop in (each for board in boards for each in ground.props_of(board)):
        for number, behaviour in enumerate(prop.behaviours):
            peak = peak_ma(behaviour)
            if peak is None:
                yield Unchecked(needs.PEAK, About("prop", prop.id))
                continue
            whole_a = (_idle_ma(ground, supply) + peak) / 1000
            if supply.limit_a is not None and whole_a > supply.limit_a:
                yield Finding(
                    Severity.MUST,
                    "supply-alone",
                    ground.path("prop", prop.id, "behaviour", number, "peak_ma"),
                    About("prop", prop.id),
                    f"{behaviour.id} of {prop.id} with all boards idling takes {whole_a:.1f} A; "
                    f"{supply.id} gives {supply.limit_a:g} A, so it never plays.",
                    "A larger supply, or a supply of its own for this prop.",
                    Figure.of(whole_a, supply.limit_a, "A"),
                )
        means_ma += max((each.average_ma or 0 for each in prop.behaviours), default=0)
    yield from _fuse(ground, supply, means_ma / 1000)


def _fuse(ground: Ground, supply: Supply, continuous_a: float) -> Items:
    if supply.fuse_a is None:
        yield Unchecked(needs.FUSE, About("supply", supply.id))
        return
    least_a = least_fuse_a(continuous_a)
    if supply.fuse_a < least_a:
        yield Finding(
            Severity.SHOULD,
            "fuse-small",
            ground.path("supply", supply.id, "fuse_a"),
            About("supply", supply.id),
            f"On a busy evening {supply.id} carries {continuous_a:.1f} A for hours; its fuse of "
            f"{supply.fuse_a:g} A bears {100 * CONTINUOUS_SHARE:.0f} % of its print.",
            f"A fuse of {least_a:.1f} A or more where the wire bears it, or fewer props on it.",
            Figure.of(supply.fuse_a, least_a, "A", at_least=True),
            Topic.FUSE,
        )


def _circuit(ground: Ground, circuit: Circuit) -> Items:
    supplies = [each for each in ground.show.supplies if each.circuit == circuit.id]
    about = About("circuit", circuit.id)
    yield from _load(ground, circuit, supplies)
    kinds = {each.kind for each in supplies}
    if {"air", "fog"} <= kinds:
        yield Finding(
            Severity.SHOULD,
            "circuit-fog-air",
            ground.path("circuit", circuit.id),
            about,
            f"A fogger that heats and a compressor that starts hang on {circuit.id} together: the "
            "breaker may trip.",
            "Put them on different circuits.",
            caution=Topic.MAINS,
        )
    if circuit.wet and not circuit.gfci:
        yield Finding(
            Severity.MUST,
            "circuit-wet",
            ground.path("circuit", circuit.id, "wet"),
            about,
            f"{circuit.id} feeds wet outdoor loads without a ground-fault device.",
            "A ground-fault device, by a licensed electrician; until then only packs outdoors.",
            caution=Topic.MAINS,
        )
    if circuit.controller and circuit.gfci and circuit.wet:
        yield Finding(
            Severity.SHOULD,
            "circuit-controller",
            ground.path("circuit", circuit.id, "controller"),
            about,
            f"The controller hangs behind the ground-fault device of {circuit.id} with the wet "
            "outdoor loads: one damp plug ends the show.",
            "Feed controller and access point from another circuit, or a small back-up supply.",
            caution=Topic.MAINS,
        )
    yield from _leakage(ground, circuit, supplies)


def _watts(supply: Supply) -> float | None:
    if supply.load_w is not None:
        return supply.load_w
    if supply.volts is not None and supply.limit_a is not None:
        return mains.mains_w(supply.volts * supply.limit_a)
    return None


def _load(ground: Ground, circuit: Circuit, supplies: list[Supply]) -> Items:
    about = About("circuit", circuit.id)
    if circuit.volts is None or circuit.breaker_a is None:
        yield Unchecked(needs.BREAKER, about)
        return
    known = [each for each in (_watts(supply) for supply in supplies) if each is not None]
    for supply in supplies:
        if _watts(supply) is None:
            yield Unchecked(needs.LOAD, About("supply", supply.id))
    load_a = mains.load_a(sum(known) + (circuit.other_w or 0), circuit.volts)
    most_a = mains.BREAKER_SHARE * circuit.breaker_a
    if load_a > most_a:
        yield Finding(
            Severity.MUST if load_a > circuit.breaker_a else Severity.SHOULD,
            "circuit-load",
            ground.path("circuit", circuit.id, "breaker_a"),
            about,
            f"{circuit.id} carries up to {load_a:.1f} A for hours; its {circuit.breaker_a:g} A "
            f"breaker bears {most_a:.1f} A so long.",
            "Move loads to another circuit.",
            Figure.of(load_a, most_a, "A"),
            Topic.MAINS,
        )


def _leakage(ground: Ground, circuit: Circuit, supplies: list[Supply]) -> Items:
    adapters = sum(each.kind not in NO_ADAPTER for each in supplies)
    if not circuit.gfci or circuit.gfci_ma is None or not 4 <= circuit.gfci_ma <= 500:
        return
    leaks, most_ma = mains.leakage_ma(adapters), mains.leakage_limit_ma(circuit.gfci_ma)
    if leaks.at > most_ma:
        yield Finding(
            Severity.SHOULD,
            "circuit-leakage",
            ground.path("circuit", circuit.id, "gfci_ma"),
            About("circuit", circuit.id),
            f"{adapters} adapters on {circuit.id} leak about {leaks.at:.1f} mA; a device of "
            f"{circuit.gfci_ma:g} mA may trip from {most_ma:g} mA on a damp night.",
            "Spread the adapters over two circuits.",
            Figure(leaks, most_ma, "mA"),
            Topic.MAINS,
        )
