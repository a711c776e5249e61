"""A link as a picture to scan: for pages as SVG, for a terminal as text."""

import io

import segno
from markupsafe import Markup

QUIET = 4
"""Modules of quiet zone that ISO/IEC 18004 asks for."""


def qr_svg(text: str) -> Markup:
    """Only numbers of our own making are in it; its colours are the style sheet's."""
    drawn = segno.make_qr(text, error="m").svg_inline(
        scale=1, border=QUIET, svgclass="qr", lineclass=None, omitsize=True, title="Code to scan"
    )
    return Markup(drawn)  # noqa: S704 - drawn by us from modules


def qr_text(text: str) -> str:
    """Half a block a module, for a dark terminal; most scanners read it turned round too."""
    out = io.StringIO()
    segno.make_qr(text, error="l").terminal(out=out, border=2, compact=True)
    return out.getvalue()
