"""The kernel restrictions of a unit file, applied to this process without a service manager.

System calls, address families and memory both writable and executable, by the library systemd itself uses
for that (libseccomp); the user namespace with systemd's own mapping of users. Sources: systemd.exec(5),
seccomp_rule_add(3), user_namespaces(7); constants from <sys/mman.h>, <sys/shm.h>, <sched.h>, <seccomp.h>.
Not applied: whatever is a mount, a device cgroup or a capability.
"""

import ctypes
import errno
import functools
import os
import re
import socket
import subprocess
from pathlib import Path

from patience import PATIENCE_S

UNITS = Path(__file__).parents[1] / "systemd"
_ALLOW, _ERRNO = 0x7FFF0000, 0x00050000
_NE, _EQ, _MASKED_EQ = 1, 4, 7
_PROT_WRITE, _PROT_EXEC, _SHM_EXEC = 2, 4, 0o100000
_CLONE_NEWUSER = 0x10000000


class _Compare(ctypes.Structure):
    _fields_ = (("arg", ctypes.c_uint), ("op", ctypes.c_int), ("a", ctypes.c_uint64), ("b", ctypes.c_uint64))


def settings(unit: Path, name: str) -> list[str]:
    """All values of a key, in order."""
    return re.findall(rf"^{name}=(.*)$", unit.read_text(), re.MULTILINE)


def analyze(*arguments: object) -> subprocess.CompletedProcess[str]:
    command = ["systemd-analyze", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE_S, check=False)


@functools.cache
def members(group: str) -> frozenset[str]:
    """The system calls of a group (@...), as systemd lists them; a plain name is itself."""
    if not group.startswith("@"):
        return frozenset({group})
    lines = [line.strip() for line in analyze("syscall-filter", group).stdout.splitlines()[1:]]
    return frozenset(call for line in lines if line and not line.startswith("#") for call in members(line))


def allowed_calls(unit: Path) -> set[str]:
    """The calls left after all SystemCallFilter lines, in order; the first line lists the allowed ones."""
    allowed: set[str] = set()
    for line in settings(unit, "SystemCallFilter"):
        calls = {call for group in line.removeprefix("~").split() for call in members(group)}
        allowed = allowed - calls if line.startswith("~") else allowed | calls
    if settings(unit, "ProtectClock") == ["yes"]:
        allowed -= members("@clock")
    return allowed


def confine(unit: Path) -> None:
    """Forbid this process and its children what the unit forbids. This cannot be undone."""
    library = ctypes.CDLL("libseccomp.so.2", use_errno=True)
    library.seccomp_init.restype = ctypes.c_void_p
    refused = _ERRNO | errno.EPERM
    allowed = allowed_calls(unit)
    families = settings(unit, "RestrictAddressFamilies")[0].split()
    kept = [] if families == ["none"] else [int(getattr(socket, family)) for family in families]
    beyond = _ERRNO | errno.EAFNOSUPPORT
    rules = [(beyond, "socket", [_Compare(0, _EQ, each, 0)]) for each in range(64) if each not in kept]
    if settings(unit, "MemoryDenyWriteExecute") == ["yes"]:
        both = _PROT_WRITE | _PROT_EXEC
        rules.append((refused, "mmap", [_Compare(2, _MASKED_EQ, both, both)]))
        rules.append((refused, "mprotect", [_Compare(2, _MASKED_EQ, _PROT_EXEC, _PROT_EXEC)]))
        rules.append((refused, "shmat", [_Compare(2, _MASKED_EQ, _SHM_EXEC, _SHM_EXEC)]))
    _load(library, _ALLOW, rules)
    # last: it forbids to load another
    _load(library, refused, [(_ALLOW, call, []) for call in allowed])


def _load(library: ctypes.CDLL, usual: int, rules: list[tuple[int, str, list[_Compare]]]) -> None:
    context = ctypes.c_void_p(library.seccomp_init(usual))
    for action, call, compared in rules:
        number = library.seccomp_syscall_resolve_name(call.encode())
        array = (_Compare * max(len(compared), 1))(*compared)
        if number < 0:
            continue  # of another kind of processor
        code = library.seccomp_rule_add_array(context, action, number, len(compared), array)
        if code < 0:
            raise OSError(-code, f"{call}: {os.strerror(-code)}")
    code = library.seccomp_load(context)
    if code < 0:
        raise OSError(-code, os.strerror(-code))
    library.seccomp_release(context)


def become(uid: int, gid: int, groups: list[int], private_users: bool) -> None:
    """Become another user as the manager does; private_users: only root and that user exist inside."""
    os.setgroups(groups)
    os.setresgid(gid, gid, gid)
    if not private_users:
        os.setresuid(uid, uid, uid)
        return
    ours, theirs = os.pipe(), os.pipe()
    parent = os.getpid()
    child = os.fork()
    if child == 0:  # still root outside: it alone may map root
        os.read(ours[0], 1)
        Path(f"/proc/{parent}/uid_map").write_text(f"0 0 1\n{uid} {uid} 1\n")
        Path(f"/proc/{parent}/gid_map").write_text(f"0 0 1\n{gid} {gid} 1\n")
        os.write(theirs[1], b".")
        os._exit(0)
    os.setresuid(uid, uid, 0)
    if ctypes.CDLL(None, use_errno=True).unshare(_CLONE_NEWUSER) != 0:
        raise OSError(ctypes.get_errno(), "unshare")
    os.write(ours[1], b".")
    os.read(theirs[0], 1)
    os.waitpid(child, 0)
    os.setresuid(uid, uid, uid)
