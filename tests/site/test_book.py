"""Goal: the manual has every command, option, setting and address of the code, and no other; its
sums are right, and what it tells to type can be typed.

Method: pages are read back and held against the terminal's own parser, the models of the show file
and the table of rights; sums against figures worked out by hand or taken from data sheets.
"""

import re
import shlex
import tomllib
from collections.abc import Iterator, Mapping
from html import unescape
from pathlib import Path
from typing import Any

import pytest
import typer
from typer.testing import CliRunner

from haunt.cli import app
from haunt.config import SETTINGS
from haunt.site.book.addresses import READS
from haunt.site.book.chapters import BY_PAGE, CHAPTERS, chapter_for
from haunt.site.book.commands import COMMANDS, SHARED
from haunt.site.book.settings import SERVER, tables
from haunt.site.book.sums import Worked, worked
from haunt.site.rights import RIGHTS, find
from haunt.wire.boardfile import parts_of
from haunt.wire.showerrors import ShowFileRefused
from haunt.wire.showfile import read_show
from haunt.wire.showmodels import ShowFile
from tests.outside.registry import outside
from tests.site.stage import a_stage

MANUAL = Path(__file__).parents[2] / "web" / "manual"


@pytest.fixture(scope="module")
def texts() -> dict[str, str]:
    """Every chapter as it is read, and help."""
    with a_stage(role="owner") as stage:
        found = {each: stage.client.get(f"/manual/{each}").text for each in CHAPTERS}
        return {**found, "help": stage.client.get("/help").text}


# --- the terminal


def leaves(command: Any, words: tuple[str, ...] = ()) -> Iterator[tuple[str, Any]]:
    """Give every command that does something, by the words that call it."""
    inner = getattr(command, "commands", None)
    if inner is None:
        yield " ".join(words), command
        return
    for word, each in inner.items():
        yield from leaves(each, (*words, word))


TERMINAL: Mapping[str, Any] = dict(leaves(typer.main.get_command(app)))


def options_of(command: Any) -> set[str]:
    """Give arguments by name and options by their long spelling."""
    return {max(each.opts, key=len) for each in command.params}


def test_every_command_is_in_the_manual_and_no_other() -> None:
    assert set(COMMANDS) == set(TERMINAL)


@pytest.mark.parametrize("name", COMMANDS)
def test_every_option_is_in_the_manual_and_no_other(name: str) -> None:
    has = options_of(TERMINAL[name])
    told = set(COMMANDS[name].options)

    assert told <= has
    assert has - told <= set(SHARED)
    assert not told & set(SHARED)


def test_the_terminal_says_which_haunt_it_is() -> None:
    pyproject = tomllib.loads((MANUAL.parents[1] / "pyproject.toml").read_text(encoding="utf-8"))

    said = CliRunner().invoke(app, ["--version"]).stdout

    assert said == f"haunt {pyproject['project']['version']}\n"


def test_what_many_commands_share_is_shared_indeed() -> None:
    for option in set(SHARED) - {"--help"}:
        assert sum(option in options_of(each) for each in TERMINAL.values()) > 1, option


def parsed(line: str) -> str:
    """Let the terminal's own parser read a line; nothing is run. Raises what it raises."""
    first, *words = shlex.split(line.partition(" > ")[0])  # a shell takes what goes to a file
    assert first == "haunt", line
    for count in (2, 1):
        name = " ".join(words[:count])
        if name in TERMINAL:
            TERMINAL[name].make_context(name, words[count:])
            return name
    raise AssertionError(f"no command in {line!r}")


@pytest.mark.parametrize("name", COMMANDS)
def test_the_line_to_type_of_each_command_can_be_typed(name: str) -> None:
    assert parsed(COMMANDS[name].line) == name


def lines_shown(text: str) -> set[str]:
    """Give what stands in a page as a command to type; bare names of commands are no lines."""
    found = [unescape(each) for each in re.findall(r"<(?:code|pre)>(haunt [^<]+)<", text)]
    return {each.strip() for each in found if each.strip().removeprefix("haunt ") not in TERMINAL}


def test_every_line_that_a_chapter_shows_can_be_typed(texts: dict[str, str]) -> None:
    shown = {line for text in texts.values() for line in lines_shown(text)}

    assert len(shown) > len(COMMANDS)
    for line in sorted(shown):
        print(line)
        parsed(line)


def test_a_line_that_is_none_is_noticed() -> None:
    for line in ("haunt bords add gate", "haunt serve --prt 80", "haunt boards add"):
        with pytest.raises(Exception, match=r"no command|No such option|Missing parameter"):
            parsed(line)


# --- settings


def test_every_setting_of_the_server_is_told_in_its_three_spellings(texts: dict[str, str]) -> None:
    assert set(SERVER) == set(SETTINGS)
    page = texts["settings"]
    flags = options_of(TERMINAL["serve"]) - {"--data"}

    assert {f"--{key.replace('_', '-')}" for key in SETTINGS} == flags
    for key in SETTINGS:
        for word in (key, f"--{key.replace('_', '-')}", f"HAUNT_{key.upper()}"):
            assert f"<code>{word}</code>" in page


Steps = tuple[str, ...]


def keys_of(
    schema: Mapping[str, Any], node: Mapping[str, Any], within: Steps = ()
) -> Iterator[Steps]:
    """Give the way to every key in the schema of a show file; lists of tables end in [].

    Independent of how pages draw forms.
    """
    for key, each in node["properties"].items():
        inner, is_many = _inside(schema, each)
        if inner is None:
            yield (*within, key)
        else:
            yield from keys_of(schema, inner, (*within, f"{key}[]" if is_many else key))


def _inside(
    schema: Mapping[str, Any], node: Mapping[str, Any]
) -> tuple[Mapping[str, Any] | None, bool]:
    for each in (node, *node.get("anyOf", ()), *node.get("allOf", ())):
        if each.get("type") == "array":
            found, _ = _inside(schema, each.get("items", {}))
            if found is not None:
                return found, True
        ref = each.get("$ref")
        if ref:
            target = schema["$defs"][ref.rpartition("/")[2]]
            if "properties" in target:
                return target, False
    return None, False


def test_every_key_of_the_show_file_is_told_and_no_other() -> None:
    schema = ShowFile.model_json_schema(by_alias=True)
    there = {".".join(each) for each in keys_of(schema, schema)}
    told = {
        f"{each.head.strip('[]').replace('.', '[].')}{'[]' if '[[' in each.head else ''}.{row.key}"
        for each in tables()
        for row in each.rows
    }

    assert told == there
    assert len(told) > 150


def test_settings_show_what_may_be_and_what_is_meant_where_they_are_left_out(
    texts: dict[str, str],
) -> None:
    page = " ".join(texts["settings"].split())

    assert "<code>hourly_cap</code> Starts an hour at most" in page
    assert "whole number: 1 to 3600 · left out: nothing" in page
    assert "<code>id</code> Id</dt><dd>Short; stands in every topic of the wire." in page
    assert 'id="prop-behaviour"' in page


# --- addresses


def test_every_address_is_told_and_no_other(texts: dict[str, str]) -> None:
    assert set(READS) == {each.path for each in RIGHTS if each.method == "GET"}
    page = unescape(texts["addresses"])

    told = re.findall(r"<dt><code>([A-Z]+) ([^<]+)</code></dt><dd>([^<]+)</dd>", page)
    assert sorted((m, p) for m, p, _ in told) == sorted((r.method, r.path) for r in RIGHTS)


def test_every_link_of_the_manual_leads_somewhere(texts: dict[str, str]) -> None:
    found = {
        (chapter, link)
        for chapter, text in texts.items()
        for link in re.findall(r'href="(/[^"]*)"', text)
        if not link.startswith("/static/")
    }
    for chapter, link in sorted(found):
        path, _, anchor = unescape(link).partition("#")
        assert find("GET", path).right is not None, (chapter, link)
        if path.startswith("/manual/"):
            text = texts[path.removeprefix("/manual/")]
            assert not anchor or f'id="{anchor}"' in text, (chapter, link)
    assert len(found) > 30


def test_anchors_within_a_chapter_are_there(texts: dict[str, str]) -> None:
    for chapter, text in texts.items():
        for anchor in re.findall(r'href="#([^"]+)"', text):
            assert f'id="{anchor}"' in text, (chapter, anchor)


def test_help_is_on_every_page_and_leads_to_every_chapter(texts: dict[str, str]) -> None:
    for text in texts.values():
        assert 'href="/help"' in text  # it stands in the frame that every page has
    for chapter in CHAPTERS:
        assert f'href="/manual/{chapter}"' in texts["help"]


def test_each_page_leads_to_the_chapter_that_helps_with_it() -> None:
    assert {name for _, name in BY_PAGE} <= set(CHAPTERS)
    for page, _ in BY_PAGE:
        assert find("GET", page).right or find("GET", f"{page}/some").right, page
    assert chapter_for("/tune/owl").name == "after"
    assert chapter_for("/log").name == "rules"
    assert chapter_for("/logbook").name == "security"
    assert chapter_for("/").name == "phone"
    assert chapter_for("/help") == ("", "Manual")


def test_a_page_shows_the_way_to_its_chapter() -> None:
    with a_stage(role="owner") as stage:
        assert '<a class="button" href="/manual/rules">Every rule' in stage.client.get("/log").text
        assert '<a class="button" href="/manual">Manual</a>' in stage.client.get("/help").text


def test_every_chapter_of_the_folder_is_in_the_list() -> None:
    assert {each.stem for each in MANUAL.glob("*.html")} - {"manual"} == set(CHAPTERS)


# --- sums

SUMS: Mapping[str, Worked] = {each.id: each for each in worked()}

BY_HAND = {
    # 1 / (1 + 60 x 26 / 3600) = 0.698 (Erlang B with one server, a / (1 + a) missed)
    "ready": "70%: 42 of 60.",
    # Erlang B, a = 1: half
    "spacing": "50%.",
    # 60 / (1 + 60 x 28 / 3600) = 40.9; x 1120 x 8 / 3600 = 2.489; x 4 = 407; + 80 x 4 = 727
    "pack": "It takes about 727 mAh and gives about 800",
    # 3.795 V and 3.705 V a cell between 50 % (3.7925 V) and 55 %, and 20 % (3.6954 V) and 25 %, of
    # the LCO curve computed with pybamm 26.10 (Ai2020)
    "charge": "51 % at rest; the same pack read under load says 22 %.",
    # 0.4 V / 2 A = 0.2 ohm; x 5 A = 1 V
    "sag": "1.0 V are gone: 6.4 V are left",
    # ASTM B258 and rho = 1.7241e-8: 52.96 and 20.95 ohm a km; 2 x 5 m x 2 A
    "wire": "1.06 V with AWG 22, 0.42 V with AWG 18.",
    # 3 x 1.25; common practice
    "fuse": "3.75 to 7 A",
    # 7 V x 0.3 A = 2.1 W and 12 V x 4 to 6 mA of its own (MC78M05 sheet); x 92 K/W
    "heat": "2.2 W, which is 200 K hotter",
    # 20 lg 10 = 20 dB; two equal ones are 10 lg 2 = 3 dB more
    "fence": "62 dBA for one, 65 dBA for both, give or take 6.",
    # 4 / 0.8, 4 / 1.2, 4 / 0.5
    "walk": "5 s; the quick take 3.3, the slow 8.0 s.",
    "flash": "Up to 4 flashes in the worst second; the limit is 3.",
    # 2 / 30; N / (N + R) = 25 %: R = 3 N
    "motor": "6.7%: far below 25%. Ten minutes at a stretch would need 30 minutes of rest.",
    # 1500 / 120 = 12.5; / 15
    "circuit": "12.5 A, 83% of the breaker; stay below 80 %.",
}
"""Worked out beside each figure, by hand."""


@pytest.mark.parametrize("which", SUMS)
def test_a_worked_sum_comes_to_what_it_comes_to_by_hand(which: str) -> None:
    assert SUMS[which].answer.startswith(BY_HAND[which])
    outside("manual/sums").agrees()


def test_every_sum_is_on_its_page_with_what_is_given_and_what_to_do(texts: dict[str, str]) -> None:
    page = unescape(texts["sums"])
    for each in worked():
        for text in (each.question, each.given, each.working, each.answer, each.so):
            assert text in page


def test_the_smallest_show_file_holds_and_nothing_of_it_may_go(texts: Mapping[str, str]) -> None:
    [text] = re.findall(r"<pre>(\[show\].*?)</pre>", texts["settings"], re.DOTALL)
    text = unescape(text)

    assert read_show(text, "the smallest").show.links[0].prop == "gatekeeper"
    parts = parts_of(text, "gate")
    assert (list(parts.sensors), list(parts.props), parts.words) == (
        ["gate-pir"],
        ["gatekeeper"],
        "",
    )
    lines = text.splitlines()
    for number, line in enumerate(lines):
        if line and not line.startswith(("pins", "cooldown_s", "[[link]]")):
            with pytest.raises(ShowFileRefused):
                read_show("\n".join(lines[:number] + lines[number + 1 :]), "less")
