"""Says how far long work is: a bar where somebody looks, plain lines where a program reads."""

import sys
from collections.abc import Callable

import typer

WIDTH = 30


def progress_of(*, lines: bool) -> Callable[[int, int], None]:
    """Return what tells (done, of how many) on standard error; nothing where nobody would see."""
    if lines:
        return _line
    return _bar if sys.stderr.isatty() else lambda _done, _of: None


def _line(done: int, of: int) -> None:
    typer.echo(f"progress {done} {of}", err=True)


def _bar(done: int, of: int) -> None:
    filled = WIDTH * done // max(1, of)
    end = "\n" if done >= of else ""
    typer.echo(
        f"\r[{'#' * filled}{'.' * (WIDTH - filled)}] {done} of {of}{end}", nl=False, err=True
    )
