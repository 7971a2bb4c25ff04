"""A real PostgreSQL server on loopback, from Debian's package, in a folder of its own."""

from __future__ import annotations

import os
import pwd
import shutil
import signal
import subprocess
import tempfile
import time
from pathlib import Path

from tests.support.broker import answers, free_port


def programs() -> Path:
    """Return the folder of initdb and postgres; Debian keeps them out of the path."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda path: int(path.parts[-3]))
    if found:
        return found[-1].parent
    on_path = shutil.which("initdb")
    assert on_path, "no PostgreSQL server here; apt-get install postgresql"
    return Path(on_path).resolve().parent


class Postgres:
    """The server. `stop` and `start` it as you like: what was committed is there again."""

    user = "strokelog"
    password = "not-for-any-log"
    database = "postgres"

    def __init__(self, *settings: str) -> None:
        """`settings` are the server's own, each NAME=VALUE, besides those that every test's has."""
        self.port = free_port()
        self._settings = settings
        # Not below pytest's folder, which pytest closes to every other user, and the server may be another.
        self._folder = Path(tempfile.mkdtemp(prefix="strokelog-postgres-"))
        folder = self._folder
        self._data = folder / "data"
        self._bin = programs()
        self._process: subprocess.Popen[bytes] | None = None
        self._as: list[str] = []
        folder.chmod(0o755)
        secret = folder / "password"
        secret.write_text(self.password)
        if os.geteuid() == 0:  # the server refuses to run as root
            owner = pwd.getpwnam("nobody")
            self._as = ["setpriv", f"--reuid={owner.pw_uid}", f"--regid={owner.pw_gid}", "--clear-groups"]
            for path in (folder, secret):
                os.chown(path, owner.pw_uid, owner.pw_gid)
        make = [self._bin / "initdb", "-D", self._data, "-U", self.user, "-A", "scram-sha-256", "--no-sync"]
        make += ["--no-locale", "-E", "UTF8", f"--pwfile={secret}"]
        self._run(make)
        self.passfile = folder / "pgpass"
        self.passfile.write_text(f"127.0.0.1:*:*:{self.user}:{self.password}\n")
        self.passfile.chmod(0o600)

    def _run(self, command: list[object]) -> None:
        # The working folder may be closed to that user.
        done = subprocess.run([*self._as, *map(str, command)], cwd="/", capture_output=True, text=True)
        assert done.returncode == 0, done.stdout + done.stderr

    @property
    def url(self) -> str:
        """The address without a password; PGPASSFILE must name `passfile`."""
        return f"postgresql://{self.user}@127.0.0.1:{self.port}/{self.database}"

    def make(self, database: str, like: str) -> None:
        """Make a database as a copy of another, in place of the one that is used now, or that has its name."""
        import psycopg  # slow to import, and most tests need none of it

        login = {"host": "127.0.0.1", "port": self.port, "user": self.user, "passfile": str(self.passfile)}
        with psycopg.connect(dbname="postgres", autocommit=True, **login) as server:
            server.execute(f"DROP DATABASE IF EXISTS {database} WITH (FORCE)")  # type: ignore[arg-type]
            server.execute(f"CREATE DATABASE {database} TEMPLATE {like}")  # type: ignore[arg-type]
        self.database = database

    def start(self) -> None:
        """Start it, if it does not run."""
        if self._process is not None:
            return
        command = [*self._as, str(self._bin / "postgres"), "-D", str(self._data), "-p", str(self.port)]
        for setting in (
            "listen_addresses=127.0.0.1",
            f"unix_socket_directories={self._data}",
            "max_connections=20",
            "track_commit_timestamp=on",
            *self._settings,
        ):
            command += ["-c", setting]
        self._process = subprocess.Popen(command, cwd="/", stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        ready = [str(self._bin / "pg_isready"), "-q", "-h", "127.0.0.1", "-p", str(self.port), "-t", "1"]
        end = time.monotonic() + 30
        while not answers(self.port) or subprocess.run(ready).returncode != 0:
            assert self._process.poll() is None, f"postgres ended with {self._process.returncode}"
            assert time.monotonic() < end, "postgres does not answer"
            time.sleep(0.02)

    def stop(self) -> None:
        """End at once, with every session's transaction undone (its `immediate` mode, as after a power cut)."""
        if self._process is not None:
            self._process.send_signal(signal.SIGQUIT)
            self._process.wait(20)
            self._process = None

    def close(self) -> None:
        """Stop it, and leave nothing behind."""
        self.stop()
        shutil.rmtree(self._folder, ignore_errors=True)
