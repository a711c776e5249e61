"""Mosquitto kept as a child: configured here, outliving a killed controller, adopted later.

Nothing else writes its folder. While it is kept, a broker that dies is started again.
"""

import os
import resource
import shutil
import signal
import subprocess
import threading
import time
from contextlib import suppress
from pathlib import Path

from haunt.mqtt.credentials import CredentialRefused, Credentials, write_private
from haunt.mqtt.listening import (
    POLL_S,
    START_S,
    BrokerFailed,
    free_port,
    is_free,
    speaks,
    wait_until_free,
)

END_S = 5.0
KEEP_S = 0.25
RETRY_MAX_S = 30.0
LOG_MAX_BYTES = 1_000_000

PROMISED = (
    "max_packet_size 4096",
    "set_tcp_nodelay true",
    "max_inflight_messages 0",
    "max_queued_messages 20000",
    # Every second, not at every change: that writes the whole queue to disk and waits for it,
    # six times a motion. Measured: 5.7 ms in place of 0.07 through the broker, and what was
    # not read yet as it died was more than what was not saved.
    "autosave_interval 1",
    "autosave_on_changes false",
)
"""Settings of the broker, whoever keeps it, that the promises about lost motions rest on."""


class _EndedAtOnce(BrokerFailed):
    """It began and gave up, as it does where it cannot read its own files."""


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
        *PROMISED,
        "persistence true",
        f"persistence_location {folder}/",
        "log_dest stderr",
        "log_type error",
        "log_type warning",
        "connection_messages false",
        f"pid_file {folder / 'pid'}",
    ]
    if user is not None:
        lines.append(f"user {user}")
    return "\n".join(lines) + "\n"


def running_pid(folder: Path) -> int | None:
    """Return the pid of the Mosquitto that runs on this folder's configuration, if one does.

    A pid file alone proves nothing: after a power cut its number belongs to somebody else.
    """
    pid = _number(folder / "pid")
    return pid if pid is not None and _is_ours(pid, folder) else None


def reload_running(folder: Path) -> bool:
    """Tell the broker, whoever started it, that its files changed. False if none runs."""
    pid = running_pid(folder.resolve())
    if pid is None:
        return False
    os.kill(pid, signal.SIGHUP)
    return True


class KeptBroker:
    """`port` and `pid` are known after `start`; both hold over a restart of the broker."""

    def __init__(self, binary: str, credentials: Credentials, host: str, port: int) -> None:
        self._binary, self._credentials = binary, credentials
        self._folder = credentials.folder.resolve()
        self._config = self._folder / "mosquitto.conf"
        self.host, self.port = host, port
        self.pid: int | None = None
        self.restarts = 0
        self.last_fault = ""
        self.end_s = END_S
        self._child: subprocess.Popen[bytes] | None = None
        self._stopping = threading.Event()
        self._keeper = threading.Thread(target=self._keep, name="broker-keeper", daemon=True)

    def start(self) -> "KeptBroker":
        """Adopt the one that runs, or start one. Raises BrokerFailed."""
        try:
            self._credentials.controller_password()
            self._credentials.write_files()
        except CredentialRefused as refused:
            raise BrokerFailed(str(refused)) from refused
        self._choose_port()
        if not self._adopt():
            self._launch_at_all()
        self._keeper.start()
        return self

    def reload(self) -> None:
        """Make changed passwords and ACLs count: who may no longer sign in is cut off."""
        reload_running(self._folder)

    def stop(self, *, leave_running: bool = False) -> None:
        """Stop keeping it, and end it unless it is to be left for the next start."""
        self._stopping.set()
        if self._keeper.is_alive():
            self._keeper.join(START_S + END_S)
        if not leave_running and self.pid is not None:
            self._end(self.pid)
            self.pid = None

    # --- starting

    def _choose_port(self) -> None:
        """Port 0 is drawn once: boards are told it, so it is kept while it can be had."""
        if self.port != 0:
            return
        known = _number(self._folder / "port")
        if known is not None and (
            running_pid(self._folder) is not None or is_free(self.host, known)
        ):
            self.port = known
        else:
            self.port = free_port(self.host)

    def _text(self) -> str:
        user = "root" if os.geteuid() == 0 else None  # else it drops to a user that cannot read
        return configuration(self._folder, self.host, self.port, user)

    def _adopt(self) -> bool:
        """Take over one that answers and runs on these very settings; end any other of ours."""
        pid = running_pid(self._folder)
        if pid is None:
            return False
        if self._config.read_text() != self._text() or not speaks(self.host, self.port, 1.0):
            self._end(pid)
            return False
        self._child, self.pid = None, pid
        self.reload()
        return True

    def _launch_at_all(self) -> None:
        """Without its sessions where Mosquitto cannot read them: it would never start again.

        What the controller keeps itself, stop and settings, it tells anew; what only the file had
        shows in the boards' counters.
        """
        sessions = self._folder / "mosquitto.db"
        aside = sessions.with_name("mosquitto.db.damaged")
        try:
            self._launch()
        except _EndedAtOnce as fault:
            if not sessions.exists():
                raise
            sessions.replace(aside)
            try:
                self._launch()
            except BrokerFailed:
                aside.replace(sessions)  # they were not what stood in the way
                raise
            self.last_fault = f"started without its sessions, which are set aside: {fault}"

    def _launch(self) -> None:
        wait_until_free(self.host, self.port)
        write_private(self._config, self._text())
        write_private(self._folder / "port", str(self.port))
        log = self._folder / "log"
        if log.exists() and log.stat().st_size > LOG_MAX_BYTES:
            log.replace(log.with_name("log.1"))
        with os.fdopen(os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600), "ab") as out:
            child = subprocess.Popen(  # noqa: S603 - our own configuration, no shell
                [self._binary, "-c", str(self._config)],
                stdin=subprocess.DEVNULL,
                stdout=out,
                stderr=out,
                start_new_session=True,
            )
        self._child, self.pid = child, child.pid
        _give_files(child.pid)
        self._await(child)

    def _await(self, child: "subprocess.Popen[bytes]") -> None:
        until = time.monotonic() + START_S
        while child.poll() is None and time.monotonic() < until:
            if speaks(self.host, self.port, POLL_S * 20):
                return
            time.sleep(POLL_S)
        failure = BrokerFailed if child.poll() is None else _EndedAtOnce
        child.kill()
        child.wait()
        raise failure(f"mosquitto did not start on {self.host}:{self.port}: {self._last_words()}")

    def _last_words(self) -> str:
        try:
            lines = (self._folder / "log").read_text(errors="replace").splitlines()
        except OSError:
            return "it left no log"
        return " / ".join(lines[-3:]) or "it said nothing"

    # --- keeping and ending

    def _keep(self) -> None:
        pause_s = KEEP_S
        while not self._stopping.wait(pause_s):
            if self._is_alive():
                pause_s = KEEP_S
                continue
            try:
                if not self._adopt():
                    self._launch_at_all()
                    self.restarts += 1
            except (BrokerFailed, OSError) as fault:
                self.last_fault = str(fault)
                pause_s = min(RETRY_MAX_S, pause_s * 2)

    def _is_alive(self) -> bool:
        if self._child is not None:
            return self._child.poll() is None
        return self.pid is not None and _is_ours(self.pid, self._folder)

    def _end(self, pid: int) -> None:
        """End it in order, so that it saves its sessions; by force where it does not listen."""
        for sign in (signal.SIGTERM, signal.SIGKILL):
            if not _is_ours(pid, self._folder):  # a zombie is nobody's any more
                break
            with suppress(ProcessLookupError):
                os.kill(pid, sign)
            until = time.monotonic() + self.end_s
            while _is_ours(pid, self._folder) and time.monotonic() < until:
                time.sleep(POLL_S)
        if self._child is not None:
            with suppress(subprocess.TimeoutExpired):
                self._child.wait(END_S)  # else it would stay on as a zombie


def _give_files(pid: int) -> None:
    """Let it open as many files as the system allows.

    With the usual 1,024 a thousand silent strangers, whom Mosquitto bears for 90 s each, would
    keep every board out.
    """
    if hasattr(resource, "prlimit"):  # elsewhere it has what we have
        with suppress(OSError):
            _soft, hard = resource.prlimit(pid, resource.RLIMIT_NOFILE)
            resource.prlimit(pid, resource.RLIMIT_NOFILE, (hard, hard))


def _is_ours(pid: int, folder: Path) -> bool:
    """Compare the command line: a pid may have gone to another program meanwhile."""
    wanted = str(folder / "mosquitto.conf")
    try:
        return wanted.encode() in Path(f"/proc/{pid}/cmdline").read_bytes().split(b"\0")
    except OSError:
        if Path("/proc/self").exists():
            return False
    found = subprocess.run(  # noqa: S603 - a number we made
        ["ps", "-p", str(pid), "-o", "args="],  # noqa: S607 - where there is no /proc
        capture_output=True,
        text=True,
        check=False,
    )
    return found.stdout.rstrip().endswith(wanted)


def _number(path: Path) -> int | None:
    try:
        return int(path.read_text().strip())
    except (OSError, ValueError):
        return None
