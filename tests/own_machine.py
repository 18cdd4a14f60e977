"""A machine for one test: this one's programs and files, writes that stay inside, and no network.

Namespaces of the kernel (namespaces(7)) with a layer over the folders that are written to (overlayfs).
It has its own processes and its own loopback, where every port is free.
"""

import os
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from patience import wait_until

ROOT = Path(__file__).parents[1]
# Where a server's packages, settings and records are written.
WRITTEN = ("/etc", "/var", "/opt", "/run", "/srv", "/usr/local", "/root", "/home")
# Also somebody's own Python or clone is for every user there.
_OPENED = [
    str(folder)
    for path in (ROOT, Path(sys.executable).resolve())
    for folder in path.parents
    if folder.is_relative_to("/root") or folder.is_relative_to("/home")
]
CLONE = Path("/opt/clone")
# SIOCSIFFLAGS, IFF_UP: netdevice(7)
_LOOPBACK_UP = (
    "import fcntl, socket, struct; fcntl.ioctl(socket.socket(), 0x8914, struct.pack('16sH14x', b'lo', 1))"
)
_BEGIN = f"""
set -e
mount -t tmpfs own /mnt
for each in {" ".join(WRITTEN)}; do
    mkdir -p /mnt/$each /mnt/work/$each
    mount -t overlay -o lowerdir=$each,upperdir=/mnt/$each,workdir=/mnt/work/$each own $each
done
chmod o+x {" ".join(_OPENED)} /
mkdir -p /run/systemd/system
{shlex.quote(sys.executable)} -c {shlex.quote(_LOOPBACK_UP)}
echo ready
exec sleep infinity
"""
# The program of a clone. What pip would fetch is already here; all else is really installed.
_PROGRAM = f"""
import sys
from pathlib import Path
from potvigil.cli import main
from potvigil.installing import program
program.source = lambda: Path({str(ROOT)!r})
program.copied = lambda of, into: of
program.commands = lambda *_, **__: [
    ["mkdir", "-p", "/opt/potvigil/bin", "/opt/potvigil/share/potvigil"],
    ["cp", "-rT", {str(ROOT / "config")!r}, "/opt/potvigil/share/potvigil/config"],
    ["install", "-m", "755", sys.argv[0], "/opt/potvigil/bin/potvigil"],
]
raise SystemExit(main(sys.argv[1:]))
"""


class OwnMachine:
    """A context manager. Commands are run in it as root by default."""

    log_folder = Path("/nowhere")

    def __enter__(self) -> "OwnMachine":
        words = ["unshare", "--mount", "--pid", "--net", "--ipc", "--uts", "--fork", "--kill-child"]
        words += ["--mount-proc", "--propagation", "private", "bash", "-c", _BEGIN]
        self._process = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)
        assert self._process.stdout is not None and self._process.stdout.readline() == "ready\n"
        children = Path(f"/proc/{self._process.pid}/task/{self._process.pid}/children")
        self._pid = children.read_text().split()[0]
        head = f"#!{sys.executable}\nimport sys\nsys.path.insert(0, {str(ROOT / 'daemon')!r})"
        self.write(CLONE / ".venv/bin/potvigil", f"{head}{_PROGRAM}", 0o755)
        self.run("cp", "-r", ROOT / "config", CLONE)
        self.run("install", "-m", "755", ROOT / "tests/machines/systemctl.py", "/usr/local/sbin/systemctl")
        return self

    def __exit__(self, *_: object) -> None:
        self._process.kill()  # and with it all that runs there
        self._process.wait()

    def _words(self, *words: object) -> list[str]:
        inside = ["nsenter", "--target", self._pid, "--mount", "--pid", "--net", "--ipc", "--uts", "--"]
        return [*inside, *map(str, words)]

    def tried(
        self, *words: object, typed: str = "", user: str | None = None, **environment: str
    ) -> subprocess.CompletedProcess[str]:
        """Run a command to its end."""
        as_user = [] if user is None else ["setpriv", "--reuid", user, "--regid", user, "--clear-groups"]
        path = "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin"
        kept = {"PATH": path, "HOME": "/root", "LANG": "C.UTF-8"} | environment
        return subprocess.run(
            self._words("env", "-i", *(f"{key}={value}" for key, value in kept.items()), *as_user, *words),
            input=typed,
            capture_output=True,
            text=True,
            check=False,
            cwd="/",
        )

    def run(self, *words: object, typed: str = "", user: str | None = None, **environment: str) -> str:
        """Run a command that succeeds, and return its output."""
        done = self.tried(*words, typed=typed, user=user, **environment)
        assert done.returncode == 0, (words, done.stdout, done.stderr)
        return done.stdout

    def begin(self, *words: object, user: str, log: Path, **environment: str) -> None:
        """Start a command that runs until the machine ends."""
        kept = [f"{key}={value}" for key, value in environment.items()]
        as_user = ["setpriv", "--reuid", user, "--regid", user, "--clear-groups"]
        with log.open("ab") as file:
            subprocess.Popen(self._words("env", *kept, *as_user, *words), stdout=file, stderr=file, cwd="/")

    def wait_for(self, *words: object) -> None:
        """Wait until a command ends well."""
        wait_until(
            lambda: self.tried(*words).returncode == 0,
            lambda: f"{words}: {self.tried(*words)}",
        )

    def write(self, path: Path, text: str, mode: int = 0o644) -> None:
        self.run("mkdir", "-p", path.parent)
        self.run("tee", path, typed=text)
        self.run("chmod", f"{mode:o}", path)

    def read(self, path: Path | str) -> str:
        return self.run("cat", path)


def _can_be_made() -> bool:
    """Return whether the kernel lets this user make one."""
    if os.geteuid() != 0:
        return False
    try:
        with OwnMachine():
            return True
    except (AssertionError, OSError):
        return False


needs_own_machine = pytest.mark.skipif(
    not _can_be_made(), reason="needs root, and a kernel that lets it make namespaces and layers"
)
