"""The parts of Tonight that change: each has a name, an element id and one template block."""

from collections.abc import Callable
from typing import Any

from jinja2 import Environment, FileSystemLoader, select_autoescape

from haunt.live.crew import Crew
from haunt.site.assets import web_folder
from haunt.site.hub import tick_data
from haunt.site.view_models import Presenter

FIXED = ("bar", "summary", "needs")


def environment() -> Environment:
    return Environment(
        loader=FileSystemLoader(web_folder() / "templates"),
        autoescape=select_autoescape(),
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )


class Fragments:
    """Renders parts for the stream. The same macros render the whole page."""

    def __init__(self, crew: Crew, templates: Environment) -> None:
        self._crew = crew
        self._module: Any = templates.get_template("_parts.html").module

    def parts(self) -> list[str]:
        return [*FIXED, *(f"prop-{each}" for each in self._crew.view().props)]

    def render(self, name: str) -> str:
        """Return one part as a partial that htmx puts in its place; empty for one that is gone."""
        html = self._html(name)
        if not html:
            return ""
        return f'<hx-partial hx-target="#{name}" hx-swap="outerMorph">{html}</hx-partial>'

    def _html(self, name: str) -> str:
        presenter = Presenter(self._crew.view())
        make: dict[str, Callable[[], Any]] = {
            "bar": lambda: self._module.bar(presenter.bar()),
            "summary": lambda: self._module.summary(presenter.summary()),
            "needs": lambda: self._module.needs(presenter.needs()),
        }
        if name in make:
            return str(make[name]())
        prop = presenter.night.props.get(name.removeprefix("prop-"))
        return str(self._module.card(presenter.card(prop))) if prop is not None else ""

    def snapshot(self) -> str:
        return "".join(self.render(name) for name in self.parts())

    def tick(self) -> str:
        view = self._crew.view()
        return tick_data(view.at_ms, view.seq, stopped=view.stopped)
