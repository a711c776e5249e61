"""The page of packs: every pack's night as a small picture, a sentence, a table, and CSV."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse

from haunt.core.calendar import HOUR_MS
from haunt.site.answers import known
from haunt.site.clocks import Clock
from haunt.site.countports import Packs
from haunt.site.lists import Day, csv_file
from haunt.site.packcurves import Picture, picture, streak_words
from haunt.site.pages import Pages
from haunt.store.instants import rfc3339_second
from haunt.study.drain import Curve, Point
from haunt.workshop.band import Band
from haunt.workshop.forecast import Outlook
from haunt.workshop.pack import SPELT

ROW_MS: Final = 900_000
SURE, UNSURE = 0.9, 0.5
COLUMNS: Final = (
    "board", "at", "charge_percent", "least_percent", "least_mv", "most_mv",
    "restarts", "reset",
)  # fmt: skip


class Row(NamedTuple):
    clock: str
    charge: str
    least: str
    volts: str


@dataclass(frozen=True, slots=True)
class PackFigure:
    """`level` is good, soon or now; `word` says it."""

    board: str
    props: str
    level: str
    shape: str
    word: str
    sentence: str
    basis: str
    picture: Picture | None
    rows: tuple[Row, ...]


def routes(pages: Pages) -> APIRouter:
    router, book = APIRouter(include_in_schema=False), pages.services.packs

    @router.get("/packs", response_class=HTMLResponse)
    def packs(request: Request, night: Day = None) -> HTMLResponse:
        presenter, told = pages.presenter(), book.packs(night)
        if isinstance(told, str) and night is None:
            return pages.page(request, "nothing.html", title="Packs", said=told)
        clock, found = presenter.times, known(told, "night")
        names = {
            board.id: ", ".join(
                presenter.night.props[each].name if each in presenter.night.props else each
                for each in board.props
            )
            for board in presenter.night.boards.values()
        }
        figures = [figure(each, found, names.get(each.board, ""), clock) for each in found.curves]
        return pages.page(
            request,
            "packs.html",
            packs=found,
            figures=figures,
            sentence=summary(found),
            opens=clock.minute(found.span.from_ms),
            closes=clock.minute(found.span.until_ms),
        )

    @router.get("/packs.csv")
    def packs_csv(night: Day = None) -> Response:
        found = known(book.packs(night), "night")
        return csv_file(COLUMNS, rows_of(found), f"packs-{found.day}.csv")

    return router


def rows_of(packs: Packs) -> Iterator[dict[str, object]]:
    """Yield every five minutes of every pack; `charge_percent` is near rest."""
    for curve in packs.curves:
        for at in curve.points:
            yield {
                "board": curve.board,
                "at": rfc3339_second(at.at_ms),
                "charge_percent": at.percent,
                "least_percent": at.low,
                "least_mv": at.low_mv,
                "most_mv": at.high_mv,
            }
        for streak in curve.streaks:
            yield {
                "board": curve.board,
                "at": rfc3339_second(streak.from_ms),
                "restarts": streak.times,
                "reset": streak.reset,
            }


# --- words


def summary(packs: Packs) -> str:
    """Say the whole page in a sentence: who will not last, else how it stands."""
    told = [each for each in packs.curves if each.points]
    if not packs.curves:
        return "No board of this show has a pack."
    if not told:
        return "No pack has told its voltage this night."
    short = [each.board for each in told if each.outlook is not None and each.outlook.sure < SURE]
    broke = [each.board for each in told if each.brown_outs]
    restarts = f" {', '.join(broke)} had brown-outs." if broke else ""
    if packs.is_over:
        return f"{_packs(len(told))}, the night is over.{restarts}"
    if short:
        return f"{len(short)} of {len(told)} may not last till close: {', '.join(short)}.{restarts}"
    unknown = sum(each.outlook is None for each in told)
    if unknown == len(told):
        return f"{_packs(unknown)}: nothing can be foretold yet.{restarts}"
    rest = f"; of {unknown} nothing can be foretold" if unknown else ""
    judged = len(told) - unknown
    who, last = (f"All {judged} packs", "last") if judged > 1 else ("The one pack", "lasts")
    return f"{who} that can be judged {last} till close{rest}.{restarts}"


def _packs(count: int) -> str:
    return f"{count} pack{'s' * (count != 1)}"


def figure(curve: Curve, packs: Packs, props: str, clock: Clock) -> PackFigure:
    level, shape, word = _verdict(curve, packs)
    return PackFigure(
        curve.board,
        props,
        level,
        shape,
        word,
        _sentence(curve, packs, clock),
        _basis(curve),
        picture(curve, packs, clock) if _has_charge(curve) else None,
        tuple(_rows(curve.points, clock)),
    )


def _has_charge(curve: Curve) -> bool:
    return any(each.percent is not None for each in curve.points)


def _verdict(curve: Curve, packs: Packs) -> tuple[str, str, str]:
    outlook = curve.outlook
    if outlook is None or packs.is_over:
        return "plain", "hollow", "Over" if packs.is_over else "Not foretold"
    if outlook.sure >= SURE:
        return "good", "disc", "Lasts" if curve.now is not None else "Lasts if full"
    if outlook.sure >= UNSURE:
        return "soon", "warn", "Unsure"
    return "now", "cross", "Too short"


def _sentence(curve: Curve, packs: Packs, clock: Clock) -> str:
    said = [_charge_words(curve, packs), *(streak_words(each, clock) for each in curve.streaks)]
    if curve.outlook is not None and not packs.is_over:
        said.insert(1, _ahead_words(curve, curve.outlook, packs, clock))
    return " ".join(each for each in said if each)


def _charge_words(curve: Curve, packs: Packs) -> str:
    if not curve.points:
        return "It has not told its voltage."
    if curve.now is None:
        volts = (curve.points[-1].high_mv or 0) / 1000
        cells = SPELT.get(curve.chemistry, curve.chemistry)
        return f"{volts:.2f} V: the voltage of {cells} does not tell its charge."
    return f"{_percent(curve.now)} {'at the end' if packs.is_over else 'now'}."


def _ahead_words(curve: Curve, outlook: Outlook, packs: Packs, clock: Clock) -> str:
    floor, lasts = curve.floor_percent, outlook.lasts_h
    ends_ms = packs.now_ms + round(lasts.at * HOUR_MS)
    ends = f"about {clock.minute(ends_ms)}" if ends_ms < packs.span.until_ms else "after close"
    if curve.now is not None and curve.now.at <= floor:
        return f"It is done: {floor:.0f} % is where its props retire."
    if curve.now is None:
        return (
            f"If it was full when it was switched on, it has {_percent(outlook.now)} now and "
            f"{_percent(outlook.at_end)} at close; {floor:.0f} % would be reached {ends}."
        )
    return (
        f"It loses {outlook.rate.at:.0f} points an hour ({outlook.rate.low:.0f} to "
        f"{outlook.rate.high:.0f}) and has {_percent(outlook.at_end)} at close: "
        f"{_chance(outlook.sure)} to stay above {floor:.0f} %, which it reaches {ends}."
    )


def _basis(curve: Curve) -> str:
    """Say what the forecast goes by."""
    if curve.outlook is None or curve.now is None:
        return "" if curve.prior is None else _prior_words(curve)
    if curve.prior is None or curve.outlook.measured == 1:
        return "By its readings alone: the show file says too little for a sum."
    if curve.rate is None:
        return f"{_prior_words(curve)} Its readings say too little yet."
    return (
        f"The sums of the show file expected {curve.prior.at:.0f} points an hour, its readings "
        f"show {curve.rate.at:.0f}; they count {100 * curve.outlook.measured:.0f} %."
    )


def _prior_words(curve: Curve) -> str:
    assert curve.prior is not None
    return f"By the sums of the show file: {curve.prior.at:.0f} points an hour."


def _percent(band: Band) -> str:
    return f"{band.at:.0f} % ({band.low:.0f} to {band.high:.0f})"


def _chance(sure: float) -> str:
    if sure > 0.99:
        return "over 99 in 100"
    return "under 1 in 100" if sure < 0.01 else f"{100 * sure:.0f} in 100"


def _rows(points: Sequence[Point], clock: Clock) -> Iterator[Row]:
    """One a quarter of an hour, its least among them."""
    for place, at in enumerate(points):
        if place and points[place - 1].at_ms // ROW_MS == at.at_ms // ROW_MS:
            continue
        same = [each for each in points if each.at_ms // ROW_MS == at.at_ms // ROW_MS]
        lows = [each.low for each in same if each.low is not None]
        volts = [each.low_mv for each in same if each.low_mv is not None]
        yield Row(
            clock.minute(at.at_ms // ROW_MS * ROW_MS),
            "" if at.percent is None else f"{at.percent:.0f}",
            f"{min(lows)}" if lows else "",
            f"{min(volts) / 1000:.2f}" if volts else "",
        )
