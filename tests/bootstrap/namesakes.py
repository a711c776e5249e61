"""Two servers want one name on the loopback interface: `python -m tests.bootstrap.namesakes`.

The first must keep it, the second must take the next. Takes about ten seconds.
"""

import sys
from queue import Queue

from haunt.bootstrap.naming import Announced, Naming

HERE = ("127.0.0.1",)
PATIENCE_S = 20


def main() -> int:
    said: Queue[str] = Queue()
    one = Naming(Announced("haunt-twice", 8080, HERE, interfaces=HERE), said.put)
    other = Naming(Announced("haunt-twice", 8081, ("127.0.0.2",), interfaces=HERE), said.put)
    try:
        one.start()
        print(said.get(timeout=PATIENCE_S))
        other.start()
        print(said.get(timeout=PATIENCE_S))
        good = (one.host, other.host) == ("haunt-twice.local", "haunt-twice-2.local")
        print("kept apart" if good else f"both took {one.host}, {other.host}")
    finally:
        one.stop()
        other.stop()
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
