"""How one of two servers reaches its database and its broker, and how it is cut off from them."""

from contextlib import ExitStack
from typing import Final, Protocol, Self

from tests.soak.proxy import PASS, SWALLOW, Proxy

CUT_OFF: Final = "cut off by a proxy"
DATABASE_AWAY: Final = "cut off from the database alone by a proxy"
BROKER_AWAY: Final = "cut off from the broker alone by a proxy"
PROXY_CUTS: Final = (DATABASE_AWAY, BROKER_AWAY, CUT_OFF)


class Way(Protocol):
    """`before` goes before the server's command; `own` is where its pages may listen.

    `space` is the network namespace that it is in, if it has one.
    """

    before: list[str]
    own: str
    space: str

    def database(self, port: int) -> str: ...
    def broker(self, port: int) -> str: ...
    def cut(self, kind: str) -> None: ...
    def mend(self) -> None: ...


class ProxyWay:
    """Through two proxies that take everything and hand on nothing, on the machine's loopback."""

    def __init__(self) -> None:
        self.before: list[str] = []
        self.own, self.space = "127.0.0.1", ""
        self._wires: dict[str, Proxy] = {}
        self._ending = ExitStack()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._ending.close()

    def database(self, port: int) -> str:
        return self._wire("database", port)

    def broker(self, port: int) -> str:
        return self._wire("broker", port)

    def _wire(self, name: str, port: int) -> str:
        if name not in self._wires:
            self._wires[name] = self._ending.enter_context(Proxy(port))
        return f"127.0.0.1:{self._wires[name].port}"

    def cut(self, kind: str) -> None:
        if kind != BROKER_AWAY:
            self._wires["database"].mode = SWALLOW
        if kind != DATABASE_AWAY:
            self._wires["broker"].mode = SWALLOW

    def mend(self) -> None:
        for each in self._wires.values():
            each.mode = PASS
            each.cut()
