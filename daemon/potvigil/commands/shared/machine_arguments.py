"""The verbs of this machine: setup, service, status."""

import argparse
from collections.abc import Callable
from pathlib import Path


def add_machine_verbs(verb: Callable[..., argparse.ArgumentParser]) -> None:
    """Add them; verb: adds one by its name, what it runs, and what it does."""
    made = verb(
        "setup",
        "machine.setup:setup",
        "set this machine up: asks, shows what it would write, and checks it",
    )
    made.add_argument("--out", type=Path, metavar="FILE", help="where the settings are, or are to be")
    made.add_argument("--simulated", action="store_true", help="try it on simulated buses")
    kept = verb(
        "service", "machine.service:service", "the service of this machine: install, update, remove it"
    )
    kept.add_argument("what", choices=("install", "update", "remove"))
    kept.add_argument(
        "--config", type=Path, metavar="FILE", help="settings to install, if not those of `setup`"
    )
    kept.add_argument("--replace", action="store_true", help="put them in the place of others that are there")
    kept.add_argument(
        "--extra", action="append", metavar="EXTRA", help="with what the settings do not call for: report"
    )
    kept.add_argument("--root", type=Path, metavar="DIR", help="try it: into this folder, nothing is started")
    stands = verb(
        "status",
        "machine.status:status",
        "say how each pot stands and whether anybody watches; exit status 1 if not, or if an alarm stands",
    )
    stands.add_argument("--config", type=Path, metavar="FILE", help="settings, YAML")
    stands.add_argument("--live", type=Path, metavar="FILE", help="where the watch leaves what it knows now")
    stands.add_argument("--json", action="store_true", help="a JSON line for each pot")
