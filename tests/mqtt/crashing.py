"""A client in a process of its own, to be killed: prints each message, acknowledges some.

`python -m tests.mqtt.crashing PORT` acknowledges what ends with `keep`, and says so on its output
before anybody can kill it.
"""

import sys

from tests.fakes.mqtt_line import Inbox
from tests.mqtt.rig import account, running


def main(port: int) -> None:
    inbox = Inbox()
    with running(account(port), inbox.deliver) as client:
        while True:
            arrival = inbox.arrival()
            if arrival.receipt is not None and arrival.payload.endswith(b"keep"):
                client.acknowledge(arrival.receipt)
            print(arrival.payload.decode(), flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]))
