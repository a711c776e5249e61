"""Mosquitto kept as a child: configured here, outliving a killed controller, adopted later.

Nothing else writes its folder.
"""

import os
import shutil
import signal
import socket
import subprocess
import time
from pathlib import Path

from haunt.mqtt.credentials import Credentials, write_private

START_S = 5.0
POLL_S = 0.005


class BrokerFailed(Exception):  # noqa: N818 - the word says what happened
    """The kept broker would not start: its own last words."""


def mosquitto() -> str | None:
    """Return the binary's path; Debian keeps it outside most people's PATH."""
    return shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")


def configuration(folder: Path, host: str, port: int, user: str | None) -> str:
    """Write the settings that the promises about lost motions rest on."""
    lines = [
        f"listener {port} {host}",
        "allow_anonymous false",
        f"password_file {folder / 'passwords'}",
        f"acl_file {folder / 'acl'}",
        "use_username_as_clientid true",
        "max_packet_size 4096",
        "set_tcp_nodelay true",
        "max_inflight_messages 0",
        "max_queued_messages 20000",
        "persistence true",
        f"persistence_location {folder}/",
        "autosave_interval 1",
        "autosave_on_changes true",
        f"log_dest file {folder / 'log'}",
        "log_type error",
        "log_type warning",
        "connection_messages false",
        f"pid_file {folder / 'pid'}",
    ]
    if user is not None:
        lines.append(f"user {user}")
    return "\n".join(lines) + "\n"


class KeptBroker:
    """`port` is known after `start`."""

    def __init__(self, binary: str, credentials: Credentials, host: str, port: int) -> None:
        self._binary, self._credentials = binary, credentials
        self._folder = credentials.folder.resolve()
        self.host, self.port = host, port
        self.pid: int | None = None

    def start(self) -> "KeptBroker":
        """Adopt the one that runs, or start one. Raises BrokerFailed."""
        self._credentials.controller_password()
        self._credentials.write_files()
        if self._adopt():
            self.reload()
            return self
        if self.port == 0:
            self.port = _free_port(self.host)
        config = self._folder / "mosquitto.conf"
        user = "root" if os.geteuid() == 0 else None
        write_private(config, configuration(self._folder, self.host, self.port, user))
        write_private(self._folder / "port", str(self.port))
        child = subprocess.Popen(  # noqa: S603 - our own configuration, no shell
            [self._binary, "-c", str(config)],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        self.pid = child.pid
        self._await(child)
        return self

    def reload(self) -> None:
        """Make changed passwords and ACLs count; sessions go on."""
        if self.pid is not None:
            os.kill(self.pid, signal.SIGHUP)

    def stop(self) -> None:
        if self.pid is None:
            return
        try:
            os.kill(self.pid, signal.SIGTERM)
            for _ in range(400):
                if os.waitpid(self.pid, os.WNOHANG)[0]:
                    break
                time.sleep(POLL_S)
        except (ProcessLookupError, ChildProcessError):
            pass  # gone already, or another process's child
        self.pid = None

    def _adopt(self) -> bool:
        pid, port = _number(self._folder / "pid"), _number(self._folder / "port")
        if pid is None or port is None or (self.port not in (0, port)):
            return False
        try:
            words = Path(f"/proc/{pid}/cmdline").read_bytes().split(b"\0")
        except OSError:
            return False
        if str(self._folder / "mosquitto.conf").encode() not in words:
            return False
        if not _answers(self.host, port):
            return False
        self.pid, self.port = pid, port
        return True

    def _await(self, child: "subprocess.Popen[bytes]") -> None:
        until = time.monotonic() + START_S
        while not _answers(self.host, self.port):
            if child.poll() is not None or time.monotonic() > until:
                raise BrokerFailed(
                    f"mosquitto did not start on {self.host}:{self.port}: {self._last_words()}"
                )
            time.sleep(POLL_S)

    def _last_words(self) -> str:
        try:
            lines = (self._folder / "log").read_text(errors="replace").splitlines()
        except OSError:
            return "it left no log"
        return " / ".join(lines[-3:])


def _number(path: Path) -> int | None:
    try:
        return int(path.read_text().strip())
    except (OSError, ValueError):
        return None


def _answers(host: str, port: int) -> bool:
    try:
        with socket.create_connection((host if host != "0.0.0.0" else "127.0.0.1", port), 0.5):  # noqa: S104
            return True
    except OSError:
        return False


def _free_port(host: str) -> int:
    with socket.socket() as probe:
        probe.bind((host, 0))
        port: int = probe.getsockname()[1]
        return port
