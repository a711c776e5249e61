"""The library broker as a child on loopback, for where no Mosquitto is; it ends with this process.

What runs in the child is `library.py`.
"""

import json
import subprocess
import sys
import time

from haunt.mqtt.credentials import Credentials, write_private
from haunt.mqtt.listening import LOOPBACK, POLL_S, START_S, BrokerFailed, answers, free_port

_PROGRAM = "import sys; from haunt.mqtt.library import main; main(*sys.argv[1:])"


class LibraryBroker:
    """amqtt as a child on loopback, for where no Mosquitto is; it ends with this process."""

    def __init__(self, credentials: Credentials, port: int) -> None:
        self._credentials = credentials
        self.host, self.port = LOOPBACK, port
        self._child: subprocess.Popen[bytes] | None = None

    def start(self) -> "LibraryBroker":
        """Raises BrokerFailed."""
        folder = self._credentials.folder.resolve()
        self._credentials.controller_password()
        names = {"root": self._credentials.root, "controller": self._credentials.controller}
        write_private(folder / "library.json", json.dumps(names))
        if self.port == 0:
            self.port = free_port(self.host)
        write_private(folder / "port", str(self.port))
        log = (folder / "library.log").open("wb")
        self._child = subprocess.Popen(  # noqa: S603 - our own module, no shell
            [sys.executable, "-c", _PROGRAM, str(folder), str(self.port)],
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=log,
            start_new_session=True,
        )
        log.close()
        until = time.monotonic() + START_S
        while not answers(self.host, self.port):
            if self._child.poll() is not None or time.monotonic() > until:
                raise BrokerFailed(f"the library broker did not start: see {folder}/library.log")
            time.sleep(POLL_S)
        return self

    def stop(self) -> None:
        if self._child is not None and self._child.stdin is not None:
            self._child.stdin.close()
            try:
                self._child.wait(2)
            except subprocess.TimeoutExpired:
                self._child.kill()
                self._child.wait()
