"""The house as its tests read it: modules as syntax trees, and every shipped file as text."""

import ast
from collections.abc import Mapping
from functools import cache
from itertools import chain
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).resolve().parents[1]
HOUSE = ROOT / "haunt"
SHIPPED = ("haunt", "web", "firmware_stub", "docker", "tests", ".ci")
SHIPPED_FILES = ("README.md", "DEVELOPERS.md", "pyproject.toml", ".gitignore", ".dockerignore")


class Function(NamedTuple):
    place: str
    lines: int
    node: ast.FunctionDef | ast.AsyncFunctionDef


@cache
def module_text(name: str) -> str:
    return (ROOT / name).read_text(encoding="utf-8")


@cache
def lines_of(name: str) -> tuple[str, ...]:
    return tuple(module_text(name).splitlines())


@cache
def modules() -> Mapping[str, ast.Module]:
    names = (str(path.relative_to(ROOT)) for path in sorted(HOUSE.rglob("*.py")))
    return {name: ast.parse(module_text(name)) for name in names}


@cache
def nodes() -> Mapping[str, tuple[ast.AST, ...]]:
    """All of each tree: walked once, asked often."""
    return {name: tuple(ast.walk(tree)) for name, tree in modules().items()}


@cache
def module_lines() -> Mapping[str, int]:
    return {name: len(lines_of(name)) for name in modules()}


@cache
def functions() -> tuple[Function, ...]:
    return tuple(
        Function(f"{name} {node.name}", (node.end_lineno or 0) - node.lineno + 1, node)
        for name, found in nodes().items()
        for node in found
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
    )


@cache
def texts(*folders: str) -> Mapping[str, str]:
    """Every file under these folders that is text."""
    found = {}
    for path in chain.from_iterable(sorted((ROOT / each).rglob("*")) for each in folders):
        if path.is_file() and not {"__pycache__", ".pytest_cache"} & set(path.parts):
            try:
                found[str(path.relative_to(ROOT))] = path.read_text(encoding="utf-8")
            except UnicodeDecodeError:
                continue
    return found


@cache
def everything() -> Mapping[str, str]:
    single = {each: (ROOT / each).read_text(encoding="utf-8") for each in SHIPPED_FILES}
    return {**texts(*SHIPPED), **single}


def dotted(name: str) -> str:
    return name.removesuffix(".py").removesuffix("/__init__").replace("/", ".")
