"""Coroutines run to their end, in whatever process the test finds itself."""

import asyncio
from collections.abc import Coroutine
from concurrent.futures import ThreadPoolExecutor
from typing import Any


def run(work: Coroutine[Any, Any, Any]) -> Any:
    """Run it in a thread: a browser's driver leaves a loop running in the thread of the tests."""
    with ThreadPoolExecutor(1) as thread:
        return thread.submit(asyncio.run, work).result()
