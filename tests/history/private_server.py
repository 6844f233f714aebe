"""A PostgreSQL server of one's own in a temporary folder, reached through a socket only its owner can enter."""

from __future__ import annotations

import os
import pwd
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

USER = "forcekit"


@dataclass(frozen=True)
class Server:
    """A running server: its folder, the folder of its programs, and the user it runs as (None: ourselves)."""

    folder: Path
    programs: Path
    runs_as: str | None

    def url(self, database: str = "postgres") -> str:
        """Address of one of its databases."""
        return f"postgresql://{USER}@/{database}?host={self.folder}"

    def new_database(self, name: str) -> str:
        """Make an empty database and give its address."""
        import psycopg

        with psycopg.connect(self.url(), autocommit=True) as connection:
            connection.execute(f"CREATE DATABASE {name}")
        return self.url(name)

    def run(self, program: str, *arguments: str) -> None:
        """Run one of the server's programs as the user it runs as."""
        command = [str(self.programs / program), *arguments]
        if self.runs_as is not None:
            command = ["runuser", "-u", self.runs_as, "--", *command]
        log = self.folder / "programs.log"
        with log.open("ab") as out:
            subprocess.run(command, check=True, stdout=out, stderr=out, stdin=subprocess.DEVNULL, cwd=self.folder)

    def start(self) -> None:
        """Start it, or start it again after a crash, and wait until it answers."""
        # What is written outlives a killed process without fsync as well; only a dead machine would tell.
        options = f"-c listen_addresses='' -c unix_socket_directories='{self.folder}' -c unix_socket_permissions=0777"
        options += " -c fsync=off"
        data = str(self.folder / "data")
        self.run("pg_ctl", "-D", data, "-l", str(self.folder / "server.log"), "-o", options, "-w", "start")

    def crash(self) -> None:
        """Kill the server and all its processes with SIGKILL, as a power cut would end them."""
        first = int((self.folder / "data" / "postmaster.pid").read_text().split()[0])
        found = subprocess.run(["ps", "-o", "pid=", "--ppid", str(first)], capture_output=True, text=True, check=False)
        pids = [first, *(int(p) for p in found.stdout.split())]
        for pid in pids:
            _kill(pid)
        until = time.monotonic() + 10.0
        while any(_runs(pid) for pid in pids) and time.monotonic() < until:
            time.sleep(0.01)
        # A killed process that nobody collects keeps its number, and the next server would take it for a living one.
        for left in (self.folder / "data" / "postmaster.pid", self.folder / ".s.PGSQL.5432.lock"):
            left.unlink(missing_ok=True)

    def stop(self) -> None:
        """Stop it at once."""
        self.run("pg_ctl", "-D", str(self.folder / "data"), "-m", "immediate", "-w", "stop")


def _runs(pid: int) -> bool:
    """Whether a process is there and not just waiting to be collected."""
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return False
    return state not in "ZX"


def _kill(pid: int) -> None:
    try:
        os.kill(pid, signal.SIGKILL)
    except ProcessLookupError:
        return


def programs_folder() -> Path | None:
    """Folder of initdb, pg_ctl and postgres; None when PostgreSQL is not installed."""
    found = shutil.which("pg_ctl")
    candidates = [Path(found).resolve().parent] if found else []
    candidates += sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
    return next((p for p in candidates if all((p / n).exists() for n in ("initdb", "pg_ctl"))), None)


@contextmanager
def private_server() -> Iterator[Server]:
    """Make, start and in the end remove a server; it refuses to run as root, so root hands it to another user."""
    programs = programs_folder()
    if programs is None:
        raise FileNotFoundError("PostgreSQL's programs initdb and pg_ctl are not installed")
    folder = Path(tempfile.mkdtemp(prefix="fkpg"))
    runs_as = None
    if os.geteuid() == 0:
        names = {p.pw_name for p in pwd.getpwall()}
        runs_as = "postgres" if "postgres" in names else "nobody"
        shutil.chown(folder, runs_as)
    server = Server(folder, programs, runs_as)
    try:
        data = str(folder / "data")
        server.run("initdb", "-D", data, "-U", USER, "--auth=trust", "--no-sync", "-E", "UTF8", "--locale=C")
        server.start()
        try:
            yield server
        finally:
            server.stop()
    finally:
        shutil.rmtree(folder, ignore_errors=True)
