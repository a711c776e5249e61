"""Where the program's log goes: standard error, warnings alone, or all of it as text or as JSON."""

import json
import logging
from typing import Final, TextIO

from haunt.live.loglines import LogLine

ROOT: Final = "haunt"


class JsonLines(logging.Formatter):
    """One object a line; the facts of a line of the night are keys of their own."""

    def format(self, record: logging.LogRecord) -> str:
        line = getattr(record, "line", None)
        found: dict[str, object] = {"level": record.levelname.lower(), "logger": record.name}
        if isinstance(line, LogLine):
            found["what"] = line.what
            found.update((key, value) for key, value in line.facts if value is not None)
        else:
            found["what"] = record.getMessage()
        if record.exc_info:
            found["trace"] = self.formatException(record.exc_info)
        return json.dumps(found, separators=(",", ":"))


def set_up(kind: str, stream: TextIO) -> None:
    """`kind` is warnings, text or json. A second call takes the place of the first."""
    root = logging.getLogger(ROOT)
    for handler in list(root.handlers):
        root.removeHandler(handler)
    if kind == "warnings":
        root.setLevel(logging.NOTSET)  # as without us: the last resort writes warnings
        return
    handler = logging.StreamHandler(stream)
    text = logging.Formatter("%(levelname)s %(name)s %(message)s")
    handler.setFormatter(JsonLines() if kind == "json" else text)
    root.addHandler(handler)
    root.setLevel(logging.INFO)
