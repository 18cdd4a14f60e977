"""The machine itself: space and permission for the record, clock, bus devices, a running watch."""

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

from potvigil import paths
from potvigil.checking.finding import Finding, fault, good, unknown
from potvigil.clock import Instant
from potvigil.live_reader import LiveReader
from potvigil.record.errors import START_THE_WATCH, RecordError
from potvigil.record.file import is_record
from potvigil.record.lock import is_watched
from potvigil.settings.schema import Settings

# Per night and pot; measured, see tests/bench/FIGURES.md.
NIGHT_BYTES = 20_000_000
# A month of one pot: less is reported while there is still time to act.
_LEAST_NIGHTS = 30
_I2C, _SPI, _PINS = "i2c", "spi", "gpio"
_SWITCH_ON = "switch it on with `sudo raspi-config`, Interface Options, and restart the Pi"
# Exists on a Pi, and on no ordinary computer.
_BOARD = Path("/proc/device-tree/model")


def on_record(settings: Settings, *, of_service: bool) -> Iterator[Finding]:
    """Yield whether the record can be kept. of_service: the settings are those of the installed service."""
    path, what = settings.record_file, "record"
    folder = path.absolute().parent
    if of_service and not paths.SERVICE_STATE.exists():
        yield unknown(
            what, f"there is no {paths.SERVICE_STATE} yet; `sudo potvigil service install` makes it"
        )
        return
    if of_service and not path.is_relative_to(paths.SERVICE_STATE):
        yield fault(
            what,
            f"{path}: the service may write only below {paths.SERVICE_STATE}; leave out record.file, "
            "or allow it with ReadWritePaths= in a drop-in of each unit",
        )
    is_usual = path == paths.usual_record()
    while is_usual and not folder.exists():
        folder = folder.parent  # which the watch creates
    if not folder.is_dir():
        of_ours = path.is_relative_to(paths.SERVICE_STATE)
        how = (
            "`sudo potvigil service install` makes it"
            if of_ours
            else "create it, or plug in the drive it is on"
        )
        yield fault(what, f"{path}: there is no folder {folder}; {how}")
        return
    if not os.access(folder, os.X_OK):
        yield unknown(what, f"{path}: {_not_this_user(folder, of_service)}")
        return
    try:
        is_there = is_record(path)
    except RecordError as error:
        yield fault(what, str(error))
        return
    if not all(os.access(each, os.W_OK) for each in ([folder, path] if is_there else [folder])):
        yield (unknown if of_service else fault)(what, f"{path}: {_not_this_user(folder, of_service)}")
        return
    free = shutil.disk_usage(folder).free
    nights = free // (NIGHT_BYTES * len(settings.pots))
    room = f"{_size(free)} free, about {nights:,} nights"
    if nights < _LEAST_NIGHTS:
        yield fault(
            "disk",
            f"{folder}: only {room}; make room, or keep less (record.full_resolution)",
        )
    else:
        yield good(what, f"{path}: {'can be written' if is_there else 'the watch can make it'}; {room}")


def on_clock(now: Instant) -> Finding:
    if now.utc_s is None:
        return unknown(
            "clock",
            "nothing sets it, so it may be wrong; connect the network, or fit a battery clock: until then "
            "the alarm clock-unset is active",
        )
    return good("clock", "set")


def devices_of(settings: Settings) -> dict[str, set[Path]]:
    """Return the devices the settings need, by the group that may use them."""
    needed: dict[str, set[Path]] = {}
    for pot in settings.pots.values():
        wire = pot.transducer
        if wire.device.startswith("ads"):
            needed.setdefault(_I2C, set()).add(Path(f"/dev/i2c-{wire.bus}"))
        else:
            needed.setdefault(_SPI, set()).add(Path(f"/dev/spidev0.{wire.spi_device or 0}"))
        for probe in pot.thermometer:
            if probe.is_platinum:
                needed.setdefault(_SPI, set()).add(Path(f"/dev/spidev0.{probe.spi_device or 0}"))
    if settings.barometer.device is not None:
        needed.setdefault(_I2C, set()).add(Path(f"/dev/i2c-{settings.barometer.bus}"))
    if settings.signals is not None:
        needed[_PINS] = {Path("/dev/gpiochip0")}
    return needed


def on_devices(
    settings: Settings,
    one_wire_root: Path,
    *,
    exists: Callable[[Path], bool] = Path.exists,
    usable: Callable[[Path], bool] = lambda path: os.access(path, os.R_OK | os.W_OK),
) -> Iterator[Finding]:
    """Yield whether the buses are enabled and accessible to this user. No device on them is accessed.

    Settings may be checked on a computer without buses: there it is no fault.
    """
    missing = fault if exists(_BOARD) else unknown
    for group, devices in devices_of(settings).items():
        for device in sorted(devices):
            if not exists(device):
                yield missing(group, f"there is no {device} here; on the Pi, {_SWITCH_ON}")
            elif not usable(device):
                yield fault(
                    group,
                    f"{device} is not open to this user; `sudo usermod -aG {group} $USER`, then log in again",
                )
            else:
                yield good(group, f"{device} can be used")
    needs_one_wire = any(
        probe.device == "ds18b20" for pot in settings.pots.values() for probe in pot.thermometer
    )
    if needs_one_wire:
        if exists(one_wire_root):
            yield good("1-wire", f"{one_wire_root} is there")
        else:
            yield missing("1-wire", f"there is no {one_wire_root} here; on the Pi, {_SWITCH_ON}")


def on_watch(settings: Settings, live_file: Path) -> Finding:
    """Return whether a watch is running, and with these settings."""
    what = "watch"
    live, is_silent = LiveReader(live_file).read()
    if live is not None and not is_silent and live.workshop == settings.workshop:
        if set(live.pots) != set(settings.pots):
            return fault(
                what,
                f"running, but with other pots ({', '.join(live.pots)}); restart it: `sudo systemctl restart "
                "potvigil`",
            )
        return good(what, "running")
    if is_watched(settings.record_file):
        return fault(
            what,
            f"a process holds the record but does not update {live_file}: it has hung, or is another "
            "user's; see `systemctl status potvigil`",
        )
    return unknown(what, f"not running; to start it, {START_THE_WATCH}")


def on_watched_broker(live_file: Path) -> Iterator[Finding]:
    """Yield the broker trouble that a running watch reports."""
    live, is_silent = LiveReader(live_file).read()
    if live is not None and not is_silent and live.broker is not None and live.broker.trouble:
        yield fault("broker", f"the watch reports: {live.broker.trouble}")


def _not_this_user(folder: Path, of_service: bool) -> str:
    if of_service:
        return paths.join_the_group(folder)
    return f"this user may not write {folder}; grant permission, or name another record.file"


def _size(number: float) -> str:
    return f"{number / 1e9:.1f} GB" if number >= 1e9 else f"{number / 1e6:.0f} MB"
