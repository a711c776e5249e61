"""A book of findings as lines of text, for a terminal."""

from collections.abc import Iterator

from haunt.study.findings.book import Book, NotChecked, Placed
from haunt.study.findings.kinds import Figure, PackForecast, Severity, chance
from haunt.workshop.band import Band
from haunt.workshop.cautions import CAUTIONS, DECIDES, TITLES


def lines(book: Book) -> Iterator[str]:
    for each in book.findings:
        yield from _finding(book.file, each)
    for pack in book.packs:
        yield _pack(pack)
    for need in book.unchecked:
        yield from _need(need)
    for topic in book.cautions:
        yield f"caution: {TITLES[topic]}: {CAUTIONS[topic]}"
    if book.cautions:
        yield f"caution: {DECIDES}"
    yield ", ".join(f"{len(book.of(each))} {each}" for each in Severity)


def amount(band: Band, unit: str) -> str:
    """`4.9 V (2.7 to 5.6)`; a figure without doubt stands alone."""
    if band.low == band.high:
        return f"{short(band.at)} {unit}"
    return f"{short(band.at)} {unit} ({short(band.low)} to {short(band.high)})"


def short(value: float) -> str:
    """Three figures are more than any of these sums is good for."""
    return f"{value:.0f}" if abs(value) >= 100 else f"{value:.3g}"


def measured(figure: Figure) -> str:
    """Number, limit and margin in one clause."""
    side = "at least" if figure.at_least else "at most"
    margin = f"{short(abs(figure.margin))} {figure.unit}"
    if figure.margin >= 0:
        margin = f"margin {margin}"
    else:
        margin += " too little" if figure.at_least else " too much"
    return (
        f"{amount(figure.value, figure.unit)}; {side} {short(figure.limit)} {figure.unit}; {margin}"
    )


def _finding(file: str, placed: Placed) -> Iterator[str]:
    found = placed.finding
    place = f"{file}:{placed.line}" if placed.line else file
    yield f"{place}: {found.severity}: {placed.key}: {found.why}"
    if found.figure is not None:
        yield f"    {found.check}: {measured(found.figure)}"
    yield f"    mend: {found.mend}"


def _pack(of: PackForecast) -> str:
    found = of.forecast
    said = (
        f"pack of {of.board}: lasts till close with P {chance(found.sure)}; "
        f"{amount(found.takes, 'mAh')} in {found.night_h:.1f} h of "
        f"{amount(found.gives, 'mAh')}"
    )
    return f"{said}; assumed: {', '.join(of.assumed)}" if of.assumed else said


def _need(of: NotChecked) -> Iterator[str]:
    yield f"not checked: {of.need.settles} ({of.whose}); needs {of.need.keys}"
    yield f"    {of.need.how}"
