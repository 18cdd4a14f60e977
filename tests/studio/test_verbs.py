"""The studio's verbs, as its owner and a machine's service run them."""

import os
import signal
import subprocess
import sys
import time

import pytest

from broker import make_certificates
from postgres import DATABASE, Postgres
from potvigil.page.passwords import hashed
from potvigil.record.store import Store
from potvigil.studio import address as studio_address
from potvigil.studio.address import Address
from potvigil.studio.copying import check_format
from potvigil.studio.preparing import MACHINE, READER, admit, prepare
from program import run
from record_night import POT, night
from shipped import WORKSHOP, differing, short_record


@pytest.fixture(scope="module")
def server():
    with Postgres() as server:
        yield server


@pytest.fixture
def record(tmp_path):
    return short_record(tmp_path / "record.db", 30)


@pytest.fixture
def settings(tmp_path, server, record):
    """Return a function that makes settings of a machine with the password the owner was shown."""

    def made(password: str, **more: str):
        file = tmp_path / "studio-password"
        file.write_text(f"{password}\n", encoding="utf-8")
        keys = {
            "host": "127.0.0.1",
            "port": server.port,
            "username": "lantern-pi",
            "password_file": file.name,
        }
        lines = "".join(f"  {key}: {value}\n" for key, value in (keys | more).items())
        text = f"workshop: {WORKSHOP}\nrecord: {{file: {record}}}\npots: {{lantern: {{internal_volume: 20 L, "
        text += "maximum_pressure: 80 psi, working_pressure: 60 psi, floor_pressure: 45 psi, "
        text += "thermometer: {place: none}, supply: shut, cure: {hold: 10 h}}}\n"
        path = tmp_path / "workshop.yaml"
        path.write_text(f"{text}studio:\n{lines}", encoding="utf-8")
        return path

    return made


def test_from_an_empty_database_to_the_first_row(capsys, server, settings, record):
    owner = server.uri().render_as_string().replace("+psycopg", "")
    assert run(capsys, "studio", "prepare", "--database", owner)[0] == 0
    status, password, said = run(
        capsys, "studio", "admit", "lantern-pi", "--workshop", WORKSHOP, "--database", owner
    )
    assert status == 0 and password.strip() not in said
    config = settings(password.strip())
    status, out, _ = run(capsys, "ship", "--once", "--config", config)
    assert (status, out) == (0, f"shipped 32 rows to lantern-pi@127.0.0.1:{server.port}/potvigil\n")
    assert run(capsys, "ship", "--once", "--config", config)[1].startswith("shipped 0 rows")
    assert differing(record, server.owner()) == {}


def test_each_fault_is_one_line(capsys, server, settings, tmp_path):
    status, out, said = run(capsys, "ship", "--once", "--config", settings("wrong"))
    assert (status, out) == (2, "") and "password authentication failed" in said and said.count("\n") == 1
    status, _, said = run(capsys, "studio", "prepare", "--database", "mysql://here/there")
    assert status == 2 and "give postgresql://user@host/database" in said and said.count("\n") == 1
    config = settings("wrong", host="studio.example")
    config.write_text(config.read_text().replace("  password_file: studio-password\n", ""))
    status, _, said = run(capsys, "ship", "--once", "--config", config)
    assert status == 2 and "studio.password_file" in said and "potvigil studio admit" in said
    bare = tmp_path / "bare.yaml"
    bare.write_text(config.read_text().partition("studio:")[0])
    assert "has no studio to ship to" in run(capsys, "ship", "--config", bare)[2]


def test_root_gets_an_error_where_there_is_no_postgresql(capsys, monkeypatch):
    monkeypatch.setattr("os.geteuid", lambda: 0)
    monkeypatch.setattr(studio_address, "_OWNER", "nobody-of-this-name")
    status, _, said = run(capsys, "studio", "prepare")
    assert status == 2 and "install PostgreSQL, or give --database" in said and said.count("\n") == 1


def test_the_service_ships_new_rows_and_stops_at_once(server, settings, record):
    prepare(server.owner())
    config = settings(admit(server.owner(), "lantern-pi", MACHINE, [WORKSHOP]))
    command = [sys.executable, "-m", "potvigil", "ship", "--config", str(config)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=os.environ) as process:
        try:
            assert process.stdout.readline().startswith("shipping to lantern-pi@")
            with Store.open(record) as store:
                for each in night(30, start_s=100.0):
                    store.append(POT, each)
            while differing(record, server.owner()):
                time.sleep(0.1)
            process.send_signal(signal.SIGTERM)
            assert process.wait() == 0
        finally:
            process.kill()


def test_only_a_server_with_a_matching_certificate_is_used(tmp_path):
    make_certificates(tmp_path)
    with Postgres() as server:
        server.encrypt(tmp_path / "server.crt", tmp_path / "server.key")
        prepare(server.owner())
        password = admit(server.owner(), "lantern-pi", MACHINE, [WORKSHOP])

        def reached(host: str, **how: object) -> None:
            to = Address(((host, server.port),), DATABASE, "lantern-pi", password, **how)
            with to.engine().connect() as connection:
                check_format(connection)
                (is_encrypted,) = connection.exec_driver_sql(
                    "SELECT ssl FROM pg_stat_ssl WHERE pid = pg_backend_pid()"
                ).one()
                assert is_encrypted

        reached("127.0.0.1", ca_file=tmp_path / "ca.crt")
        for host, how in (("localhost", {"ca_file": tmp_path / "ca.crt"}), ("127.0.0.1", {})):
            with pytest.raises(Exception, match="certificate"):
                reached(host, **how)


def test_an_impossible_studio_page_is_refused_in_one_line(capsys, server, tmp_path):
    """All faults of its settings at once; a database without tables; a world-readable secret."""
    assert run(capsys, "studio", "page", "--config", tmp_path / "none.yaml")[0] == 2
    config, password = tmp_path / "studio.yaml", tmp_path / "studio-password"
    config.write_text("studio: {host: studio.example, port: 0}\npage: {colour: red}\npots: {}\n")
    status, _, said = run(capsys, "studio", "page", "--config", config)
    assert status == 2
    for fault in ("studio.username", "studio.password_file", "studio.port", "page.colour", "pots"):
        assert fault in said
    config.write_text("- a list")
    assert "begin with studio: ..." in run(capsys, "studio", "page", "--config", config)[2]
    prepare(server.owner())
    password.write_text(f"{admit(server.owner(), 'front-desk', READER, [WORKSHOP])}\n")
    who = (
        f"studio: {{host: 127.0.0.1, port: {server.port}, username: front-desk, password_file: {password}}}\n"
    )
    with Postgres() as bare:
        admit_alone(bare, "front-desk", password.read_text().strip())
        config.write_text(who.replace(str(server.port), str(bare.port)))
        status, _, said = run(capsys, "studio", "page", "--config", config)
    assert status == 2 and "studio prepare" in said and said.count("\n") == 1
    config.write_text(f"{who}page: {{password_file: open}}\n")
    (tmp_path / "open").write_text(f"{hashed('open sesame')}\n")
    (tmp_path / "open").chmod(0o644)
    status, _, said = run(capsys, "studio", "page", "--config", config)
    assert status == 2 and "everybody on this machine can read it" in said


def admit_alone(server: Postgres, name: str, password: str) -> None:
    """Make a user of an unprepared database."""
    with server.owner().begin() as connection:
        connection.exec_driver_sql(f"CREATE ROLE \"{name}\" LOGIN PASSWORD '{password}'")
