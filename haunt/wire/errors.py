"""Errors of the wire, each saying whose fault it is; the words never carry a whole payload."""

from typing import Final

PAYLOAD_BYTES_MAX: Final = 2048


class WireError(ValueError):
    """Base of the leaves below; raising it itself would leave open whose fault it is."""

    def __init__(self, message: str) -> None:
        if type(self) is WireError:
            raise TypeError("raise a leaf that says whose fault it is")
        super().__init__(message)


class BoardSpokeNonsense(WireError):  # noqa: N818  (says whose fault it is)
    """Their fault: a message that keeps to no payload of the contract. Count it and go on."""

    def __init__(self, kind: str, why: str) -> None:
        super().__init__(f"{kind}: {why}")
        self.kind = kind
        self.why = why


class WeSpokeTooLong(WireError):  # noqa: N818  (same)
    """Our fault: a payload that no board has to take."""

    def __init__(self, kind: str, length: int) -> None:
        super().__init__(f"{kind}: {length} bytes; allowed: at most {PAYLOAD_BYTES_MAX}")
        self.kind = kind
        self.length = length
