"""A broker and a database of one's own for a trial: in a folder that is thrown away, on this machine only."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType

import psycopg

from ...analysis.errors import NotPossible

_ROOT = getattr(os, "geteuid", lambda: 1)() == 0


def find(program: str) -> str | None:
    """Where a program is; also where a distribution keeps the database's own, beside the path."""
    if found := shutil.which(program, path=f"{os.environ.get('PATH', '')}:/usr/sbin"):
        return found
    places = sorted(Path("/usr/lib/postgresql").glob(f"*/bin/{program}"))
    return str(places[-1]) if places else None


def missing() -> list[str]:
    """The programs that are not here."""
    return [name for name in ("mosquitto", "initdb", "postgres") if find(name) is None]


def free_port() -> int:
    """A port that nobody listens on now."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


class Engines:
    """A broker and a database while the context lasts. Raises NotPossible where they are not installed.

    ``broker_lines`` go into the broker's configuration; by default everybody on this machine may use it.

    Neither runs as root: from root they are started as the user who owns nothing.
    """

    def __init__(self, broker_lines: str = "allow_anonymous true") -> None:
        if lacking := missing():
            raise NotPossible(
                f"{', '.join(lacking)} not found: install a broker and a database, such as "
                "`apt-get install mosquitto postgresql`"
            )
        self._broker_lines = broker_lines
        self.folder = Path(tempfile.mkdtemp(prefix="weighloop-lab-"))
        self.broker_port, self.database_port = free_port(), free_port()
        self.dsn = f"host=127.0.0.1 port={self.database_port} dbname=postgres user=weighloop"
        self._broker: subprocess.Popen[bytes] | None = None
        self._database: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Engines:
        try:
            (self.folder / "broker.conf").write_text(
                f"listener {self.broker_port} 127.0.0.1\n{self._broker_lines}\n"
            )
            if _ROOT:
                shutil.chown(self.folder, "nobody", "nogroup")
            self.folder.chmod(0o755)
            self._run("initdb", "-D", self.folder / "data", "-A", "trust", "-U", "weighloop", "--no-sync")
            self.start_database()
            self.start_broker()
        except BaseException:
            self.__exit__(None, None, None)
            raise
        return self

    def start_broker(self) -> None:
        """Start the broker and wait until it listens."""
        self._broker = self._start("mosquitto", "-c", self.folder / "broker.conf")
        _until(lambda: _listens(self.broker_port), self._broker, "the broker")

    def kill_broker(self) -> None:
        """End the broker at once, with all that it holds."""
        _end(self._broker, signal.SIGKILL)

    def start_database(self) -> None:
        """Start the database and wait until it answers: after a stop at once it first repairs itself."""
        where = ("-D", self.folder / "data", "-p", str(self.database_port), "-k", self.folder)
        self._database = self._start("postgres", *where, "-h", "127.0.0.1")
        _until(self._answers, self._database, "the database")

    def _answers(self) -> bool:
        try:
            psycopg.connect(self.dsn, connect_timeout=5).close()
        except psycopg.OperationalError:
            return False
        return True

    def stop_database_at_once(self) -> None:
        """End the database without a word to anybody (its own "immediate" shutdown)."""
        _end(self._database, signal.SIGQUIT)

    def _run(self, *command: str | Path) -> None:
        process = self._start(*command)
        if process.wait(120):
            raise NotPossible(f"{command[0]} failed: {self.log()[-400:]}")

    def _start(self, program: str | Path, *rest: str | Path) -> subprocess.Popen[bytes]:
        path = find(str(program))
        assert path is not None
        lower = ["setpriv", "--reuid=nobody", "--regid=nogroup", "--clear-groups"] if _ROOT else []
        with (self.folder / "engines.log").open("ab") as log:
            return subprocess.Popen(
                [*lower, path, *map(str, rest)], stdout=log, stderr=log, stdin=subprocess.DEVNULL,
                cwd=self.folder, start_new_session=True,
            )  # fmt: skip

    def log(self) -> str:
        """What the two said."""
        path = self.folder / "engines.log"
        return path.read_text(errors="replace") if path.exists() else ""

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        _end(self._broker, signal.SIGTERM)
        _end(self._database, signal.SIGINT)
        shutil.rmtree(self.folder, ignore_errors=True)


def _listens(port: int) -> bool:
    with socket.socket() as one:
        one.settimeout(1.0)
        return one.connect_ex(("127.0.0.1", port)) == 0


def _until(ready: Callable[[], bool], process: subprocess.Popen[bytes], what: str) -> None:
    deadline = time.monotonic() + 60
    while not ready():
        if process.poll() is not None or time.monotonic() > deadline:
            raise NotPossible(f"{what} did not start")
        time.sleep(0.05)


def _end(process: subprocess.Popen[bytes] | None, how: signal.Signals) -> None:
    if process is None or process.poll() is not None:
        return
    process.send_signal(how)
    try:
        process.wait(20)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
