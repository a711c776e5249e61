"""Prints every sum beside what others published, as a table: `python -m tests.workshop.table`."""

from tests.outside.rows import Proof
from tests.workshop.outside import CHECKS, Outside

HEAD = "| what | source | value | ours | deviation | tolerance | proof |"


def rows() -> list[str]:
    return [HEAD, "| --- | --- | --- | --- | --- | --- | --- |", *map(_row, CHECKS)]


def _row(of: Outside) -> str:
    unit = f" {of.unit}" if of.unit else ""
    return (
        f"| {of.what} | {of.source} | {of.value:.6g}{unit} | {of.ours:.6g} | "
        f"{of.deviation:+.2g} | {of.tolerance:.2g} | {of.proof} |"
    )


def main() -> None:
    for row in rows():
        print(row)
    print()
    counted = ", ".join(f"{sum(each.proof is proof for each in CHECKS)} {proof}" for proof in Proof)
    print(
        f"{len(CHECKS)} values: {counted}; {sum(not each.holds for each in CHECKS)} out of bounds"
    )


if __name__ == "__main__":
    main()
