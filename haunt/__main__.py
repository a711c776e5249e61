"""The program `haunt`."""

from haunt.cli import app


def main() -> None:
    app()


if __name__ == "__main__":
    main()
