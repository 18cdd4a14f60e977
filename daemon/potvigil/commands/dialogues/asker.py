"""Questions on a terminal, each with a default; over a pipe each line is an answer."""

import getpass
import sys
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, TypeVar

from potvigil.commands.shared.common import UseError

if TYPE_CHECKING:
    from rich.console import Console

T = TypeVar("T")
_NONE = ("-", "none", "no")


class Asker:
    """Asks on a console. Raises UseError when the answers run out before the questions."""

    def __init__(self, console: "Console") -> None:
        self._console = console

    def say(self, text: str = "", style: str | None = None) -> None:
        self._console.print(text, style=style, markup=False, highlight=False)

    def text(
        self,
        question: str,
        usual: str | None = None,
        fault_of: Callable[[str], str | None] = lambda _: None,
        *,
        example: str = "",
        optional: bool = False,
    ) -> str | None:
        """Ask until the answer has no fault. usual: the default for an empty answer.

        Return None where an optional value is left empty or removed with `-`.
        """
        hint = f" (e.g. {example})" if example and usual is None else ""
        hint += ", Enter for none" if optional and usual is None else ", - for none" if optional else ""
        while True:
            given = self._ask(f"{question}{hint}", usual).strip()
            if not given:
                if usual is None and optional:
                    return None
                self.say("  An answer is needed here.", "yellow")
                continue
            if optional and given.lower() in _NONE:
                return None
            fault = fault_of(given)
            if fault is None:
                return given
            self.say(f"  {given}: {fault}" if not fault.startswith(given) else f"  {fault}", "yellow")

    def choice(self, question: str, choices: Sequence[str], usual: str) -> str:
        from rich.prompt import Prompt

        return self._read(
            lambda: str(Prompt.ask(question, console=self._console, choices=list(choices), default=usual))
        )

    def yes(self, question: str, usual: bool) -> bool:
        from rich.prompt import Confirm

        return self._read(lambda: Confirm.ask(question, console=self._console, default=usual))

    def secret(self, question: str, fault_of: Callable[[str], str | None]) -> str:
        """Ask for a secret, twice at a terminal."""
        while True:
            if sys.stdin.isatty():
                given = getpass.getpass(f"{question}: ")
                fault = "the two differ" if given != getpass.getpass("once more: ") else fault_of(given)
            else:
                self.say(question)
                given = sys.stdin.readline().rstrip("\r\n")
                fault = fault_of(given)
            if fault is None:
                return given
            self.say(f"  {fault}", "yellow")

    def _ask(self, question: str, usual: str | None) -> str:
        from rich.prompt import Prompt
        from rich.text import Text

        def ask() -> str:
            shown = usual is not None
            return Prompt.ask(Text(question), console=self._console, default=usual or "", show_default=shown)

        return self._read(ask)

    def _read(self, ask: Callable[[], T]) -> T:
        try:
            given = ask()
        except EOFError:
            self.say()
            raise UseError(
                "setup: the input ended before all questions were answered; nothing was written"
            ) from None
        if not sys.stdin.isatty():
            answer = given if isinstance(given, str) else "yes" if given else "no"
            self.say(answer)  # a terminal has echoed it already
        return given
