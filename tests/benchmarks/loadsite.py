"""The site that loads are put on: server, broker, bare echo, boards and phones, each a process."""

import multiprocessing as mp
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

from tests.benchmarks.loadboards import ECHO_ROOT, PLAYS_S, Boards
from tests.benchmarks.loadphones import Door, Phones
from tests.benchmarks.round_trip import echo, mosquitto
from tests.system.house import Server, until

BOARDS = 200
PER_SECOND = 50.0


@dataclass(slots=True)
class Site:
    server: Server
    boards: Boards
    phones: Phones
    door: Door

    @property
    def pid(self) -> int:
        assert self.server.process is not None
        return self.server.process.pid

    @property
    def streams(self) -> int:
        return self.server.metric("haunt_streams")

    @property
    def handles(self) -> int:
        return len(list(Path(f"/proc/{self.pid}/fd").iterdir()))


def show_text(boards: int) -> str:
    """A board, a mat and a prop each, ten metres apart; props rest no time."""
    parts = ['[show]\nid = "load"\ntime_zone = "UTC"\n']
    parts += [
        f'[[board]]\nid = "b{n}"\nx_m = {10 * (n % 20)}\ny_m = {10 * (n // 20)}\n'
        f'[[sensor]]\nid = "s{n}"\nboard = "b{n}"\nkind = "mat"\n'
        f'[[prop]]\nid = "p{n}"\nboard = "b{n}"\n[[prop.behaviour]]\nid = "go"\n'
        f'duration_s = {PLAYS_S}\n[[link]]\nsensor = "s{n}"\nprop = "p{n}"\n'
        for n in range(boards)
    ]
    return "\n".join(parts)


@contextmanager
def site(folder: Path, boards: int = BOARDS) -> Iterator[Site]:
    with ExitStack() as ending:
        port = ending.enter_context(mosquitto(folder))
        bare = mp.Process(target=echo, args=(port, f"{ECHO_ROOT.decode()}/+/motion"), daemon=True)
        bare.start()
        ending.callback(bare.join)
        ending.callback(bare.kill)
        data, show = folder / "data", folder / "show.toml"
        data.mkdir()
        show.write_text(show_text(boards))
        server = Server(data, show, more=("--broker", f"mqtt://127.0.0.1:{port}")).start()
        ending.callback(server.kill)
        walkers = ending.enter_context(Boards(port, boards))
        until(lambda: server.metric("haunt_boards_here") == boards, "all boards to be here")
        door = Door(server.port, server.token)
        yield Site(server, walkers, ending.enter_context(Phones(door)), door)
