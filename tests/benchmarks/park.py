"""A park of shows on one machine: a server each, one broker, one PostgreSQL, a database a show.

`python -m tests.benchmarks.park [SHOWS] [PROPS] [SECONDS]` prints latency beside a bare echo on the
same broker, the rate with 64 motions under way over all shows, memory and processor time a show.
"""

import multiprocessing as mp
import os
import sys
import tempfile
import time
from contextlib import ExitStack
from pathlib import Path
from typing import Any, Final, NamedTuple

from tests.benchmarks.round_trip import Driver, Figures, echo, figures, mosquitto, show_text
from tests.cluster import Cluster
from tests.system.house import Server

TICKS: Final = os.sysconf("SC_CLK_TCK")
PAGE_MB: Final = os.sysconf("SC_PAGE_SIZE") / 1e6
PER_SECOND: Final = 50.0
"""Motions of all shows together."""


class Park(NamedTuple):
    """`start_s` is of all servers one after the other; memory and processor time are a show's."""

    echo: Figures
    ours: Figures
    start_s: float
    memory_mb: float
    database_mb: float
    busy_percent: float


def _drive(port: int, props: int, roots: tuple[str, ...], seconds: float, out: Any) -> None:
    driver = Driver(port, props, roots)
    driver.hello()
    time.sleep(2)
    driver.latency(1, PER_SECOND)
    took = driver.latency(seconds, PER_SECOND)
    lost = int(seconds * PER_SECOND) - len(took)
    out.put(((took, lost), driver.rate(min(seconds, 5))))


def _driven(port: int, props: int, roots: tuple[str, ...], seconds: float) -> Figures:
    out: Any = mp.Queue()
    process = mp.Process(target=_drive, args=(port, props, roots, seconds, out))
    process.start()
    latency, rate = out.get(timeout=seconds * 4 + 120)
    process.join()
    return figures(latency, rate)


def measure(shows: int, props: int, seconds: float) -> Park:
    roots = tuple(f"haunt/park{n}" for n in range(shows))
    with ExitStack() as ending:
        folder = Path(ending.enter_context(tempfile.TemporaryDirectory()))
        cluster = Cluster(safe=True)
        cluster.start()
        ending.callback(cluster.end)
        port = ending.enter_context(mosquitto(folder))
        bare = mp.Process(target=echo, args=(port,), daemon=True)
        bare.start()
        time.sleep(0.5)
        baseline = _driven(port, props, roots, seconds)
        bare.terminate()
        bare.join()
        began = time.monotonic()
        servers = [_serve(folder, n, props, port, cluster, ending) for n in range(shows)]
        start_s = time.monotonic() - began
        before = [_busy_s(each) for each in servers]
        began = time.monotonic()
        ours = _driven(port, props, roots, seconds)
        wall_s = time.monotonic() - began
        busy = sum(_busy_s(each) - at for each, at in zip(servers, before, strict=True))
        memory = sum(_memory_mb(_pid(each)) for each in servers) / shows
        database = sum(_memory_mb(pid) for pid in _family(cluster.pid()))
        return Park(baseline, ours, start_s, memory, database, 100 * busy / wall_s / shows)


def _serve(
    folder: Path, n: int, props: int, port: int, cluster: Cluster, ending: ExitStack
) -> Server:
    data, show = folder / f"park{n}" / "data", folder / f"park{n}.toml"
    data.mkdir(parents=True)
    show.write_text(show_text(props, f"park{n}"))
    url = cluster.url(cluster.fresh())
    more = ("--broker", f"mqtt://127.0.0.1:{port}", "--database", url)
    server = Server(data, show, more=more, token="not asked")
    ending.callback(server.kill)
    return server.start()


def _pid(server: Server) -> int:
    assert server.process is not None
    return server.process.pid


def _busy_s(server: Server) -> float:
    fields = Path(f"/proc/{_pid(server)}/stat").read_text().rpartition(") ")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICKS


def _memory_mb(pid: int) -> float:
    """What is its own: pages shared with others are not counted for each."""
    statm = Path(f"/proc/{pid}/statm").read_text().split()
    return (int(statm[1]) - int(statm[2])) * PAGE_MB


def _family(parent: int) -> list[int]:
    found = [parent]
    for each in Path("/proc").glob("[0-9]*"):
        try:
            fields = (each / "stat").read_text().rpartition(") ")[2].split()
        except OSError:
            continue
        if int(fields[1]) == parent:
            found.append(int(each.name))
    return found


def main() -> None:
    words = sys.argv[1:]
    shows = int(words[0]) if words else 20
    props = int(words[1]) if len(words) > 1 else 200
    seconds = float(words[2]) if len(words) > 2 else 20.0
    found = measure(shows, props, seconds)
    print(f"{shows} shows of {props} props, started one after the other in {found.start_s:.1f} s")
    print(f"a show: {found.memory_mb:.0f} MB of its own, {found.busy_percent:.1f} % of a core")
    print(f"PostgreSQL: {found.database_mb:.0f} MB of its own")
    print(f"{'':10}{'echo':>10}{'haunt':>10}{'ratio':>8}")
    for name in Figures._fields:
        a, b = getattr(found.echo, name), getattr(found.ours, name)
        print(f"{name:10}{a:10.2f}{b:10.2f}{b / a if a else 0:8.2f}")


if __name__ == "__main__":
    main()
