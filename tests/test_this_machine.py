"""Which machine this is: stays, is another on another board, and never shows the machine-id."""

import re

import pytest

from potvigil.outputs.broker import owner
from potvigil.this_machine import this_machine

MACHINE_ID = "3d1219c7c4c5404aaa1f6d2a48adfda4"


def test_the_id_is_systemds_application_specific_one(tmp_path) -> None:
    """`systemd-id128 machine-id --app-specific=0d4e1f6a2c5b4a7e9b3f8d7c6e5a4b32` there: ef0ef72e7638...

    The first eight digits of a UUID are not among those that systemd marks it with.
    """
    known = tmp_path / "machine-id"
    known.write_text(f"{MACHINE_ID}\n")
    assert this_machine((known,), tmp_path / "none").id == "ef0ef72e"


def test_a_copied_card_on_another_board_is_another_machine(tmp_path) -> None:
    known, serial = tmp_path / "machine-id", tmp_path / "serial-number"
    known.write_text(MACHINE_ID)
    ids = set()
    for number in ("100000003d1219c7", "1000000099999999", "100000003d1219c7"):
        serial.write_bytes(number.encode() + b"\0")  # as a device tree ends its texts
        ids.add(this_machine((known,), serial).id)
    assert len(ids) == 2 and not any(each in MACHINE_ID for each in ids)


def test_without_a_machine_id_the_next_file_or_the_host_name_is_used(tmp_path, monkeypatch) -> None:
    first, second = tmp_path / "first", tmp_path / "second"
    second.write_text(MACHINE_ID)
    there = this_machine((second,), tmp_path)
    for unset in ("", "uninitialized\n", "0" * 32, "3d12"):  # machine-id(5), "First boot semantics"
        first.write_text(unset)
        assert this_machine((first, second), tmp_path).id == there.id
    monkeypatch.setattr("socket.gethostname", lambda: "pi-bench")
    named = this_machine((first,), tmp_path)
    assert named.name == "pi-bench" and re.fullmatch("[0-9a-f]{8}", named.id) and named.id != there.id
    monkeypatch.setattr("socket.gethostname", lambda: "pi-loft")
    assert this_machine((first,), tmp_path).id != named.id


@pytest.mark.parametrize("host", ["pi_bench", "", "Töpferei", "x" * 100, "a b\nc"])
def test_any_host_name_is_made_readable_for_other_machines(host, tmp_path, monkeypatch) -> None:
    monkeypatch.setattr("socket.gethostname", lambda: host)
    ours = this_machine((), tmp_path)
    assert owner.read(owner.Owner("harbour-models", ours, False).name.payload) == ours
