#!/usr/bin/env python3
"""Stands for systemctl where no systemd runs: starts what a unit says, as whom it says, with its credentials.

Only what units of a studio's server need; what systemd forbids a service is tested elsewhere.
"""

import os
import pwd
import re
import shlex
import signal
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

PLACES = (Path("/etc/systemd/system"), Path("/lib/systemd/system"))
RUNNING = Path("/run/stand-in")


def text_of(unit: str) -> str:
    files = [place / unit for place in PLACES if (place / unit).exists()][:1]
    drop_ins = sorted(PLACES[0].glob(f"{unit}.d/*.conf"))
    return "\n".join(path.read_text(encoding="utf-8") for path in [*files, *drop_ins])


def values(text: str, key: str) -> list[str]:
    return re.findall(rf"^{key}=-?(.+)$", text, re.MULTILINE)


def end(unit: str) -> None:
    with suppress(FileNotFoundError, ProcessLookupError, ChildProcessError):
        pid = int((RUNNING / unit).read_text())
        os.kill(pid, signal.SIGTERM)
        while Path(f"/proc/{pid}").exists() and ") Z " not in Path(f"/proc/{pid}/stat").read_text():
            time.sleep(0.02)


def start(unit: str) -> None:
    text = text_of(unit)
    user = pwd.getpwnam((values(text, "User") or ["root"])[0])
    environment = dict(os.environ)
    for line in values(text, "Environment"):
        environment |= dict(part.split("=", 1) for part in shlex.split(line))
    for kind, base in (("State", "/var/lib"), ("Cache", "/var/cache")):
        for name in values(text, f"{kind}Directory"):
            folder = Path(base, name)
            folder.mkdir(mode=0o700, exist_ok=True)
            os.chown(folder, user.pw_uid, user.pw_gid)
            environment[f"{kind.upper()}_DIRECTORY"] = str(folder)
    credentials = RUNNING / f"{unit}.credentials"
    for each in values(text, "LoadCredential"):
        name, path = each.split(":")
        credentials.mkdir(mode=0o700, exist_ok=True)
        (credentials / name).write_bytes(Path(path).read_bytes())
        for made in (credentials / name, credentials):
            os.chown(made, user.pw_uid, user.pw_gid)
        (credentials / name).chmod(0o400)
        environment["CREDENTIALS_DIRECTORY"] = str(credentials)
    for line in values(text, "ExecStartPre"):
        subprocess.run(shlex.split(line), check=True)
    with (RUNNING / f"{unit}.log").open("ab") as log:
        process = subprocess.Popen(
            shlex.split(values(text, "ExecStart")[0]),
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=log,
            user=user.pw_uid,
            group=user.pw_gid,
            extra_groups=[],
            env=environment,
            cwd="/",
            start_new_session=True,
        )
    (RUNNING / unit).write_text(str(process.pid))


def main(verb: str, *units: str) -> None:
    RUNNING.mkdir(exist_ok=True)
    verb = verb.removeprefix("try-")
    if verb not in ("restart", "reload", "kill"):
        return  # daemon-reload, enable, disable: nothing is kept here
    how, units = (units[0], units[1:]) if verb == "kill" else ("", units)
    if units == ("postgresql",):  # the distribution's unit passes it on to each cluster
        listed = subprocess.run(["pg_lsclusters", "--no-header"], capture_output=True, text=True, check=True)
        units = tuple("postgresql@{}-{}".format(*line.split()) for line in listed.stdout.splitlines())
    for unit in units:
        name = unit if unit.endswith((".service", ".timer")) else f"{unit}.service"
        if unit.startswith("postgresql@"):
            version, _, cluster = unit.removeprefix("postgresql@").partition("-")
            subprocess.run(["pg_ctlcluster", "--skip-systemctl-redirect", version, cluster, verb], check=True)
        elif name.endswith(".timer"):
            continue  # no clock runs here
        elif verb in ("kill", "reload"):
            how = how or "--signal=HUP"
            os.kill(int((RUNNING / name).read_text()), signal.Signals[f"SIG{how.removeprefix('--signal=')}"])
        else:
            end(name)
            start(name)


main(*sys.argv[1:])
