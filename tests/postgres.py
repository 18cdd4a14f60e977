"""A real PostgreSQL for tests: a cluster of its own in a folder, on a socket and a free loopback port."""

import os
import pwd
import shutil
import subprocess
import tempfile
from pathlib import Path

from sqlalchemy import URL, Engine, create_engine
from sqlalchemy.pool import NullPool

from broker import free_port
from potvigil.studio.address import Address

DATABASE = "potvigil"
OWNER = "studio"


def _program(name: str) -> str:
    newest = max(Path("/usr/lib/postgresql").glob(f"*/bin/{name}"), key=lambda path: int(path.parts[4]))
    return str(newest)


class Postgres:
    """A cluster whose superuser is OWNER, without a password on its socket; a context manager.

    Synchronisation with the disk is left out, not with a crash of the server: the kernel keeps what it wrote.
    """

    def __init__(self, *, options: str = "", empty: bool = False) -> None:
        # short, for a socket's path; and beside pytest's folders, which only their own user may enter
        folder = Path(tempfile.mkdtemp(prefix="postgres-"))
        self.data, self.port, self._options = folder / "data", free_port(), options
        self._log = folder / "server.log"
        # its server never runs as root
        self._user = pwd.getpwnam("postgres") if os.geteuid() == 0 else None
        if self._user is not None:
            os.chown(folder, self._user.pw_uid, self._user.pw_gid)
        if empty:
            return
        self.run("initdb", "-D", self.data, "-U", OWNER, "-A", "trust", "--no-sync", "--no-instructions")
        hba = "local all studio trust\nhost all all 127.0.0.1/32 scram-sha-256\n"
        hba += "local replication studio trust\n"
        (self.data / "pg_hba.conf").write_text(hba, encoding="utf-8")

    def run(self, name: str, *arguments: object) -> None:
        """Run one of PostgreSQL's programs to its end."""
        subprocess.run(
            [_program(name), *map(str, arguments)],
            check=True,
            cwd="/",
            stdout=subprocess.DEVNULL,
            user=None if self._user is None else self._user.pw_uid,
            group=None if self._user is None else self._user.pw_gid,
            extra_groups=None if self._user is None else [],
        )

    def start(self) -> None:
        folder = self.data.parent
        settings = f"-p {self.port} -k {folder} -h 127.0.0.1 -F -c max_connections=60 {self._options}"
        self.run("pg_ctl", "-D", self.data, "-l", self._log, "-o", settings, "-w", "start")

    def stop(self, how: str = "fast") -> None:
        """Stop it; how: `immediate` is a crash, after which it recovers from its log."""
        self.run("pg_ctl", "-D", self.data, "-m", how, "-w", "stop")

    def __enter__(self) -> "Postgres":
        self.start()
        with self.owner("postgres").connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            connection.exec_driver_sql(f"CREATE DATABASE {DATABASE}")
        return self

    def __exit__(self, *_: object) -> None:
        self.clear()

    def clear(self) -> None:
        """Stop it if it runs, and take its folder away."""
        if (self.data / "postmaster.pid").exists():
            self.stop("immediate")
        shutil.rmtree(self.data.parent, ignore_errors=True)

    def encrypt(self, cert_file: Path, key_file: Path) -> None:
        """Let those who wish it speak TLS."""
        for source, name in ((cert_file, "server.crt"), (key_file, "server.key")):
            target = self.data / name
            target.write_bytes(source.read_bytes())
            target.chmod(0o600)
            if self._user is not None:
                os.chown(target, self._user.pw_uid, self._user.pw_gid)
        with (self.data / "postgresql.conf").open("a", encoding="utf-8") as file:
            file.write("ssl = on\n")
        self.stop()
        self.start()

    def replica(self) -> "Postgres":
        """Return a streaming replica that follows this one, stopped."""
        other = Postgres(options=self._options, empty=True)
        here = f"host={self.data.parent} port={self.port} user={OWNER}"
        self.run("pg_basebackup", "-D", other.data, "-d", here, "-R", "-c", "fast", "--no-sync")
        return other

    def promote(self) -> None:
        """Let a replica be written from now on."""
        self.run("pg_ctl", "-D", self.data, "-w", "promote")

    def owner(self, database: str = DATABASE) -> Engine:
        """Return an engine of the superuser, by the socket."""
        return create_engine(self.uri(database), poolclass=NullPool)

    def uri(self, database: str = DATABASE) -> URL:
        where = {"host": str(self.data.parent)}
        return URL.create("postgresql+psycopg", OWNER, port=self.port, database=database, query=where)

    def address(self, username: str, password: str) -> Address:
        """Return where one who was admitted comes in."""
        return address(username, password, self.port)


def address(username: str, password: str, *ports: int) -> Address:
    """Return where one who was admitted comes in, at the first of these servers that may be written."""
    hosts = tuple(("127.0.0.1", port) for port in ports)
    return Address(hosts, DATABASE, username, password, encrypted=False)
