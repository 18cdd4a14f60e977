"""Debian's own Chromium, headless; a script error or CSP violation on any page fails the test."""

import os
import shutil
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect, sync_playwright

from page.browser.fake_watch import SOUND, FakeWatch
from page.browser.watched import ALARMED_S, PHONE, Watched
from paged import Watched as Frozen
from paged import copied
from patience import PATIENCE_MS

expect.set_options(timeout=PATIENCE_MS)

Opener = Callable[..., Page]


@pytest.fixture(scope="session")
def chromium() -> Iterator[Browser]:
    found = shutil.which("chromium")
    assert found is not None, "Chromium is not installed: apt-get install chromium"
    # root cannot use the sandbox; containers have little shared memory
    arguments = ["--disable-dev-shm-usage", *(["--no-sandbox"] if os.geteuid() == 0 else [])]
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=found, args=arguments)
        yield browser
        browser.close()


@pytest.fixture
def opened(chromium: Browser) -> Iterator[Opener]:
    """Return a function that opens a page, given the size and other options of its context.

    On teardown, no page may have raised a script error or violated its content security policy.
    """
    contexts: list[BrowserContext] = []
    faults: list[str] = []

    def open_page(size: dict[str, Any] = PHONE, **options: Any) -> Page:
        context = chromium.new_context(**{**size, **options})
        contexts.append(context)
        context.set_default_timeout(PATIENCE_MS)
        page = context.new_page()
        page.on("pageerror", lambda error: faults.append(str(error)))
        page.on(
            "console",
            lambda message: (
                faults.append(message.text) if "Content Security Policy" in message.text else None
            ),
        )
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert faults == []


@pytest.fixture(scope="session")
def alarmed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Watched]:
    """A night with a standing alarm, watched live."""
    with Watched(tmp_path_factory.mktemp("alarmed"), ALARMED_S, speed=5.0) as night:
        night.go()
        yield night


@pytest.fixture(scope="session")
def only_read(half_past_three: Frozen, tmp_path_factory: pytest.TempPathFactory) -> Iterator[FakeWatch]:
    folder = tmp_path_factory.mktemp("only-read")
    with FakeWatch(copied(half_past_three, folder), folder, {"lantern": SOUND}) as watch:
        yield watch


@pytest.fixture
def watch(only_read: FakeWatch) -> FakeWatch:
    """A sound pot; its page and record are shared by tests that write nothing to the record."""
    only_read.begin_anew({"lantern": SOUND})
    return only_read
