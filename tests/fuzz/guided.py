"""`python -m tests.fuzz.guided RUNS`: the payload decoder under atheris, which follows coverage.

atheris is not among the packages of the tests: pip install atheris.
"""

import sys

import atheris  # type: ignore[import-untyped]

with atheris.instrument_imports(include=["haunt.wire"]):
    from haunt.wire.payloads import decode  # noqa: F401 - instrumented by its import
    from tests.fuzz.payloads import KINDS, grains, try_one


def one(raw: bytes) -> None:
    if raw:
        try_one(KINDS[raw[0] % len(KINDS)], raw[1:])


def main(runs: str) -> None:
    import tempfile  # noqa: PLC0415
    from pathlib import Path  # noqa: PLC0415

    with tempfile.TemporaryDirectory() as corpus:
        for number, grain in enumerate(grains()):
            for kind in range(len(KINDS)):
                (Path(corpus) / f"{number}-{kind}").write_bytes(bytes([kind]) + grain)
        atheris.Setup([sys.argv[0], corpus, f"-runs={runs}", "-max_len=2050"], one)
        atheris.Fuzz()


if __name__ == "__main__":
    main(sys.argv[1])
