"""Finds in the tests what is cited from outside, and which rows each test holds ours to.

Nothing is run: the files are read as text and as syntax.
"""

import ast
import io
import re
import tokenize
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Final

TESTS: Final = Path(__file__).parents[1]
OWN: Final = ("outside", "workshop/outside.py", "workshop/table.py", "workshop/test_outside.py")
"""The registry itself, and the list that it joins."""

CITED: Final = re.compile(
    r"""\b(?:RFC\ \d+|ISO(?:/IEC)?\ \d+|IEC\ \d+|IEEE\ \d+|NIST\b|OASIS|WCAG|OWASP|NIOSH|OSHA|NFPA
    |MUTCD|ASTM|USNO|Naval\ Observatory|ECMA|W3C|MQTT\ 3|AsyncAPI\ 3|prometheus\.io|NEC\ \d+|CC\ BY
    |[Dd]ata\ [Ss]heets?|[Hh]andbook|[Tt]extbook|[Mm]anual,\ table|from\ memory|[Cc]ommon\ practice
    |no\ source|[Aa]s\ (?:it\ was\ )?published|[Pp]ublished\ (?:schema|rules|tables|voltage)
    |(?:by|of|from)\ the\ standard(?!\ library)|the\ standard's|the\ standard\ (?:writes|asks)
    |standard\ library's|as\ quoted\ by|somebody\ else's\ (?:validator|code)|closed\ forms?
    |Erlang\ B|Engset|Weidmann|VERIFIED|by\ the\ law\ of)\b""",
    re.VERBOSE,
)
PROGRAMS: Final = frozenset(
    {"amqtt", "axe_playwright_python", "erlanglib", "jsonschema", "pypdfium2", "schemathesis",
     "zxingcpp"}
)  # fmt: skip
"""Imported in a test, they are there to judge ours."""
COMMANDS: Final = frozenset({"espeak-ng", "openssl"})
WORTH: Final = re.compile("|".join([r"\boutside\(", r"\bfamily\(", *PROGRAMS, *COMMANDS]))
"""What a file has one of if there is anything to find in it beside the words of `CITED`."""
ELSEWHERE: Final = {
    "benchmarks/long_log.py": "a baseline of speed",
    "browser/test_night_tasks.py": "how quick a thumb is: the measure, not what is measured",
    "fuzz/http.py": "draws what fuzz/test_http.py counts",
    "live/gardenstage.py": "another memory",
    "live/test_forecasts.py": "a figure of the stage",
    "mqtt/attacks.py": "the model that mqtt/test_attacks.py holds a broker to",
    "mqtt/test_real_broker.py": "makes a certificate",
    "site/map/test_pages.py": "words of the page itself",
    "site/paper.py": "decodes for those that count",
    "soak/spaces.py": "addresses that lead nowhere",
    "workshop/discharges.py": "curves by which packs are emptied",
    "workshop/test_forecast.py": "the same",
}
"""Files that cite without checking against it, and why."""


@dataclass(slots=True)
class Part:
    """One function or class of a file, or all the rest of it (`name` is then empty)."""

    path: str
    name: str
    cited: set[str] = field(default_factory=set)
    rows: set[str] = field(default_factory=set)
    families: set[str] = field(default_factory=set)
    measures: set[str] = field(default_factory=set)
    """Rows that `saw` or `agrees` is asked of, straight behind their name."""

    @property
    def is_test(self) -> bool:
        return self.name.startswith("test_")

    @property
    def node(self) -> str:
        return f"{self.path}::{self.name}"


@cache
def parts_of_all() -> tuple[Part, ...]:
    return tuple(
        part
        for path in sorted(TESTS.rglob("*.py"))
        if not (relative := path.relative_to(TESTS).as_posix()).startswith(OWN)
        for part in parts_of(relative, path.read_text(encoding="utf-8"))
    )


def parts_of(path: str, text: str) -> list[Part]:
    rest, found = Part(path, ""), []
    if not WORTH.search(text) and not CITED.search(text):
        return [rest]
    tree = ast.parse(text)
    spans: list[tuple[int, int, Part]] = []
    for node in tree.body:
        part = rest
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            part = Part(path, node.name)
            found.append(part)
            first = min([node.lineno, *(each.lineno for each in node.decorator_list)])
            spans.append((first, node.end_lineno or first, part))
        _look(node, part)
    for line, comment in _comments(text) if CITED.search(text) else ():
        part = next((p for first, last, p in spans if first <= line <= last), rest)
        part.cited |= set(CITED.findall(comment))
    return [rest, *found]


def _look(tree: ast.AST, part: Part) -> None:
    for node in ast.walk(tree):
        match node:
            case ast.Constant(value=str() as words):
                part.cited |= set(CITED.findall(words)) | (COMMANDS & {words})
            case ast.Import(names=names):
                part.cited |= PROGRAMS & {each.name.partition(".")[0] for each in names}
            case ast.ImportFrom(module=str() as module):
                part.cited |= PROGRAMS & {module.partition(".")[0]}
            case ast.Call(func=ast.Attribute(value=ast.Call() as call, attr="saw" | "agrees")):
                part.measures |= set(_named(call, "outside"))
            case ast.Call():
                part.rows |= set(_named(node, "outside"))
                part.families |= set(_named(node, "family"))


def _named(call: ast.Call, function: str) -> Iterator[str]:
    match call:
        case ast.Call(func=ast.Name(id=str() as name), args=[ast.Constant(value=str() as row)]):
            if name == function:
                yield row
        case _:
            return


def _comments(text: str) -> Iterator[tuple[int, str]]:
    for token in tokenize.generate_tokens(io.StringIO(text).readline):
        if token.type == tokenize.COMMENT:
            yield token.start[0], token.string
