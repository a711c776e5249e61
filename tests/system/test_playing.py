"""Goal: whoever has no board sees a prop answer all the same, by the line that the pages print.

Method: the real server; the credential page's own file and its own line, run as typed; Enter.
"""

import json
import os
import re
import shlex
import subprocess
import urllib.parse
import urllib.request
from collections.abc import Iterator
from html import unescape
from pathlib import Path

import pytest

from tests.system.house import BIN, House, until

pytestmark = pytest.mark.system

SHOW = """
[show]
id = "yard"
time_zone = "UTC"
[[board]]
id = "gate"
pins = { gate-mat = 4, lantern = 16 }
[[sensor]]
id = "gate-mat"
board = "gate"
kind = "mat"
[[prop]]
id = "lantern"
board = "gate"
cooldown_s = 1
[[prop.behaviour]]
id = "glow"
duration_s = 1
[[link]]
sensor = "gate-mat"
prop = "lantern"
"""


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    with House(tmp_path, SHOW) as found:
        yield found


def pages(house: House) -> urllib.request.OpenerDirector:
    """Sign in as the first owner, by the link that the server printed."""
    opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
    opener.addheaders = [("Origin", house.server.url)]
    log = (house.folder / "server.log").read_text(encoding="utf-8")
    [link] = re.findall(r"http\S+/set-up\S+", log)[:1]
    token = _token(opener.open(link).read().decode())
    said = {"name": "Mara", "password": "three wet lanterns", **token}
    opener.open(link, urllib.parse.urlencode(said).encode())
    return opener


def _token(page: str) -> dict[str, str]:
    found = re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)"', page)
    return {name: unescape(value) for name, value in found}


def test_the_line_that_the_page_prints_plays_the_board(house: House) -> None:
    opener = pages(house)
    form = _token(opener.open(f"{house.server.url}/boards/gate").read().decode())
    made = urllib.parse.urlencode(form).encode()
    page = opener.open(f"{house.server.url}/boards/gate/credential", made).read().decode()
    file, line = (unescape(each) for each in re.findall(r"<pre>(.*?)</pre>", page, re.DOTALL))
    (house.folder / "gate.json").write_text(file, encoding="utf-8")

    with (house.folder / "played").open("wb") as said:
        player = subprocess.Popen(
            shlex.split(line),
            cwd=house.folder,
            env={**os.environ, "PATH": f"{BIN}:{os.environ['PATH']}"},
            stdin=subprocess.PIPE,
            stdout=said,
            stderr=said,
        )
    try:
        assert player.stdin is not None
        until(lambda: house.server.prop("lantern")["here"], "the board to be here")
        player.stdin.write(b"\n")
        player.stdin.flush()
        until(lambda: house.server.decisions(outcome="fired"), "the prop to answer")
        words = until(
            lambda: re.findall("lantern: .* on", (house.folder / "played").read_text()), "the lamp"
        )
    finally:
        player.kill()
        player.communicate(timeout=15)
    assert words == ["lantern: lantern on"]


def test_a_file_that_is_wrong_is_refused_in_words(tmp_path: Path) -> None:
    path = tmp_path / "gate.json"
    for raw, told in (("{", "the file is not JSON"), (json.dumps({"id": "gate"}), "host")):
        path.write_text(raw, encoding="utf-8")
        out = subprocess.run(
            [str(BIN / "haunt"), "boards", "play", str(path)],
            capture_output=True,
            text=True,
            check=False,
        )
        assert out.returncode == 1
        assert told in out.stderr
        assert "Traceback" not in out.stderr
