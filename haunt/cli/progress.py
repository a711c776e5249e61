"""Says how far long work is: a bar where somebody looks, plain lines where a program reads."""

import sys

import typer

from haunt.study.progress import Progress, quiet

WIDTH = 30


def progress_of(*, lines: bool) -> Progress:
    """Return what tells (done, of how many) on standard error; nothing where nobody would see."""
    if lines:
        return _line
    return _bar if sys.stderr.isatty() else quiet


def _line(done: int, of: int) -> None:
    typer.echo(f"progress {done} {of}", err=True)


def _bar(done: int, of: int) -> None:
    filled = WIDTH * done // max(1, of)
    end = "\n" if done >= of else ""
    typer.echo(
        f"\r[{'#' * filled}{'.' * (WIDTH - filled)}] {done} of {of}{end}", nl=False, err=True
    )
