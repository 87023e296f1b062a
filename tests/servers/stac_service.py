"""A real STAC API for the tests: stac-fastapi over pgstac in a PostgreSQL of its own.

Everything runs on the loopback, on free ports, in a temporary folder, as children that end with
this process. PostgreSQL 15 and PostGIS are Debian's (`postgresql-15-postgis-3`); a folder named by
`AFTERRAINS_POSTGRES` is looked into first for the programs.
"""

from __future__ import annotations

import json
import os
import pwd
import secrets
import shutil
import socket
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Iterable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from importlib.util import find_spec
from pathlib import Path
from typing import Any

__all__ = ["StacService", "missing_part", "run_service"]

_DEBIAN = Path("/usr/lib/postgresql/15/bin")
_PACKAGES = ("stac_fastapi.pgstac", "pypgstac", "psycopg", "uvicorn")
_PATIENCE_S = 60
_DATABASE_SETTINGS = {
    "listen_addresses": "127.0.0.1",
    "unix_socket_directories": "",
    # What a crash would lose is thrown away anyhow.
    "fsync": "off",
    "full_page_writes": "off",
    "synchronous_commit": "off",
    "max_connections": "30",
}


def missing_part() -> str | None:
    """What is not installed that the service needs, in words; None where all is there."""
    programs = _programs()
    if not (programs / "initdb").is_file():
        return f"no PostgreSQL 15 in {programs}; install Debian's postgresql-15-postgis-3"
    told = subprocess.run(
        [programs / "pg_config", "--sharedir"], capture_output=True, text=True, check=False
    )
    share = Path(told.stdout.strip())
    if not (share / "extension" / "postgis.control").is_file():
        return "PostgreSQL 15 has no PostGIS; install Debian's postgresql-15-postgis-3"
    if shutil.which("setpriv") is None:
        return "no setpriv (util-linux), by which the servers end with the tests"
    absent = [name for name in _PACKAGES if not _installed(name)]
    return f"{', '.join(absent)} not installed; `make test` installs them" if absent else None


def _installed(name: str) -> bool:
    try:
        return find_spec(name) is not None
    except ModuleNotFoundError:
        return False


def _programs() -> Path:
    named = os.environ.get("AFTERRAINS_POSTGRES")
    return Path(named) if named else _DEBIAN


class StacService:
    """A running service, to be filled."""

    def __init__(self, address: str, database: Mapping[str, str]) -> None:
        self.address = address
        self._database = database

    def load(self, collections: Iterable[Mapping[str, Any]], items: Iterable[Any]) -> None:
        """Add collections and items through pgstac's own loader."""
        _load(self._database, "collections", collections)
        _load(self._database, "items", items)


@contextmanager
def run_service() -> Iterator[StacService]:
    """An empty service on a free port until the block ends; see `missing_part` first."""
    with ExitStack() as stack:
        database = stack.enter_context(_postgres())
        _pypgstac(database, "migrate")
        # Off by default: without it a page does not say how many items there are in all.
        _sql(database, "UPDATE pgstac.pgstac_settings SET value = 'on' WHERE name = 'context'")
        port = _free_port()
        command = [
            sys.executable, "-m", "uvicorn", "--factory", "stac_fastapi.pgstac.app:create_app",
            "--host", "127.0.0.1", "--port", str(port), "--no-access-log", "--log-level", "warning",
        ]  # fmt: skip
        server = stack.enter_context(_child(command, env={**os.environ, **database}))
        address = f"http://127.0.0.1:{port}"
        _wait_until(lambda: _answers(f"{address}/_mgmt/ping"), server, "the STAC API")
        yield StacService(address, database)


@contextmanager
def _postgres() -> Iterator[dict[str, str]]:
    """An empty database with PostGIS; the environment by which clients find it."""
    programs = _programs()
    folder = Path(tempfile.mkdtemp(prefix="afterrains-postgres-"))
    as_whom: list[str] = []
    try:
        if os.geteuid() == 0:  # PostgreSQL refuses to run as root
            account = pwd.getpwnam("postgres")
            os.chown(folder, account.pw_uid, account.pw_gid)
            as_whom = ["--reuid", "postgres", "--regid", "postgres", "--clear-groups"]
        password = secrets.token_hex(16)
        key = folder / "password"
        key.write_text(password, encoding="ascii")
        if as_whom:
            os.chown(key, account.pw_uid, account.pw_gid)
        _run(
            ["setpriv", *as_whom, str(programs / "initdb"), "-D", str(folder / "data"),
             "-U", "tests", "-A", "scram-sha-256", "--pwfile", str(key), "-E", "UTF8",
             "--locale", "C", "--no-sync"],
            cwd=folder,
        )  # fmt: skip
        port = _free_port()
        database = {
            "PGHOST": "127.0.0.1",
            "PGPORT": str(port),
            "PGUSER": "tests",
            "PGPASSWORD": password,
            "PGDATABASE": "postgres",
        }
        settings = [f"--{name}={value}" for name, value in _DATABASE_SETTINGS.items()]
        command = [str(programs / "postgres"), "-D", str(folder / "data"), "-p", str(port)]
        with _child([*command, *settings], as_whom, cwd=folder) as server:
            ready = [str(programs / "pg_isready"), "-q"]
            env = {**os.environ, **database}
            _wait_until(
                lambda: subprocess.run(ready, env=env, check=False).returncode == 0,
                server,
                "PostgreSQL",
            )
            yield database
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@contextmanager
def _child(
    command: list[str], as_whom: Iterable[str] = (), **options: Any
) -> Iterator[subprocess.Popen[bytes]]:
    """A process that ends with the block, or with this process however that ends."""
    with tempfile.TemporaryFile() as log:
        # SIGINT is PostgreSQL's fast shutdown and uvicorn's usual one.
        child = subprocess.Popen(
            ["setpriv", *as_whom, "--pdeathsig", "INT", *command],
            stdout=log, stderr=subprocess.STDOUT, **options,
        )  # fmt: skip
        try:
            yield child
        except _DiedError as error:
            log.seek(0)
            raise RuntimeError(f"{error}: {log.read()[-2000:].decode(errors='replace')}") from None
        finally:
            child.send_signal(2)
            try:
                child.wait(timeout=20)
            except subprocess.TimeoutExpired:
                child.kill()
                child.wait()


class _DiedError(Exception):
    """A server that did not come up."""


def _wait_until(ready: Any, server: subprocess.Popen[bytes], name: str) -> None:
    deadline = time.monotonic() + _PATIENCE_S
    while not ready():
        if server.poll() is not None or time.monotonic() > deadline:
            raise _DiedError(f"{name} did not come up")
        time.sleep(0.1)


def _answers(address: str) -> bool:
    try:
        with urllib.request.urlopen(address, timeout=5) as answer:  # noqa: S310
            return bool(answer.status == 200)
    except (urllib.error.URLError, OSError):
        return False


def _free_port() -> int:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


def _run(command: list[str], **options: Any) -> None:
    done = subprocess.run(command, capture_output=True, text=True, check=False, **options)
    if done.returncode:
        raise RuntimeError(f"{Path(command[-1]).name}: {done.stdout[-1000:]}{done.stderr[-3000:]}")


def _pypgstac(database: Mapping[str, str], *arguments: str) -> None:
    # Its own command line, whose script may not be on the path.
    start = "from pypgstac.pypgstac import cli; cli()"
    _run([sys.executable, "-c", start, *arguments], env={**os.environ, **database})


def _sql(database: Mapping[str, str], statement: str) -> None:
    psql = [str(_programs() / "psql"), "-q", "-v", "ON_ERROR_STOP=1", "-c", statement]
    _run(psql, env={**os.environ, **database})


def _load(database: Mapping[str, str], table: str, documents: Iterable[Any]) -> None:
    with tempfile.NamedTemporaryFile("w", suffix=".ndjson", encoding="utf-8") as file:
        for document in documents:
            file.write(json.dumps(document) + "\n")
        file.flush()
        _pypgstac(database, "load", table, file.name, "--method", "upsert")
