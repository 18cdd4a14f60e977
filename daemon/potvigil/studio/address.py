"""Where the studio's database is, and connections to it that a dead network cannot block for ever."""

import os
from dataclasses import dataclass
from pathlib import Path
from pwd import getpwnam
from typing import Any

import psycopg
from sqlalchemy import URL, Engine, create_engine, make_url
from sqlalchemy.exc import ArgumentError
from sqlalchemy.pool import NullPool

from potvigil.secret_file import SecretFileError
from potvigil.secret_file import first_line as first_line_of
from potvigil.settings.studio import StudioSettings

# A connection silent for DEAD_S is dead; a statement that takes longer than STATEMENT_S is cancelled.
CONNECT_S, DEAD_S, STATEMENT_S = 10, 30, 120
# The user that owns PostgreSQL on Debian.
_OWNER = "postgres"
# Time limit of a page's query, and how many connections the pool keeps.
READ_S, READERS = 20, 5


class StudioError(Exception):
    """A fault of the studio's database, or of the way to it; one line."""


@dataclass(frozen=True, slots=True)
class Address:
    """hosts: names and ports; the first writable one is used, so a standby may be among them.

    ca_file: the authority for the servers' certificates, None for the system's list. encrypted: the server's
    certificate must match its name; False only for a server on this machine.
    """

    hosts: tuple[tuple[str, int], ...]
    database: str
    username: str
    password: str | None = None
    ca_file: Path | None = None
    encrypted: bool = True

    @property
    def name(self) -> str:
        """The address as shown to a person, without the password."""
        return f"{self.username}@{','.join(f'{host}:{port}' for host, port in self.hosts)}/{self.database}"

    def engine(self) -> Engine:
        """Return an engine that opens a connection for each use and keeps none."""
        arguments = self._arguments("read-write", STATEMENT_S)
        return create_engine(self._url(), poolclass=NullPool, connect_args=arguments)

    def reading_engine(self) -> Engine:
        """Return an engine that only reads, also from a standby, and keeps a few connections.

        A connection sees one snapshot until it is returned to the pool.
        """
        return create_engine(
            self._url(),
            connect_args=self._arguments("any", READ_S),
            pool_size=READERS,
            max_overflow=READERS,
            pool_timeout=READ_S,
            pool_pre_ping=True,
            isolation_level="REPEATABLE READ",
            execution_options={"postgresql_readonly": True},
        )

    def _url(self) -> URL:
        return URL.create(
            "postgresql+psycopg",
            username=self.username,
            password=self.password,
            database=self.database,
        )

    def _arguments(self, session: str, statement_s: int) -> dict[str, Any]:
        # libpq's names (PostgreSQL manual, 34.1.2)
        tls = (
            {"sslmode": "verify-full", "sslrootcert": str(self.ca_file or "system")} if self.encrypted else {}
        )
        return tls | {
            "application_name": "potvigil",
            "host": ",".join(host for host, _ in self.hosts),
            "port": ",".join(str(port) for _, port in self.hosts),
            "target_session_attrs": session,
            "connect_timeout": CONNECT_S,
            "keepalives_idle": DEAD_S,
            "keepalives_interval": DEAD_S // 3,
            "keepalives_count": 3,
            "tcp_user_timeout": DEAD_S * 1000,
            "options": f"-c statement_timeout={statement_s * 1000} -c lock_timeout={DEAD_S * 1000}",
        }


def address_of(studio: StudioSettings) -> Address:
    """Return where the studio's database is, with the password. Raises StudioError."""
    password = None
    if studio.password_file is not None:
        try:
            password = first_line_of(studio.password_file, "password")
        except SecretFileError as error:
            raise StudioError(f"studio.password_file: {error}") from None
    return Address(
        tuple((host, studio.port) for host in (studio.host, studio.standby) if host is not None),
        studio.database,
        studio.username,
        password,
        studio.ca_file,
        encrypted=studio.encrypted,
    )


def owner_engine(uri: str) -> Engine:
    """Return an engine for a libpq address. Raises StudioError.

    Root connects to this machine's own server as the server's owner, which it could become anyway.
    """
    try:
        url = make_url(uri)
    except ArgumentError:
        raise StudioError(f"{uri!r} is not an address; give postgresql://user@host/database") from None
    if url.get_backend_name() not in ("postgresql", "postgres"):
        raise StudioError(f"{uri!r} is not PostgreSQL; give postgresql://user@host/database")
    url = url.set(drivername="postgresql+psycopg")
    if os.geteuid() == 0 and not (url.username or url.host or url.query):
        return create_engine(url, poolclass=NullPool, creator=lambda: _as_owner(url))
    return create_engine(url, poolclass=NullPool)


def _as_owner(url: URL) -> psycopg.Connection[Any]:
    """Connect by the socket as the server's owner; the server asks the kernel who connects (`peer`)."""
    try:
        owner = getpwnam(_OWNER).pw_uid
    except KeyError:
        raise StudioError(
            f"this machine has no user {_OWNER}; install PostgreSQL, or give --database"
        ) from None
    os.seteuid(owner)
    try:
        return psycopg.connect(dbname=url.database or "", user=_OWNER)
    finally:
        os.seteuid(0)


def first_line(error: BaseException) -> str:
    """Return an error of the database as one line."""
    of = getattr(error, "orig", None) or error
    lines = [line.strip() for line in str(of).splitlines() if line.strip()]
    return lines[0] if lines else type(of).__name__
