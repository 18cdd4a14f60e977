"""Servers for notifications."""

from collections.abc import Iterator

import pytest

from phones import Mailbox, Phone, mailbox, phone


@pytest.fixture
def at() -> Iterator[Phone]:
    with phone() as made:
        yield made


@pytest.fixture
def mail() -> Iterator[Mailbox]:
    with mailbox() as made:
        yield made
