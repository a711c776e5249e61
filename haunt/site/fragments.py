"""The parts of pages that change: each has a name, which is its element's id, and one macro.

The same macro draws a part in the whole page and in an update, so the two cannot differ.
"""

from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import Any, Protocol, cast

from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape
from markupsafe import escape

from haunt.live.alerts.kinds import Severity
from haunt.live.crew import Crew
from haunt.live.views import PropView
from haunt.site.assets import static_url, web_folder
from haunt.site.hub import Part, Wants, tick_data
from haunt.site.presenter import Presenter
from haunt.site.sensing import hands_of, sensors_of, walk_of
from haunt.site.view_models import (
    Bar,
    BoardCard,
    Card,
    Fold,
    Hands,
    Needs,
    Notice,
    Sensors,
    Spot,
    Summary,
    Tallies,
    Tune,
    Walk,
)

FIXED = ("bar", "title", "summary", "needs", "fold", "tallies", "map")
"""What Tonight shows beside its cards."""
OF_A_PROP = frozenset({"prop", "tune", "hands", "sensors"})


class Macros(Protocol):
    """The macros of `_parts.html`: one view model each."""

    def bar(self, of: Bar) -> str: ...
    def summary(self, of: Summary) -> str: ...
    def needs(self, of: Needs) -> str: ...
    def everything(self, of: Needs) -> str: ...
    def fold(self, of: Fold) -> str: ...
    def tallies(self, of: Tallies) -> str: ...
    def map(self, of: tuple[Spot, ...]) -> str: ...
    def card(self, of: Card) -> str: ...
    def tune(self, of: Tune) -> str: ...
    def board(self, of: BoardCard) -> str: ...
    def notice(self, of: Notice) -> str: ...


class SensingMacros(Protocol):
    """The macros of `_sensing.html`."""

    def walk(self, of: Walk) -> str: ...
    def sensors(self, of: Sensors) -> str: ...
    def hands(self, of: Hands) -> str: ...


class Checks(Protocol):
    """A day's checks, as `before.Checked` has them."""

    @property
    def ticks(self) -> Sequence[Any]: ...


class BeforeMacros(Protocol):
    """The macros of `_before.html`."""

    def tick(self, of: object) -> str: ...
    def count(self, of: Checks) -> str: ...


def environment() -> Environment:
    found = Environment(
        loader=FileSystemLoader([web_folder() / "templates", web_folder() / "manual"]),
        autoescape=select_autoescape(),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )
    found.globals["static"] = static_url
    found.globals["other_address"] = str  # none, where nobody says better
    return found


@lru_cache(maxsize=512)
def wants_of(page: str) -> Wants:
    """Return which parts a page's stream carries; its name stands in the stream's address."""
    if page == "tonight":
        return lambda part: part in FIXED or part.startswith("prop-")
    if page == "alerts":
        return {"bar", "everything"}.__contains__
    if page == "boards":
        return lambda part: part == "bar" or part.startswith("board-")
    prop = page.removeprefix("prop-")
    own = {"bar", page, f"tune-{prop}", f"sensors-{prop}", f"hands-{prop}"}
    return own.__contains__


class Fragments:
    """Satisfies `hub.Parts`."""

    def __init__(self, crew: Crew, templates: Environment, wall_ms: Callable[[], int]) -> None:
        self._crew, self._wall_ms, self._templates = crew, wall_ms, templates
        self._macros = cast(Macros, templates.get_template("_parts.html").module)
        self._sensing = cast(SensingMacros, templates.get_template("_sensing.html").module)

    def all(self) -> list[Part]:
        view = self._crew.view()
        return [
            *(Part(name) for name in FIXED),
            *(Part(f"prop-{each}", each, prop) for each, prop in view.props.items()),
            *(Part(f"tune-{each}", each, prop) for each, prop in view.props.items()),
            *(Part(f"hands-{each}", each, prop) for each, prop in view.props.items()),
            *(Part(f"sensors-{each}") for each in view.props),
            *(Part(f"board-{each}") for each in view.boards),
            Part("walk"),
            Part("everything"),
        ]

    def html(self, name: str, dialect: str = "") -> str:
        """Return a part's element, its times by the clock `dialect`; empty for one that is gone."""
        show, macros = Presenter(self._crew.view(), dialect), self._macros
        fixed: dict[str, Callable[[], str]] = {
            "bar": lambda: macros.bar(show.bar()),
            "title": lambda: f'<title id="title">{escape(show.title("Tonight"))}</title>',
            "summary": lambda: macros.summary(show.summary()),
            "needs": lambda: macros.needs(show.needs()),
            "everything": lambda: macros.everything(show.needs()),
            "fold": lambda: macros.fold(show.fold()),
            "tallies": lambda: macros.tallies(show.tallies()),
            "map": lambda: macros.map(show.spots()),
            "walk": lambda: self._sensing.walk(walk_of(show)),
        }
        if name in fixed:
            return fixed[name]().strip()
        sort, _, about = name.partition("-")
        prop, board = show.night.props.get(about), show.night.boards.get(about)
        if prop is not None and sort in OF_A_PROP:
            return self._of_prop(sort, show, prop).strip()
        if sort == "board" and board is not None:
            return macros.board(show.board(board)).strip()
        return ""

    def _of_prop(self, sort: str, show: Presenter, prop: PropView) -> str:
        match sort:
            case "prop":
                return self._macros.card(show.card(prop))
            case "tune":
                return self._macros.tune(show.tune(prop))
            case "hands":
                return self._sensing.hands(hands_of(prop))
            case _:
                return self._sensing.sensors(sensors_of(show, prop))

    def swap(self, name: str, html: str) -> str:
        """Return a part as a partial that htmx puts in its place."""
        if not html:
            return ""
        return f'<hx-partial hx-target="#{escape(name)}" hx-swap="outerMorph">{html}</hx-partial>'

    def fresh(self, *names: str) -> str:
        return "".join(self.swap(name, self.html(name)) for name in names)

    def ticked(self, checks: Checks, line: str) -> str:
        """Return a ticked line, and the count of what is open, as partials."""
        before = cast(BeforeMacros, self._templates.get_template("_before.html").module)
        [tick] = [each for each in checks.ticks if each.tick.id == line]
        parts = {f"line-{line}": before.tick(tick), "ticks-open": before.count(checks)}
        return "".join(self.swap(name, html.strip()) for name, html in parts.items())

    def notice(self, notice: Notice) -> str:
        """Return a partial that tells whoever pressed what came of it."""
        html = self._macros.notice(notice).strip()
        return f'<hx-partial hx-target="#notice" hx-swap="innerHTML">{html}</hx-partial>'

    def tick(self) -> str:
        view = self._crew.view()
        return tick_data(
            self._wall_ms(),
            view.seq,
            stopped=view.stopped,
            outline=Presenter(view).outline(),
            alerts=len(view.alerts) + view.alerts_left_out,
            newest=max((each.id for each in view.alerts), default=0),
            pressing=max((e.id for e in view.alerts if e.severity == Severity.NOW), default=0),
        )
