"""The program, called as a shell calls it."""

import pytest

from potvigil.cli import main


def run(capsys: pytest.CaptureFixture[str], *words: object) -> tuple[int, str, str]:
    """Run a verb; return exit status, standard output and standard error."""
    status = main([str(word) for word in words])
    said = capsys.readouterr()
    return status, said.out, said.err
