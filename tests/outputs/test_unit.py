"""The unit file, checked by systemd's own tools."""

import os
import re
import socket
import subprocess
import sys
import tempfile
import threading
from contextlib import suppress
from pathlib import Path

import pytest

from broker import Broker, free_port
from only_root import needs_root
from patience import PATIENCE_S, wait_until
from sandbox import UNITS, allowed_calls, analyze, members
from sandbox import settings as values_of

UNIT = UNITS / "potvigil.service"
SERVICES = sorted(UNITS.glob("*.service"))
HERE = Path(__file__).parents[1]


def settings(name):
    """All values of a key of the watch's unit, in order."""
    return values_of(UNIT, name)


@pytest.mark.parametrize("unit", sorted(UNITS.iterdir()), ids=lambda path: path.name)
def test_systemd_accepts_the_units_without_complaint(unit, tmp_path):
    # the program itself is installed elsewhere, if at all: another takes its place
    for each in UNITS.iterdir():  # a timer asks for its service
        text = re.sub(r"^ExecStart=\S+", "ExecStart=/bin/true", each.read_text(), flags=re.MULTILINE)
        (tmp_path / each.name).write_text(text)
    verdict = analyze("verify", tmp_path / unit.name)
    assert (verdict.returncode, verdict.stdout, verdict.stderr) == (0, "", "")


def test_a_complaint_of_systemd_would_be_seen(tmp_path):
    copy = tmp_path / UNIT.name
    copy.write_text("[Service]\nExecStart=/bin/true\nWatchdogSecs=30\n")
    assert "WatchdogSecs" in analyze("verify", copy).stderr


@pytest.mark.parametrize("unit", SERVICES, ids=lambda path: path.name)
def test_the_service_is_sandboxed(unit):
    verdict = analyze("security", "--offline=true", unit)
    exposure = re.search(r"Overall exposure level.*: (\d+\.\d)", verdict.stdout)
    assert exposure is not None, verdict.stderr
    assert float(exposure[1]) <= 1.5


@pytest.mark.parametrize(
    "call",
    [
        "ioctl",  # I2C, SPI and GPIO
        "fdatasync",  # the record
        "connect",  # broker and service manager
        "getrandom",
    ],
)
def test_the_watch_keeps_the_kernel_features_it_needs(call):
    assert call in allowed_calls(UNIT)


@pytest.mark.parametrize("unit", SERVICES, ids=lambda path: path.name)
@pytest.mark.parametrize(
    "call",
    [
        *("mount", "ptrace", "init_module", "reboot", "bpf", "setuid", "settimeofday", "clock_settime"),
        "adjtimex",  # also the question alone whether the clock is set: clock.py has another way
    ],
)
def test_kernel_features_it_does_not_need_are_blocked(unit, call):
    assert call not in allowed_calls(unit)


def test_the_drop_in_for_another_time_service_restores_the_clock_check(tmp_path):
    text = UNIT.read_text()
    lines = re.findall(r"^#   (.*=.*)$", text, re.MULTILINE)
    assert lines == ["ProtectClock=no", "SystemCallFilter=adjtimex clock_adjtime clock_adjtime64"]
    with_drop_in = tmp_path / UNIT.name
    with_drop_in.write_text(text.replace("ProtectClock=yes", "") + "\n[Service]\n" + "\n".join(lines))
    assert "adjtimex" in allowed_calls(with_drop_in)
    assert analyze("verify", with_drop_in).stderr.count("rror") == 0


def test_boot_id_and_board_can_be_read():
    assert settings("ProcSubset") == []


def test_the_service_restarts_forever_and_has_a_watchdog():
    assert settings("Type") == ["notify"]
    assert settings("Restart") == ["always"]
    assert settings("StartLimitIntervalSec") == ["0"]
    assert float(settings("WatchdogSec")[0]) >= 10  # a slow thermometer bus must not look like a stuck watch


def test_the_service_can_open_only_the_buses():
    assert settings("DevicePolicy") == ["closed"]
    assert settings("DeviceAllow") == ["char-i2c rw", "char-spi rw", "char-gpiochip rw"]
    assert settings("SupplementaryGroups") == ["i2c spi gpio"]


# --- the services themselves, shut in as the kernel would shut them in

CONFINED = """
import sys
sys.path.insert(0, {here!r})
from sandbox import UNITS, confine
confine(UNITS / {unit!r})
"""


def start(unit, code, *arguments, **environment):
    """Start a Python program that is first confined as the unit says."""
    text = CONFINED.format(here=str(HERE), unit=unit) + code
    return subprocess.Popen(
        [sys.executable, "-c", text, *map(str, arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, **environment},
    )


def finished(process):
    out, said = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 0, said
    return out, said


WATCHED = """
import socket, threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from potvigil.clock import SystemClock, boot_id
from potvigil.outputs import systemd
from potvigil.outputs.live import LiveFile
from potvigil.outputs.broker.mqtt_link import MqttLink
from potvigil.sim.nights import NIGHTS
from rehearsal import Bench

folder, port, until_s = Path(sys.argv[1]), int(sys.argv[2]), float(sys.argv[3])
SystemClock().now()
assert len(boot_id()) == 36
live = LiveFile(folder / "live.json", "harbour-models", "sandbox", 1.0)
link = MqttLink("localhost", port) if port else None
bench = Bench(NIGHTS["lost-before-gel"], folder / "night", link=link, live=live, speed=4000.0)
bench.executor = ThreadPoolExecutor(1)
bench.begin()
bench.run_until(until_s)
bench.service.stop()
for family, kind, refused in (
    (socket.AF_NETLINK, socket.SOCK_RAW, True), (socket.AF_PACKET, socket.SOCK_RAW, True),
    (socket.AF_INET6, socket.SOCK_STREAM, False),
):
    try:
        socket.socket(family, kind).close()
        was_refused = False
    except OSError as error:
        was_refused = error.errno == 97
    assert was_refused == refused, family
print("watched", bench.store.path)
"""


def test_the_watch_works_in_its_sandbox(tmp_path):
    """Record, live file, threads, clock, a broker by its name, the manager's socket: all of a night."""
    told = []

    def hear():  # a manager that reads nothing would hold up each tick
        with suppress(OSError):
            while True:
                told.append(manager.recv(4096))

    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager, Broker(tmp_path / "broker") as broker:
        manager.bind(str(tmp_path / "notify"))
        process = start(
            UNIT.name, WATCHED, tmp_path, broker.port, 4000, NOTIFY_SOCKET=str(tmp_path / "notify")
        )
        threading.Thread(target=hear, daemon=True).start()
        with broker.listen("#") as listener:
            wait_until(lambda: any(t.endswith("/$state") for t in listener.last()), "broker heard nothing")
            stdout, _ = finished(process)
        wait_until(lambda: b"WATCHDOG=1" in told, "the manager heard no ping")
    assert stdout.startswith("watched")
    assert (tmp_path / "live.json").stat().st_size > 1000


REFUSED = """
import mmap, os
try:
    mmap.mmap(-1, 4096, prot=mmap.PROT_READ | mmap.PROT_WRITE | mmap.PROT_EXEC)
    print("executable")
except PermissionError:
    print("refused")
try:
    os.setpriority(os.PRIO_PROCESS, 0, 5)
    print("nice")
except PermissionError:
    print("refused")
"""


@pytest.mark.parametrize("unit", SERVICES, ids=lambda path: path.name)
def test_the_test_sandbox_really_blocks(unit):
    assert finished(start(unit.name, REFUSED))[0].split() == ["refused", "refused"]
    assert set(members("@clock")).isdisjoint(allowed_calls(unit))


CLOCK = """
from pathlib import Path
from potvigil import clock
clock._BATTERY_CLOCK = Path("/nowhere")
clock._TIMESYNCD_HAS_SET_IT = Path(sys.argv[1])
print(clock.SystemClock().now().utc_s is not None)
"""


def test_in_its_sandbox_the_clock_is_trusted_once_set(tmp_path):
    """systemd-timesyncd.service(8): the file is touched at each synchronisation, and is under /run."""
    mark = tmp_path / "synchronized"
    assert finished(start(UNIT.name, CLOCK, mark))[0] == "False\n"
    mark.touch()
    assert finished(start(UNIT.name, CLOCK, mark))[0] == "True\n"


VERB = """
from potvigil.cli import main
sys.exit(main(sys.argv[1:]))
"""


def test_page_thinning_and_backup_work_in_their_sandboxes(tmp_path):
    """The page draws a PDF in a child process, which inherits the sandbox; thinning has no socket."""
    import httpx2

    code = WATCHED.replace("(socket.AF_INET6, socket.SOCK_STREAM, False),", "")
    finished(start(UNIT.name, code, tmp_path, 0, 4000))
    record = tmp_path / "night" / "record.db"
    out, _ = finished(
        start("potvigil-thin.service", VERB, "record", "thin", "--older-than", 0, "--record", record)
    )
    assert "samples became" in out
    out, _ = finished(
        start("potvigil-backup.service", VERB, "record", "backup", tmp_path / "copy.db", "--record", record)
    )
    assert "found intact" in out
    port = free_port()
    page = start(
        "potvigil-page.service", VERB, "page", "--record", record, "--port", port, HOME=str(tmp_path)
    )
    try:
        assert page.stdout.readline().startswith("page: ")
        base = f"http://127.0.0.1:{port}"
        assert httpx2.get(f"{base}/batch/1", timeout=PATIENCE_S).status_code == 200
        report = httpx2.get(f"{base}/batch/1/report.pdf", timeout=PATIENCE_S)
        assert (report.status_code, report.content[:5]) == (200, b"%PDF-"), report.text[:300]
    finally:
        page.terminate()
        _, said = page.communicate(timeout=PATIENCE_S)
    assert "Traceback" not in said


# --- users: only root and the service's own exist inside (PrivateUsers=)

USERS = """
import sys
sys.path.insert(0, {here!r})
from pathlib import Path
from sandbox import become
from potvigil.model.events import Action, Command
from potvigil.record.store import Store
import os
folder = Path(sys.argv[1])
uid, gid, groups = int(sys.argv[2]), int(sys.argv[3]), [int(each) for each in sys.argv[4].split()]
become(uid, gid, groups, True)
assert (os.getuid(), os.stat("/").st_uid) == (uid, 0)
os.umask(0o007)
if groups:
    (folder / "bus").open("r+b").close()
else:
    try:
        (folder / "bus").open("r+b")
        sys.exit("the bus is open to all")
    except PermissionError:
        pass
with Store.open(folder / "state" / "potvigil.db") as store:
    store.begin_run("{{}}", "boot", 1.0 + uid, None, None)
    input()
"""


@needs_root
def test_groups_give_access_to_buses_and_record_in_a_user_namespace():
    """The watch opens a bus by a supplementary group, the page writes beside it in its folder."""
    watch, page, group, bus = 61_001, 61_002, 61_001, 61_003
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        (folder / "bus").touch()
        (folder / "state").mkdir()
        own = f"chown 0:{bus} {made}/bus; chmod 660 {made}/bus; chown {watch}:{group} {made}/state; "
        own += f"chmod 2770 {made}/state; chmod 755 {made}"
        subprocess.run(["sh", "-c", own], check=True)
        both = []
        for uid, groups in ((watch, str(bus)), (page, "")):
            command = [
                sys.executable,
                "-c",
                USERS.format(here=str(HERE)),
                made,
                str(uid),
                str(group),
            ]
            pipes = {"stdin": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
            both.append(subprocess.Popen([*command, groups], **pipes))
            wait_until((folder / "state" / "potvigil.db").exists, "it began no record")
        for each in both:  # both hold the record at once
            _, said = each.communicate("\n", timeout=PATIENCE_S)
            assert each.returncode == 0, said
        subprocess.run(["chmod", "-R", "a+rX", made], check=True)
        assert (folder / "state" / "potvigil.db").stat().st_gid == group
        subprocess.run(["chown", "-R", str(os.getuid()), made], check=True)
