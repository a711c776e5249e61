"""The program `haunt`."""

import gc

from haunt.cli import app


def main() -> None:
    try:
        app()
    finally:
        # What is left goes with the process: looking through all of it first takes as long again
        # as the whole orderly end, and whoever restarts us waits for it.
        gc.freeze()


if __name__ == "__main__":
    main()
