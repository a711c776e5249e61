"""Where templates and static files are: in the checkout, or beside the package when installed."""

from functools import cache
from hashlib import sha256
from pathlib import Path


def web_folder() -> Path:
    package = Path(__file__).resolve().parent.parent
    installed = package / "_web"
    return installed if installed.is_dir() else package.parent / "web"


@cache
def static_url(name: str) -> str:
    """Return an address that changes with the file, so that phones may keep it for good."""
    content = (web_folder() / "static" / name).read_bytes()
    return f"/static/{name}?v={sha256(content).hexdigest()[:10]}"
