"""A page over a rehearsed night: the record, what the watch left in memory, and a browser without windows."""

import re
import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from starlette.testclient import TestClient

from potvigil.commands.page import _rigs_of, pots_of
from potvigil.model.broker import BrokerState
from potvigil.outputs.live import LiveFile
from potvigil.page.frame import PageConfig
from potvigil.page.server import Page
from rehearsal import Bench

ORIGIN = "http://localhost"
SAME = {"sec-fetch-site": "same-origin"}


@dataclass
class Watched:
    """A night that is being watched: its bench, and the file of what is known now."""

    bench: Bench
    live: Path
    record: Path

    def speak(self, age_s: float = 0.0, period_s: float = 1.0, broker: BrokerState | None = None) -> None:
        """Write what is known now, as the watch does, `age_s` ago."""
        service, start_t_s = self.bench.service, self.bench.store.last_run().start_t_s
        file = LiveFile(self.live, self.bench.settings.workshop, self.bench.night.name, period_s)
        file.begin(0.0, start_t_s)
        snapshots = {pot: watch.snapshot() for pot, watch in service.watches.items()}
        file.write(snapshots, service.batch_ids, broker)
        if age_s:
            text = self.live.read_text(encoding="utf-8")
            written = time.clock_gettime(time.CLOCK_BOOTTIME) - age_s
            self.live.write_text(
                re.sub(r'"written_boot_s":[0-9.]+', f'"written_boot_s":{written}', text), encoding="utf-8"
            )


def copied(watched: Watched, folder: Path) -> Watched:
    """Return the same night with its own copy of the record and a fresh live file."""
    own = Watched(watched.bench, folder / "live.json", folder / "record.db")
    for ending in ("", "-wal"):
        if Path(f"{watched.record}{ending}").exists():
            shutil.copyfile(f"{watched.record}{ending}", f"{own.record}{ending}")
    own.speak()
    return own


@contextmanager
def shown(watched: Watched, folder: Path, **config: object) -> Iterator[TestClient]:
    """Show the page of a night; the client takes cookies and follows no redirects."""
    folder.mkdir(exist_ok=True)
    page = Page(PageConfig(watched.record, watched.live, pots_of, _rigs_of, folder, **config))
    scheme = "https" if config.get("is_encrypted") else "http"
    try:
        with TestClient(page.app, f"{scheme}://localhost", follow_redirects=False) as client:
            yield client
    finally:
        page.close()


def token_of(html: str) -> str:
    """Return what the forms of a page carry."""
    found = re.search(r'(?:name="csrf" value|data-live)="([0-9a-f]{64})"', html)
    assert found, html
    return found[1]


def post(client: TestClient, path: str, headers: dict[str, str] | None = None, **fields: str):
    """Send a form as a browser that has looked at the page before."""
    if "csrf" not in fields:
        looked_at = client.get("/")
        if looked_at.status_code != 200:
            looked_at = client.get("/login")
        fields["csrf"] = token_of(looked_at.text)
    return client.post(path, data=fields, headers=SAME if headers is None else headers)


def commands_of(record: Path) -> list[tuple]:
    """Return every command of a record that nobody has taken yet, as it is written."""
    import sqlite3

    with sqlite3.connect(record) as db:
        return db.execute(
            "SELECT p.name, action, alarm, text, duration_s, by, field "
            "FROM command c JOIN pot p ON p.id = c.pot WHERE c.t_s IS NULL ORDER BY c.id"
        ).fetchall()
