"""Open-circuit curves by a library, kept as data: each parameter set, and its chemistry."""

import json
from pathlib import Path
from typing import Final

TABLES: Final[dict[str, dict[str, float]]] = json.loads(
    (Path(__file__).parent / "data" / "open_circuit.json").read_text(encoding="utf-8")
)
SETS: Final = {"lipo": "Ai2020", "nmc": "Chen2020", "nca": "NCA_Kim2011", "lfp": "Prada2013"}
