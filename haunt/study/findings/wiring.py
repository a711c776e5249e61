"""Pins: what moves, flickers or fails to start at switch-on, and which pins would be better."""

from haunt.study.findings import needs
from haunt.study.findings.ground import Ground
from haunt.study.findings.kinds import About, Finding, Items, Severity, Unchecked
from haunt.wire.boardfile import board_parts
from haunt.wire.showmodels import Board
from haunt.workshop.cautions import Topic
from haunt.workshop.pins import (
    Chip,
    Role,
    Trouble,
    chip_of,
    free_pins,
    pin_number,
    role_of,
    troubles,
)


def checks(ground: Ground) -> Items:
    for board in ground.show.boards:
        yield from _pinless(ground, board)
        chip = chip_of(board.model or "")
        if chip is None or not board.pins:
            yield Unchecked(needs.PINS, About("board", board.id))
            continue
        yield from _twice(ground, board)
        used = frozenset(
            number for each in board.pins.values() if (number := pin_number(each)) is not None
        )
        for name, pin in board.pins.items():
            number = pin_number(pin)
            if number is None:
                yield Unchecked(needs.PINS, About("board", board.id))
                continue
            role = _role(ground, board, name)
            for trouble in troubles(chip, number, role)[:1]:
                free = free_pins(chip, used, role)
                yield _finding(ground, board, chip, (name, number, role), trouble, free)


def _pinless(ground: Ground, board: Board) -> Items:
    """A name that is mistyped is told by what then has no pin; the numbers are the wirer's own."""
    if not board.pins or not all(isinstance(pin, int) for pin in board.pins.values()):
        return
    left_out = board_parts(ground.show, board).pinless
    if left_out:
        yield Finding(
            Severity.NOTE,
            "pin-missing",
            ground.path("board", board.id, "pins"),
            About("board", board.id),
            f"{board.id} has no pin for {', '.join(left_out)}: its pins are called "
            f"{', '.join(board.pins)}. The file made for the board leaves those out.",
            "Give the pin the id of the sensor or prop, or PROP-PART, such as owl-eyes.",
        )


def _role(ground: Ground, board: Board, name: str) -> Role:
    """What the file says goes before what the name means."""
    if name in board.analog:
        return Role.ANALOG
    sensors = {each.id for each in ground.show.sensors if each.board == board.id}
    if name in board.inputs or name in sensors:
        return Role.INPUT
    return role_of(name)


def _twice(ground: Ground, board: Board) -> Items:
    seen: dict[int, str] = {}
    for name, pin in board.pins.items():
        number = pin_number(pin)
        if number is None:
            continue
        if number in seen:
            yield Finding(
                Severity.MUST,
                "pin-twice",
                ground.path("board", board.id, "pins", name),
                About("board", board.id),
                f"Pin {number} of {board.id} is {seen[number]} and {name} at once.",
                "Give one of them another pin.",
            )
        seen.setdefault(number, name)


def _finding(
    ground: Ground,
    board: Board,
    chip: Chip,
    pin: tuple[str, int, Role],
    trouble: Trouble,
    free: list[int],
) -> Finding:
    name, number, role = pin
    severity, why = _said(chip, name, number, role, trouble)
    better = f"Free and quiet: {', '.join(map(str, free))}." if free else "Use another board."
    moves = trouble is Trouble.MOVES_AT_SWITCH_ON and role is Role.MOTION
    return Finding(
        severity,
        f"pin-{trouble.value}",
        ground.path("board", board.id, "pins", name),
        About("board", board.id),
        f"{why[0].upper()}{why[1:]} ({board.id}, {chip.name}).",
        f"{better} Or hold the driver's input with a resistor to its resting side."
        if moves
        else better,
        caution=Topic.MOTION if moves else None,
    )


def _said(chip: Chip, name: str, pin: int, role: Role, trouble: Trouble) -> tuple[Severity, str]:
    """Return how bad it is and one clause of why."""
    if trouble is Trouble.MOVES_AT_SWITCH_ON:
        how = "toggles" if pin in chip.noisy else "is pulled high"
        severity, what = _AT_SWITCH_ON[role]
        return severity, f"{name} {what} at switch-on: pin {pin} {how} until the program runs"
    severity, words = _WORDS[trouble]
    strap = chip.words.get(pin, "another level than usual changes how it starts")
    return severity, words.format(name=name, pin=pin, strap=strap)


_AT_SWITCH_ON = {
    Role.MOTION: (Severity.MUST, "moves"),
    Role.LIGHT: (Severity.SHOULD, "lights up"),
    Role.SOUND: (Severity.NOTE, "clicks"),
}
_WORDS = {
    Trouble.NO_SUCH_PIN: (Severity.MUST, "there is no pin {pin} for {name}"),
    Trouble.FLASH: (Severity.MUST, "pin {pin} of {name} belongs to the flash memory: no start"),
    Trouble.INPUT_ONLY: (Severity.MUST, "pin {pin} only reads: {name} can never be switched by it"),
    Trouble.STOPS_BOOT: (Severity.SHOULD, "pin {pin} of {name} is read at switch-on: {strap}"),
    Trouble.NOT_WITH_WIFI: (
        Severity.MUST,
        "pin {pin} of {name} cannot be measured while Wi-Fi is on",
    ),
    Trouble.FALSE_INTERRUPTS: (
        Severity.SHOULD,
        "pin {pin} of {name} may report motion that nobody made",
    ),
    Trouble.MAYBE_MEMORY: (
        Severity.NOTE,
        "pin {pin} of {name} belongs to the extra memory, if there is any",
    ),
    Trouble.SERIAL: (Severity.NOTE, "pin {pin} of {name} is also the serial line"),
}
