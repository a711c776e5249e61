"""Loads the firmware's own modules by path, so that simulated boards are the real ones.

They import each other by plain names, as they do on a board; those names are lent to them only
while they load.
"""

import importlib
import json
import sys
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import Any

from haunt.study.ports import Brain

NAMES = (
    "payloads",
    "packets",
    "config",
    "beats",
    "outbox",
    "tracks",
    "brain",
    "session",
    "script",
    "loop",
    "board",
)


def firmware_folder() -> Path:
    package = Path(__file__).resolve().parent.parent
    installed = package / "_firmware"
    return installed if installed.is_dir() else package.parent / "firmware_stub"


@cache
def firmware() -> dict[str, ModuleType]:
    """Return the modules by name."""
    before = {name: sys.modules.pop(name) for name in NAMES if name in sys.modules}
    sys.path.insert(0, str(firmware_folder()))
    try:
        return {name: importlib.import_module(name) for name in NAMES}
    finally:
        sys.path.remove(str(firmware_folder()))
        for name in NAMES:
            sys.modules.pop(name, None)
        sys.modules.update(before)


def make_brain(config: dict[str, Any], boot: str, reset: str, ms: int) -> Brain:
    """Satisfies `study.ports.MakeBrain`."""
    modules = firmware()
    brain: Brain = modules["brain"].Brain(
        modules["config"].parse(json.dumps(config)), boot, reset, ms
    )
    return brain
