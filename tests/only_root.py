"""What only root can try: other users' files, and being another user. Otherwise left out, with a note."""

import os

import pytest

needs_root = pytest.mark.skipif(
    os.geteuid() != 0, reason="only root can make another user's file; run `sudo bash tests/run` for these"
)
