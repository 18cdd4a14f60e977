"""The golden logs: each named night as the terminal tells it, kept in nights/golden, changed on purpose only.

.venv/bin/python tests/golden_log.py             # rewrites all of them; then read the diff
.venv/bin/python tests/golden_log.py sound
"""

import sys
from io import StringIO
from pathlib import Path
from tempfile import TemporaryDirectory

from rich.console import Console

from potvigil.commands.shared.show import Printer
from potvigil.sim.nights import NIGHTS
from rehearsal import Bench, rehearse

FOLDER = Path(__file__).parent / "nights/golden"
_WIDTH = 400  # no line is broken


def golden_file(name: str) -> Path:
    return FOLDER / f"{name}.txt"


def log_of(bench: Bench) -> str:
    """Return every event of a night and the judgement of its batches, as the terminal shows them."""
    out = StringIO()
    printer = Printer(Console(file=out, width=_WIDTH, color_system=None), bench.settings)
    for pot_id, batch, event in bench.heard:
        printer.event(pot_id, batch, event)
    for batch, summary in bench.summaries:
        printer.summary(summary, batch)
    return "".join(f"{line.rstrip()}\n" for line in out.getvalue().splitlines())


def main() -> None:
    for name in sys.argv[1:] or NIGHTS:
        with TemporaryDirectory() as folder:
            golden_file(name).write_text(log_of(rehearse(NIGHTS[name], Path(folder))), encoding="utf-8")


if __name__ == "__main__":
    main()
