"""Names, places, lines and boards' own words that try to be markup, in Chromium, on every page.

`python -m tests.browser.hostile [COUNT]`: so many strings, each where people or boards may write.
None may become an element, run, or make the browser ask anybody else; each is shown as it is.
"""

import json
import re
import sys
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, field
from itertools import islice, product
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

from playwright.sync_api import (
    Browser,
    ConsoleMessage,
    Dialog,
    Error,
    Page,
    Request,
    sync_playwright,
)

from haunt.site.rights import RIGHTS
from tests.browser.house import PHONE
from tests.browser.measure import DOORS, NO_PAGE, NOT_HTML
from tests.system.house import House, Server, until
from tests.system.test_endurance import BOOT, WireBoard

OPENINGS: Final = (
    "", '">', "'>", "</title>", "</textarea>", "</script>", "</style>", "-->", "]]>", "`",
    "</option></select>", "\\",
)  # fmt: skip
DEEDS: Final = ("owned=1", "top['owned']=1", "\\u006fwned=1")
CARRIERS: Final = (
    "<script data-h>{}</script>", "<img data-h src=x onerror={}>", "<svg data-h onload={}>",
    "<a data-h href=javascript:{}>x</a>", "<p data-h style=color:red onclick={}>",
    "<details data-h open ontoggle={}>", "<input data-h autofocus onfocus={}>",
    "<iframe data-h srcdoc='<script>{}</script>'>", "<form data-h action=//h.example>{}",
    "<base data-h href=//h.example/ {}>", "<meta data-h http-equiv=refresh content=0 {}>",
    "<link data-h rel=stylesheet href=//h.example {}>", "<b data-h hx-get=//h.example {}>",
    '" data-h onfocus={} x="', "' data-h onfocus={} x='", "<template data-h>{}", "<!-- {}",
    "{{{{ 7*7919 }}}}{}", "{{% if 1 %}}55433{{% endif %}}{}", "&lt;script&gt;{}", "javascript:{}",
    "%3Cscript%3E{}", "<math><mtext data-h>{}", "<object data-h data=//h.example {}>",
)  # fmt: skip
WORKED_OUT: Final = "55433"
WORD_MAX: Final = 64
LINE_MAX: Final = 128
PROPS: Final = 24
BOARDS: Final = 8
A_SHOW: Final = 1 + 2 * BOARDS + 6 * PROPS + 2
"""Strings of one show: see `show_of`."""
SPOT: Final = "x_m = 1\ny_m = 1\n"
SHOWN_LEAST: Final = 0.7
FOUND: Final = """() => ({
    made: [...document.querySelectorAll('[data-h]')].map(e => e.outerHTML.slice(0, 120)),
    owned: Boolean(window.owned),
    text: document.documentElement.textContent
        + [...document.querySelectorAll('input, option')].map(e => e.value).join('\\n'),
})"""


@dataclass(slots=True)
class Walk:
    """`wrong` in words; `shown` are the strings that some page showed as they are."""

    wrong: list[str] = field(default_factory=list)
    shown: set[str] = field(default_factory=set)
    counted: Counter[str] = field(default_factory=Counter)


def strings() -> Iterator[str]:
    """Every carrier after every opening with every deed, mixed so that a few are of all kinds."""
    kinds = list(product(OPENINGS, CARRIERS, DEEDS))
    step = 7 * len(DEEDS) * 5 + 2  # coprime to their number: each comes once
    for at in range(len(kinds)):
        opening, carrier, deed = kinds[at * step % len(kinds)]
        yield opening + carrier.format(deed)


def show_of(hostile: list[str]) -> str:
    """A show file with one of them in every field that takes free text, as its length allows."""
    short, rest = _parted(hostile)
    name, words, texts = rest[0], iter(short), iter(rest[1:])
    parts = [
        f'[show]\nid = "yard"\nname = {_quoted(name)}\ntime_zone = "UTC"',
        f'[[phase]]\nname = {_quoted(next(words, "late"))}\nfrom = "00:00"\nto = "00:00"',
        f"[[limits.boundary]]\nname = {_quoted(next(words, 'gate'))}\n{SPOT}max_level_dba = 60",
    ]
    for at in range(BOARDS):
        board = f'[[board]]\nid = "b{at}"\nx_m = {at}\ny_m = 0'
        parts.append(board + _keys({"place": texts, "model": words}))
        parts.append(f'[[sensor]]\nid = "s{at}"\nboard = "b{at}"' + _keys({"place": texts}))
    for at in range(PROPS):
        prop = f'[[prop]]\nid = "p{at}"\nboard = "b{at % BOARDS}"'
        prop += _keys({"name": texts, "place": texts, "cut_off": texts, "view": words})
        parts.append(f'[[link]]\nsensor = "s{at % BOARDS}"\nprop = "p{at}"')
        lines = [each for each in islice(texts, 2) if len(each) <= LINE_MAX]
        prop += '\n[[prop.behaviour]]\nid = "rise"\nduration_s = 1\nvoice = true'
        parts.append(prop + f"\nlines = {json.dumps(lines or ['Good evening'])}")
    return "\n".join(parts) + "\n"


def _parted(hostile: list[str]) -> tuple[list[str], list[str]]:
    """Those that fit a word, as many as there are words, and the rest."""
    wanted = BOARDS + PROPS + 2
    short = [each for each in hostile if len(each) <= WORD_MAX][:wanted]
    return short, [each for each in hostile if each not in short]


def _keys(wanted: dict[str, Iterator[str]]) -> str:
    found = ((key, next(texts, None)) for key, texts in wanted.items())
    return "".join(f"\n{key} = {_quoted(text)}" for key, text in found if text is not None)


def _quoted(text: str) -> str:
    return json.dumps(text)  # a string of JSON in ASCII is one of TOML


def paths() -> list[str]:
    """Every page of the table of rights, for every prop and board of the show."""
    here = {"{chapter}": ["rules"], "{version}": ["1"], "{table}": ["prop"]}
    here["{row}"] = [f"p{at}" for at in range(PROPS)]
    here |= {"{prop}": [f"p{at}" for at in range(PROPS)]}
    here |= {"{board}": [f"b{at}" for at in range(BOARDS)]}
    found = []
    for right in RIGHTS:
        if right.method != "GET" or right.path.startswith(NO_PAGE) or right.path in DOORS:
            continue
        if right.path.endswith(NOT_HTML):
            continue
        names = [name for name in here if name in right.path]
        for values in product(*(here[name] for name in names)):
            path = right.path
            for name, value in zip(names, values, strict=True):
                path = path.replace(name, value)
            if "{" not in path:
                found.append(path)
    return found


def walk(chromium: Browser, folder: Path, hostile: list[str], *, every: int = 1) -> Walk:
    """Open each `every`-th page of a real server whose show and boards say these strings."""
    found = Walk()
    with House(folder, show_of(hostile)) as house:
        _speak(house.server, hostile, found)
        context = chromium.new_context(
            viewport={"width": PHONE["width"], "height": PHONE["height"]}
        )
        page = context.new_page()
        _come_in(page, house, min(hostile, key=len))
        _listen(page, house.server.url, found)
        for path in ["/", "/log", *paths()[::every]]:
            _look(page, house.server.url + path, hostile, found)
        context.close()
    return found


def _come_in(page: Page, house: House, name: str) -> None:
    """As the owner, under a hostile name."""
    log = (house.folder / "server.log").read_text()
    [code] = re.findall(r"/set-up\?code=([\w-]+)\n", log)
    form: dict[str, str | float | bool] = {"code": code, "name": name, "password": "seven lamps"}
    url = house.server.url
    answer = page.context.request.post(f"{url}/set-up", form=form, headers={"origin": url})
    assert answer.ok, answer.text()


def _listen(page: Page, url: str, found: Walk) -> None:
    def note(message: ConsoleMessage) -> None:
        if "Content Security Policy" in message.text:
            found.wrong.append(f"{page.url}: {message.text[:200]}")

    def dismiss(dialog: Dialog) -> None:
        found.wrong.append(f"{page.url}: a dialog")
        dialog.dismiss()

    def ask(asked: Request) -> None:
        if not asked.url.startswith((url, "data:")):
            found.wrong.append(f"{page.url} asks {asked.url}")

    def fail(fault: Error) -> None:
        found.wrong.append(f"{page.url}: {fault}")

    page.on("console", note)
    page.on("pageerror", fail)
    page.on("dialog", dismiss)
    page.on("request", ask)


def _look(page: Page, url: str, hostile: list[str], found: Walk) -> None:
    answer = page.goto(url, wait_until="domcontentloaded")
    assert answer is not None
    if answer.status >= 500:
        found.wrong.append(f"{url} answered {answer.status}")
    seen = page.evaluate(FOUND)
    found.counted["pages opened"] += 1
    found.wrong += [f"{url} made {each}" for each in seen["made"]]
    if seen["owned"]:
        found.wrong.append(f"{url} ran one")
    if WORKED_OUT in seen["text"].replace("%}" + WORKED_OUT, ""):
        found.wrong.append(f"{url} worked one out")
    found.shown |= {each for each in hostile if each in seen["text"]}


def _speak(server: Server, hostile: list[str], found: Walk) -> None:
    """A board says them in every field that it may fill, well and badly formed."""
    short = [each for each in hostile if len(each) <= WORD_MAX]
    with closing(WireBoard(server.credential("b0"))) as board:
        until(lambda: server.prop("p0")["here"], "the board to be here")
        for number, word in enumerate(short, start=1):
            board.say(
                "presence",
                {"state": "here", "boot": BOOT, "conn": number, "up_ms": 1, "fw": word},
            )
            board.say("health", {"boot": BOOT, "up_ms": number, word: 1, "starts": {word: 1}})
            board.say("motion", {"sensor": word, "boot": BOOT, "seq": number, "age_ms": 0})
            board.client.publish(f"{board.root}/b0/report", word, 1)
            found.counted["messages of a hostile board"] += 4
        board.say("motion", {"sensor": "s0", "boot": BOOT, "seq": 9999, "age_ms": 0})
        until(server.decisions, "a decision after all of them")


def main() -> int:
    wanted = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    began_s, hostile, wrong, shown = time.monotonic(), list(islice(strings(), wanted)), [], set()
    counted: Counter[str] = Counter()
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(
            executable_path="/usr/bin/chromium", args=["--no-sandbox"]
        )
        for at in range(0, len(hostile), A_SHOW):
            with TemporaryDirectory() as folder:
                found = walk(chromium, Path(folder), hostile[at : at + A_SHOW])
            wrong += found.wrong
            shown |= found.shown
            counted += found.counted
    print(f"P24, {len(hostile)} hostile strings, {time.monotonic() - began_s:.0f} s")
    print(f"{len(shown)} of them were shown as they are; {dict(counted)}")
    print("\n".join(wrong[:20]), f"{len(wrong)} failures", sep="\n")
    return 1 if wrong or len(shown) < SHOWN_LEAST * len(hostile) else 0


if __name__ == "__main__":
    sys.exit(main())
