"""Goal: the image builds from docker/Dockerfile, and its server runs in it without root's rights.

Method: buildah builds it on a base made by debootstrap, so that no registry is asked. The server
is started in it as the user that the image names, and asked from inside.
"""

import json
import os
import shlex
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.system.house import free_port

pytestmark = [
    pytest.mark.system,
    pytest.mark.skipif(os.geteuid() != 0, reason="images are built by root"),
]
ROOT = Path(__file__).resolve().parents[2]
AUTHORITIES = Path("/etc/ssl/certs/ca-certificates.crt")
PACKAGES = "python3,python3-venv,mosquitto"
BUILD_S = 1200
MEMORY = Path("/dev/shm")
ROOM_BYTES = 6 * 2**30

SMOKE = """
set -eu
cd /data
touch /tmp/begun
test "$(id -u)" = 10001
if touch /opt/haunt/x 2>/dev/null; then echo "it may write its own program"; exit 1; fi
haunt serve --data /data --listen 127.0.0.1:8080 --mqtt 127.0.0.1:{mqtt} >/data/log 2>&1 &
server=$!
for wait in $(seq 1 100); do
  if {health}; then break; fi
  kill -0 $server || {{ cat /data/log; exit 1; }}
  sleep 0.2
done
{health}
haunt tokens add --role watch --data /data --json > /data/token
python3 - <<'P'
import json, urllib.request as r
token = json.load(open("/data/token"))["token"]
asked = r.Request("http://127.0.0.1:8080/readyz", headers={{"authorization": "Bearer " + token}})
print("READY", r.urlopen(asked, timeout=5).read().decode())
P
kill -TERM $server
wait $server
find / -xdev -user 10001 -newer /tmp/begun -not -path '/data*' -not -path '/tmp*' \
    -not -path '/proc/*' 2>/dev/null | sed 's/^/WROTE /' | head -5
"""


class Buildah:
    """Images in a folder of their own, without a daemon: vfs and chroot need no kernel's help."""

    def __init__(self, folder: Path) -> None:
        store, run = folder / "store", folder / "run"
        places = ["--root", str(store), "--runroot", str(run)]
        self._words = ["buildah", *places, "--storage-driver", "vfs"]

    def __call__(self, *words: str | Path, seconds: int = BUILD_S) -> str:
        found: subprocess.CompletedProcess[str] = subprocess.run(
            [*self._words, *map(str, words)],
            check=False,
            capture_output=True,
            text=True,
            timeout=seconds,
            cwd=ROOT,
            env={**os.environ, "BUILDAH_ISOLATION": "chroot"},
        )
        assert found.returncode == 0, f"{words}:\n{found.stdout[-3000:]}{found.stderr[-3000:]}"
        return found.stdout.strip()


@pytest.fixture(scope="module")
def room(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """In memory where there is plenty: on a disk dpkg waits for it after every file."""
    plenty = MEMORY.is_dir() and shutil.disk_usage(MEMORY).free > ROOM_BYTES
    folder = Path(tempfile.mkdtemp(dir=MEMORY)) if plenty else tmp_path_factory.mktemp("images")
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture(scope="module")
def buildah(room: Path) -> Buildah:
    return Buildah(room)


def trusting() -> tuple[str, ...]:
    """Whom this machine trusts, the build trusts too: there may be a proxy between."""
    if not AUTHORITIES.exists():
        return ()
    return ("--build-arg", f"PIP_CERT={AUTHORITIES}", "-v", f"{AUTHORITIES}:{AUTHORITIES}:ro")


@pytest.fixture(scope="module")
def image(buildah: Buildah, room: Path) -> str:
    root = room / "debian"
    subprocess.run(
        ["debootstrap", "--variant=minbase", f"--include={PACKAGES}", "bookworm", root],
        check=True,
        capture_output=True,
        timeout=BUILD_S,
    )
    shutil.rmtree(root / "var" / "cache" / "apt")
    base = buildah("from", "scratch")
    buildah("add", base, root, "/")
    shutil.rmtree(root)
    buildah("commit", "--rm", base, "haunt-base")
    buildah(
        *("bud", "--format", "docker", "--pull-never", "--network", "host"),
        *("--build-arg", "BASE=localhost/haunt-base", *trusting()),
        *("-f", "docker/Dockerfile", "-t", "haunt", "."),
    )
    return "localhost/haunt"


def test_the_image_names_a_user_a_volume_and_a_health_check(buildah: Buildah, image: str) -> None:
    told = json.loads(buildah("inspect", "--type", "image", image))["Docker"]["config"]

    assert told["User"] == "10001"
    assert list(told["Volumes"]) == ["/data"]
    assert told["Entrypoint"] == ["haunt"]
    assert told["Healthcheck"]["Test"][:2] == ["CMD", "python3"]


def test_its_server_runs_inside_it_and_writes_its_volume_alone(
    buildah: Buildah, image: str
) -> None:
    told = json.loads(buildah("inspect", "--type", "image", image))["Docker"]["config"]
    health = shlex.join(told["Healthcheck"]["Test"][1:])
    container = buildah("from", image)
    script = SMOKE.format(mqtt=free_port(), health=f"{health} 2>/dev/null")
    said = buildah("run", "--network", "host", container, "--", "sh", "-c", script, seconds=120)

    assert '"ready":true' in said.replace(" ", "")
    assert "WROTE" not in said
