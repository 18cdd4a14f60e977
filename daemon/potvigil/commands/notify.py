"""Notifying people on their phones: the process, a test of it, and a dry run."""

import argparse
import os
import signal
import threading
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from potvigil.clock import SystemClock, boot_id
from potvigil.commands.shared.common import UseError, settings_path
from potvigil.commands.shared.notify_targets import opened
from potvigil.commands.shared.status import DONE, NO
from potvigil.live_reader import LiveReader
from potvigil.notifying.hearing import Hearing
from potvigil.notifying.heartbeat import Heartbeat, fetch
from potvigil.notifying.keeper import Keeper, beside, read
from potvigil.notifying.line import Line
from potvigil.notifying.message import Notification, compose, test_message
from potvigil.notifying.notifier import LOOK_S, Notifier
from potvigil.notifying.phones import Phones
from potvigil.notifying.schedule import Book, due
from potvigil.notifying.targets import Target, Targets, heartbeat_urls
from potvigil.paths import make_own_folder, usual_live, usual_status
from potvigil.settings.loading import load
from potvigil.settings.notify import page_address
from potvigil.settings.schema import Settings

_LOOK_AGAIN_S = 0.05


def notify(args: argparse.Namespace) -> int:
    """Notify people until stopped, or test that."""
    settings = load(settings_path(args))
    if settings.notify is None and settings.heartbeat is None and settings.page.tls is None:
        raise UseError(
            f"{args.config}: names nobody to notify; give notify:, heartbeat:, or tls under page for phones"
        )
    named = opened(settings)
    phones = Phones(args.record or settings.record_file, settings.timezone)

    def targets() -> Sequence[Target]:
        return (*named, *phones.targets())

    if args.test:
        return _test(settings, targets())
    return _dry_run(args, settings, targets()) if args.dry_run else _run(args, settings, targets)


def _run(args: argparse.Namespace, settings: Settings, targets: Targets) -> int:
    clock, boot = SystemClock(), boot_id()
    record, live = args.record or settings.record_file, _live(args, settings)
    kept_file = beside(record)
    kept = read(kept_file)
    keeper = Keeper(record, kept_file)
    hearing = _hearing(args, settings, clock.now().boot_s, kept.offset_s(boot))
    beat = None if settings.heartbeat is None else Heartbeat(*heartbeat_urls(settings.heartbeat))
    notifier = Notifier(
        targets,
        LiveReader(live),
        hearing,
        keeper,
        kept,
        clock,
        boot,
        status_file=_status_file(live),
        heartbeat=None if args.rehearsal else beat,
        link=page_address(settings.notify, settings.page),
        tz=settings.timezone,
    )
    stopping = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: stopping.set())
    signal.signal(signal.SIGINT, lambda *_: stopping.set())
    names = ", ".join(target.recipient.name for target in targets()) or "nobody yet"
    print(f"notifying {names}; reading {live}", flush=True)
    while not stopping.is_set():
        notifier.look()
        stopping.wait(LOOK_S)
    keeper.close()
    return DONE


def _live(args: argparse.Namespace, settings: Settings) -> Path:
    return Path(args.live or settings.page.live or usual_live())


def _hearing(args: argparse.Namespace, settings: Settings, boot_s: float, offset_s: float) -> Hearing:
    return Hearing(
        settings.workshop, settings.timezone, boot_s, offset_s, with_rehearsals=bool(args.rehearsal)
    )


def _status_file(live: Path) -> Path:
    file = usual_status(live)
    with suppress(OSError):  # reported when it is written
        make_own_folder(file.parent)
        file.parent.chmod(0o750)  # the watch reads it through the group
    return file


def _test(settings: Settings, targets: Sequence[Target]) -> int:
    """Send one message to each target, all at once, and print each result."""
    message = test_message(page_address(settings.notify, settings.page))
    lines: list[tuple[str, Line[Notification], str]] = []
    for target in targets:
        line = Line(target.send)
        line.start(message)
        lines.append((target.recipient.name, line, "sent"))
    faults = [_outcome(name, line, done) for name, line, done in lines]
    if settings.heartbeat is not None:
        url, _ = heartbeat_urls(settings.heartbeat)
        beat = Line(fetch)
        beat.start(url)
        faults.append(_outcome("heartbeat", beat, "fetched"))
    return NO if any(faults) else DONE


def _outcome(name: str, line: "Line[Notification] | Line[str]", done: str) -> bool:
    """Wait for a message's result and print it; return whether it failed."""
    waiting = threading.Event()
    while (sent := line.take()) is None:
        waiting.wait(_LOOK_AGAIN_S)
    print(f"{name}: {done if sent.fault is None else f'failed: {sent.fault}'}", flush=True)
    return sent.fault is not None


def _dry_run(args: argparse.Namespace, settings: Settings, targets: Sequence[Target]) -> int:
    """Print what would be sent to whom now; send nothing, and mark nothing as sent."""
    at, boot = SystemClock().now(), boot_id()
    kept = read(beside(args.record or settings.record_file))
    hearing = _hearing(args, settings, at.boot_s, kept.offset_s(boot))
    live, _ = LiveReader(_live(args, settings)).read()
    now = hearing.take(live, at)
    for target in targets:
        name = target.recipient.name
        found = due(target.recipient, kept.books.get(name, Book()).at(now), now)
        if not found:
            print(f"{name}: nothing")
            continue
        message = compose(found, now, settings.timezone, page_address(settings.notify, settings.page))
        urgent = " (urgent)" if message.urgent else ""
        print(f"{name}{urgent}: {message.title}{os.linesep}{_indented(message.text)}")
    return DONE


def _indented(text: str) -> str:
    return "\n".join(f"    {line}".rstrip() for line in text.splitlines())
