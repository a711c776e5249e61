"""Goal: boards that lose one circuit together are one errand, by the show file as people wrote it.

Method: the garden of the examples, prepared; what shares a supply's circuit is named.
"""

from pathlib import Path

from haunt.live.prepare import prepare
from haunt.wire.showfile import read_show
from tests.live.gardenstage import Garden

GARDEN = Path(__file__).resolve().parents[2] / "haunt" / "examples" / "garden.toml"


def test_a_board_hangs_on_the_circuit_of_its_supply_and_one_on_a_pack_on_none() -> None:
    labels = prepare(read_show(GARDEN.read_text(), "garden").show).labels

    assert {"gate", "lanterns", "shed", "porch"} <= set(labels.circuits)
    assert set(labels.circuits.values()) == {"porch-outlet"}
    assert not {"well", "hedge", "clock", "tree"} & set(labels.circuits)


def test_boards_of_one_circuit_that_go_together_are_one_alert_that_names_it() -> None:
    prepared = prepare(read_show(GARDEN.read_text(), "garden").show)
    garden = Garden(of=prepared.show, labels=prepared.labels).open()
    for name in ("gate", "lanterns", "shed", "porch"):
        garden.boards[name].will()
    garden.run(30_000)

    alert = garden.alert()
    assert alert.what.startswith("porch-outlet: 4 boards lost: ")
    assert "ground-fault device" in alert.todo
