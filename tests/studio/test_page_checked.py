"""What `check` and `status` print about a studio's page, with a real PostgreSQL."""

import time

import pytest
from sqlalchemy import text

from broker import free_port
from many_records import Studio, kept
from postgres import Postgres
from potvigil import paths
from potvigil.checking.finding import Grade
from potvigil.checking.studio_page import on_studio_page
from potvigil.cli import main
from potvigil.commands.machine import check
from potvigil.page.passwords import hashed
from potvigil.settings.loading import load_studio_page
from potvigil.studio.preparing import MACHINE, READER, admit

TOWN = "checked-town"


@pytest.fixture
def studio(postgres):
    return Studio(postgres)


@pytest.fixture
def config(tmp_path, postgres):
    """Return a function that writes settings of a page for a user of the database."""

    def written(name: str, password: str, **keys: object):
        secret = tmp_path / "desk-password"
        secret.write_text(f"{password}\n", encoding="utf-8")
        secret.chmod(0o600)
        of = {"host": "127.0.0.1", "port": postgres.port, "username": name, "password_file": secret.name}
        of |= keys
        path = tmp_path / "studio.yaml"
        who = ", ".join(f"{key}: {value}" for key, value in of.items())
        path.write_text(f"studio: {{{who}}}\npage: {{port: {free_port()}}}\n", encoding="utf-8")
        return path

    return written


def found(path):
    return [(each.mark, each.says) for each in on_studio_page(load_studio_page(path).studio)]


def test_a_reader_is_good_and_each_pi_is_listed_with_its_age(studio, config, postgres, tmp_path):
    path = config("desk", admit(postgres.owner(), "desk", READER, [TOWN]))
    (rights, none_yet) = found(path)
    assert rights[0] is Grade.GOOD and "read, and do nothing else" in rights[1]
    assert none_yet[0] is Grade.UNKNOWN and "no Pi has yet sent anything" in none_yet[1]
    fresh = studio.ship(kept(tmp_path / "a.db", TOWN, "lantern"))
    old = studio.ship(kept(tmp_path / "b.db", TOWN, "tower"))
    studio.ship(kept(tmp_path / "c.db", "another-town", "tower"))  # which it may not see
    studio.heard(fresh, 60.0)
    studio.heard(old, 7200.0)
    pis = sorted(found(path)[1:], key=lambda each: each[1])
    assert {each[0] for each in pis} == {Grade.GOOD, Grade.UNKNOWN} and len(pis) == 2
    good = next(says for mark, says in pis if mark is Grade.GOOD)
    away = next(says for mark, says in pis if mark is Grade.UNKNOWN)
    assert good == f"{TOWN}, any-pi: the newest row came 1 min ago"
    assert away.startswith(f"{TOWN}, any-pi: the newest row came 2 h ago; ") and "potvigil-ship" in away


@pytest.mark.parametrize(
    ("made", "said"),
    [
        ('GRANT potvigil_machine TO "{0}"', "write rows"),
        ('GRANT DELETE ON potvigil.batch TO "{0}"', "write rows"),
        ('GRANT UPDATE (workshop) ON potvigil.record TO "{0}"', "write rows"),
        (
            'ALTER ROLE "{0}" NOINHERIT; GRANT potvigil_machine TO "{0}"; '
            'GRANT USAGE ON SCHEMA potvigil TO "{0}"; GRANT SELECT ON ALL TABLES IN SCHEMA potvigil TO "{0}"',
            "write rows",  # after SET ROLE
        ),
        ('GRANT CREATE ON SCHEMA potvigil TO "{0}"', "make tables"),
        ('ALTER ROLE "{0}" CREATEROLE', "administer the server"),
        ('ALTER ROLE "{0}" BYPASSRLS', "administer the server"),
    ],
)
def test_a_page_with_more_than_a_readers_rights_is_a_fault(config, postgres, made, said):
    name = f"odd-{time.monotonic_ns()}"
    path = config(name, admit(postgres.owner(), name, READER, [TOWN]))
    with postgres.owner().begin() as connection:
        connection.execute(text(made.format(name)))
    mark, says = found(path)[0]
    assert mark is Grade.FAULT and f"lets {name}@" in says and said in says and "--reader" in says


def test_a_pis_own_user_is_no_user_for_a_page(config, postgres):
    path = config("some-pi", admit(postgres.owner(), "some-pi", MACHINE, [TOWN]))
    mark, says = found(path)[0]
    assert mark is Grade.FAULT and "write rows" in says


def test_an_unreachable_or_unprepared_database_is_one_line(config, postgres):
    for keys, said in (({"port": free_port()}, "does not answer"), ({}, "password authentication failed")):
        ((mark, says),) = found(config("desk-2", "wrong", **keys))
        assert mark is Grade.FAULT and said in says and "\n" not in says
    with Postgres() as bare:
        with bare.owner().begin() as connection:
            connection.exec_driver_sql("CREATE ROLE desk LOGIN PASSWORD 'lens'")
        ((mark, says),) = found(config("desk", "lens", port=bare.port))
        assert mark is Grade.FAULT and "`potvigil studio prepare`" in says


def test_check_prints_all_findings_and_exits_with_1_for_a_fault(config, postgres, capsys, monkeypatch):
    monkeypatch.setattr(check, "_PATIENCE_S", 600.0)
    path = config("desk-3", admit(postgres.owner(), "desk-3", READER, [TOWN]))
    assert main(["check", "--config", str(path)]) == 0
    said = capsys.readouterr().out
    assert "all that these settings need" in said and "is free" in said and "do nothing else" in said
    path.write_text(path.read_text().replace("page: {", "page: {password_file: none, "))
    assert main(["check", "--config", str(path)]) == 1
    said = capsys.readouterr().out
    assert "potvigil page password" in said and "1 fault found" in said
    # found without being named where it is installed; a machine that has no pot
    (path.parent / "none").write_text(f"{hashed('lens-and-lamp')}\n")
    (path.parent / "none").chmod(0o600)
    monkeypatch.setattr(paths, "STUDIO_SETTINGS", path)
    monkeypatch.setattr(paths, "SERVICE_SETTINGS", path.parent / "workshop.yaml")
    monkeypatch.setenv("HOME", str(path.parent))
    monkeypatch.delenv("XDG_CONFIG_HOME", raising=False)
    assert main(["check"]) == 0
    assert "do nothing else" in capsys.readouterr().out
    assert main(["status"]) == 1
    assert "the studio's page does not answer at 127.0.0.1, port" in capsys.readouterr().out
