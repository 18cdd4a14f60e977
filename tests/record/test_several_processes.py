"""The watch, the page and the command line use one file at once; any of them may die at any moment."""

import signal
import sqlite3
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

import potvigil.record.database as database_module
from potvigil.model.events import Action, BatchOpened
from potvigil.record.errors import LockedRecordError
from potvigil.record.store import Store
from potvigil.record.tables.ledger import RETRY_PERIOD_S
from record_night import POT, UTC_S, night, sample


def python(script: str, *arguments: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(script), *arguments], stdout=subprocess.PIPE, text=True
    )


def test_a_writer_killed_mid_batch_keeps_all_it_committed(tmp_path):
    path = tmp_path / "record.db"
    writer = python(
        """
        import sys, pathlib, itertools
        from potvigil.model.events import BatchOpened
        from potvigil.model.reading import Sample
        from potvigil.record.store import Store
        store = Store.open(pathlib.Path(sys.argv[1]))
        store.begin_run("{}", "boot-a", 0.0, 1767304800.0, None)
        store.open_batch("lantern", BatchOpened(0.0, None))
        for second in itertools.count():
            store.append("lantern", Sample(float(second), transducer_count=second + 0.25))
            store.commit_due(float(second))
            if second % 60 == 0:
                print(second, flush=True)
        """,
        str(path),
    )
    assert writer.stdout is not None
    committed = [int(writer.stdout.readline()) for _ in range(20)][-1]
    writer.send_signal(signal.SIGKILL)
    writer.communicate()
    with Store.open(path) as store:
        kept = list(store.samples(POT, 0.0))
        assert len(kept) >= committed + 1
        assert [s.t_s for s in kept] == [
            float(i) for i in range(len(kept))
        ]  # no gap, and complete commits only
        assert (len(kept) - 1) % 60 == 0
        assert kept[-1].transducer_count == len(kept) - 1 + 0.25
        batch = store.open_batch_of(POT)
        assert batch is not None and batch == store.latest_unseen_batch(POT)
        store.check()
        assert store.begin_run("{}", "boot-a", kept[-1].t_s + 5.0, UTC_S, None) == 0.0


def test_commands_of_many_writers_arrive_once_each_while_the_watch_writes(tmp_path):
    path = tmp_path / "record.db"
    with Store.open(path) as store:
        writers = [
            python(
                """
                import sys, pathlib
                from potvigil.model.events import Action, Detail
                from potvigil.record.store import Store
                for number in range(25):
                    with Store.open(pathlib.Path(sys.argv[1]), create=False) as store:
                        text = f"{sys.argv[2]} {number}"
                        store.add_command("lantern", Action.EDIT, None, text=text, field=Detail.NOTE)
                """,
                str(path),
                name,
            )
            for name in ("page", "broker")
        ]
        taken, second = [], 0.0
        while any(writer.poll() is None for writer in writers) or second < 3:
            second += 1.0
            taken += store.take_commands(second)
            store.append(POT, sample(second))
            store.flush()
        taken += store.take_commands(second + 1.0)
        assert [writer.returncode for writer in writers] == [0, 0]
        texts = [command.text for _, command in taken]
        for name in ("page", "broker"):
            assert [text for text in texts if text.startswith(name)] == [f"{name} {i}" for i in range(25)]
        assert len(texts) == 50
        assert len(list(store.samples(POT, 0.0))) == second


def test_many_processes_can_create_the_same_record_at_once(tmp_path):
    path = tmp_path / "record.db"
    script = """
        import sys, pathlib
        from potvigil.record.store import Store
        sys.stdin.readline()
        with Store.open(pathlib.Path(sys.argv[1])) as store:
            store.open_batch  # opened
        """
    makers = [
        subprocess.Popen(
            [sys.executable, "-c", textwrap.dedent(script), str(path)],
            stdin=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        for _ in range(4)
    ]
    for maker in makers:
        assert maker.stdin is not None
        maker.stdin.write("go\n")
        maker.stdin.flush()
    assert [maker.communicate()[1] for maker in makers] == [""] * 4
    Store.open_read_only(path).close()


@pytest.fixture
def impatient(monkeypatch):
    monkeypatch.setattr(database_module, "BUSY_TIMEOUT_S", 0.05)


def test_a_locked_record_is_reported_and_nothing_is_lost(tmp_path, impatient):
    path = tmp_path / "record.db"
    with Store.open(path) as store:
        store.append(POT, sample(1.0))
        store.commit_due(1.0)
        holder = sqlite3.connect(path, isolation_level=None)
        holder.execute("BEGIN IMMEDIATE")
        store.append(POT, sample(2.0))
        batch_id = store.open_batch(POT, BatchOpened(2.0, None))  # does not raise: the watch goes on
        with pytest.raises(LockedRecordError, match="held by another program") as caught:
            store.commit_due(2.0)
        assert isinstance(caught.value, TimeoutError)
        with pytest.raises(LockedRecordError):
            store.add_command(POT, Action.CLOSE, UTC_S)
        with pytest.raises(LockedRecordError):
            store.commit_due(3.0)  # still failing, reported again without a retry
        holder.execute("ROLLBACK")
        holder.close()
        with pytest.raises(LockedRecordError):
            store.commit_due(4.0)  # the next retry is not due yet
        store.commit_due(2.0 + RETRY_PERIOD_S)
        store.commit_due(3.0 + RETRY_PERIOD_S)
        assert [s.t_s for s in store.samples(POT, 0.0)] == [1.0, 2.0]
        assert store.batch(batch_id).start_t_s == 2.0


def test_a_command_is_taken_only_once_from_a_locked_record(tmp_path, impatient):
    path = tmp_path / "record.db"
    with Store.open(path) as store:
        store.add_command(POT, Action.ACKNOWLEDGE, UTC_S)
        holder = sqlite3.connect(path, isolation_level=None)
        holder.execute("BEGIN IMMEDIATE")
        assert [c.action for _, c in store.take_commands(5.0)] == [Action.ACKNOWLEDGE]
        assert store.take_commands(6.0) == []
        holder.execute("ROLLBACK")
        holder.close()
        store.flush()
        assert store.take_commands(7.0) == []
        assert [c.t_s for c in store.commands(POT, 0.0)] == [5.0]


def test_a_slow_reader_does_not_block_the_writer(tmp_path):
    path = tmp_path / "record.db"
    with Store.open(path) as store:
        for one in night(6000):
            store.append(POT, one)
        store.flush()
        with Store.open_read_only(path) as page:
            reading = page.samples(POT, 0.0)
            next(reading)
            for one in night(600, start_s=6000.0):
                store.append(POT, one)
            store.flush()
            assert len(list(reading)) == 6599
            assert Path(f"{path}-wal").exists()
