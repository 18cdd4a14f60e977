"""A progress bar for a rehearsed night, on a terminal."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.console import Console

# Of the night, between two updates of the bar: often enough at 5000 times real time.
_STEP_S = 300.0


@contextmanager
def progress(screen: "Console", night_s: float) -> Iterator[Callable[[float], None]]:
    """Show a progress bar on a terminal; yield the function to call with the time reached, s."""
    if not screen.is_terminal:
        yield lambda at_s: None
        return
    from rich.progress import Progress  # as slow to import as the rest of this verb

    with Progress(console=screen, transient=True, auto_refresh=False) as bar:
        task = bar.add_task("the night", total=night_s)
        shown_s = 0.0

        def update(at_s: float) -> None:
            nonlocal shown_s
            if at_s - shown_s >= _STEP_S:
                shown_s = at_s
                bar.update(task, completed=at_s, refresh=True)

        yield update
