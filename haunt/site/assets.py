"""Where templates and static files are: in the checkout, or beside the package when installed."""

from pathlib import Path


def web_folder() -> Path:
    package = Path(__file__).resolve().parent.parent
    installed = package / "_web"
    return installed if installed.is_dir() else package.parent / "web"
