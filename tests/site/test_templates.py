"""Goal: pages need neither inline code nor eval, and carry nothing from elsewhere.

Method: every template is read as text; the style sheet's colours are measured.
"""

import re
from pathlib import Path

import pytest

from haunt.site.assets import web_folder
from tests.outside.registry import outside

TEMPLATES = sorted(
    each for folder in ("templates", "manual") for each in (web_folder() / folder).glob("*.html")
)
OWN_STATIC = [web_folder() / "static" / name for name in ("haunt.css", "haunt.js")]
BANNED = {
    "a handler that needs eval": r"\bhx-on\b|\bon[a-z]+=",
    "a value that needs eval": r"js:|javascript:",
    "a trigger filter, which needs eval": r'hx-trigger="[^"]*\[',
    "an inline style": r"\bstyle=|<style",
    "an inline script": r"<script(?![^>]*\bsrc=)",
    "text that skips escaping": r"(?<!')\s\|\s*safe|autoescape false|Markup\(",
    "an address elsewhere": r"(?:src|href|action)=\"(?:https?:)?//",
}


@pytest.mark.parametrize("template", TEMPLATES, ids=lambda path: path.name)
@pytest.mark.parametrize("what", BANNED)
def test_no_template_has(template: Path, what: str) -> None:
    assert re.search(BANNED[what], template.read_text()) is None


def test_the_ban_would_catch_what_it_names() -> None:
    bad = (
        '<b hx-on:click="x">', '<b hx-vals="js:{}">', '<b hx-trigger="click[ctrlKey]">',
        '<b style="x">', "<script>x</script>", "{{ x | safe }}", '<img src="//cdn.example/x">',
    )  # fmt: skip
    for pattern, text in zip(BANNED.values(), bad, strict=True):
        assert re.search(pattern, text)


@pytest.mark.parametrize("path", OWN_STATIC, ids=lambda path: path.name)
def test_static_files_fetch_nothing_from_elsewhere(path: Path) -> None:
    assert re.search(r"https?://|@import|\beval\(|new Function", path.read_text()) is None


def luminance(colour: str) -> float:
    digits = colour.lstrip("#")
    full = "".join(each * 2 for each in digits) if len(digits) == 3 else digits
    parts = [int(full[at : at + 2], 16) / 255 for at in (0, 2, 4)]
    linear = [p / 12.92 if p <= 0.03928 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def tokens(theme: str) -> dict[str, str]:
    css = OWN_STATIC[0].read_text()
    found: dict[str, str] = {}
    for selector in (r":root", rf":root\.{theme}"):
        match = re.search(rf"^{selector}\s*\{{(.*?)\}}", css, re.MULTILINE | re.DOTALL)
        if match is not None:
            found |= dict(re.findall(r"--([a-z-]+):\s*(#[0-9a-fA-F]{3,6})\b", match[1]))
    return found


@pytest.mark.parametrize("theme", ["night", "red", "light"])
@pytest.mark.parametrize("ink", ["text", "dim", "good", "soon", "now", "person"])
def test_each_ink_can_be_read_on_each_ground(theme: str, ink: str) -> None:
    found = tokens(theme)
    for ground in ("ground", "raised"):
        outside("contrast/inks").saw(contrast(found[ink], found[ground]))
