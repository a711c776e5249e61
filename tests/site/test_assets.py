"""Goal: what phones load comes from here, is what it says it is, and may be kept for good.

Method: checksums against the list beside the files; addresses as pages give them.
"""

import re
from hashlib import sha256

import pytest

from haunt.site.assets import static_url, web_folder
from tests.site.stage import Stage

STATIC = web_folder() / "static"
ROW = re.compile(r"^\| (\S+) \|.*`([0-9a-f]{64})` \|$", re.MULTILINE)
LISTED = dict(ROW.findall((STATIC / "VENDORED.md").read_text()))
OURS = {"haunt.css", "haunt.js", "map.js", "icon.svg"}
CONTRACT = {
    "/api/v1/show": {"get", "put"},
    "/api/v1/props": {"get"},
    "/api/v1/props/{prop}": {"get", "patch"},
    "/api/v1/props/{prop}/fire": {"post"},
    "/api/v1/props/{prop}/hold": {"post"},
    "/api/v1/props/{prop}/release": {"post"},
    "/api/v1/hold": {"post"},
    "/api/v1/release": {"post"},
    "/api/v1/phase": {"post"},
    "/api/v1/sensors/{sensor}/mute": {"post"},
    "/api/v1/sensors/{sensor}/unmute": {"post"},
    "/api/v1/stop": {"post"},
    "/api/v1/stop/release": {"post"},
    "/api/v1/decisions": {"get"},
    "/api/v1/motions": {"get"},
    "/api/v1/health": {"get"},
    "/api/v1/reports": {"get"},
    "/api/v1/alerts": {"get"},
    "/api/v1/live": {"get"},
}


@pytest.mark.parametrize("name", sorted(LISTED))
def test_a_file_of_others_is_the_one_that_was_listed(name: str) -> None:
    assert sha256((STATIC / name).read_bytes()).hexdigest() == LISTED[name]


def test_every_script_and_style_sheet_is_ours_or_listed() -> None:
    found = {each.name for each in STATIC.iterdir() if each.suffix in {".js", ".css", ".svg"}}

    assert found == OURS | set(LISTED)


def test_a_page_names_its_files_by_content_and_they_are_kept_for_good(stage: Stage) -> None:
    address = static_url("haunt.css")

    assert address in stage.client.get("/").text
    assert "immutable" in stage.client.get(address).headers["cache-control"]
    assert "immutable" not in stage.client.get("/static/haunt.css").headers["cache-control"]


def test_docs_load_nothing_from_elsewhere(stage: Stage) -> None:
    text = stage.client.get("/docs").text

    assert re.findall(r'(?:src|href)="(?![/#])', text) == []
    for address in re.findall(r'(?:src|href)="(/[^"]+)"', text):
        assert stage.client.get(address).status_code in {200, 303}, address


def test_the_description_names_every_order_and_list(stage: Stage) -> None:
    paths = stage.client.get("/api/v1/openapi.json").json()["paths"]

    assert {path: set(paths.get(path, ())) for path in CONTRACT} == CONTRACT
    assert not [path for path in paths if not path.startswith("/api/v1/")]
