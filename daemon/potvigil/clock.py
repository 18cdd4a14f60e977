"""Boot-time seconds and UTC together: the only place that reads a clock."""

import ctypes
import errno
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

_STA_UNSYNC = 0x0040  # <sys/timex.h>: the kernel clock is not disciplined by any time source
_EARLIEST_BELIEVABLE_UTC_S = 1_735_689_600.0  # 2025-01-01, before this program existed
_BATTERY_CLOCK = Path("/dev/rtc0")
# Its time stamp is that of the last synchronisation; gone at each boot. systemd-timesyncd.service(8).
_TIMESYNCD_HAS_SET_IT = Path("/run/systemd/timesync/synchronized")


@dataclass(frozen=True, slots=True)
class Instant:
    """One moment on both clocks.

    boot_s: seconds since boot, counting suspended time; never jumps.
    utc_s: Unix time in seconds, or None while the wall clock is not to be trusted.
    """

    boot_s: float
    utc_s: float | None


class Clock(Protocol):
    def now(self) -> Instant: ...

    def sleep_until(self, boot_s: float) -> None:
        """Wait until boot time `boot_s`; return at once when it has passed."""


class SystemClock:
    """The clocks of this machine."""

    def now(self) -> Instant:
        utc_s = time.time()
        return Instant(time.clock_gettime(time.CLOCK_BOOTTIME), utc_s if _wall_clock_is_set(utc_s) else None)

    def sleep_until(self, boot_s: float) -> None:
        remaining_s = boot_s - time.clock_gettime(time.CLOCK_BOOTTIME)
        if remaining_s > 0:
            time.sleep(remaining_s)


class ManualClock:
    """A clock that is moved by hand: sleeping costs nothing and moves the world instead.

    `on_advance` is called with the new boot time at every step, before the sleeper wakes; with `speed`
    set, sleeping also lasts the slept time divided by `speed` in real seconds.
    """

    def __init__(
        self,
        boot_s: float = 0.0,
        utc_s: float | None = 1_767_304_800.0,  # 2026-01-01 22:00 UTC
        on_advance: Callable[[float], None] | None = None,
        speed: float | None = None,
    ) -> None:
        self._boot_s = boot_s
        self._utc_offset_s = None if utc_s is None else utc_s - boot_s
        self._on_advance = on_advance
        self._speed = speed

    def now(self) -> Instant:
        offset_s = self._utc_offset_s
        return Instant(self._boot_s, None if offset_s is None else self._boot_s + offset_s)

    def sleep_until(self, boot_s: float) -> None:
        step_s = boot_s - self._boot_s
        if step_s <= 0:
            return
        if self._speed is not None:
            time.sleep(step_s / self._speed)
        self._boot_s = boot_s
        if self._on_advance is not None:
            self._on_advance(boot_s)

    def set_utc(self, utc_s: float | None) -> None:
        """Set or unset the wall clock, as a late time server does."""
        self._utc_offset_s = None if utc_s is None else utc_s - self._boot_s


def boot_id() -> str:
    """Return the kernel's id of this boot, a UUID; boot times compare only within one boot."""
    return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()


class _Timex(ctypes.Structure):
    # struct timex of <sys/timex.h>; only modes and status are used, the rest is room for the kernel to write
    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("room", ctypes.c_byte * 256),
    )


def _wall_clock_is_set(utc_s: float) -> bool:
    """Return whether the wall clock can be trusted: disciplined by a time source, or a battery clock."""
    if utc_s < _EARLIEST_BELIEVABLE_UTC_S:
        return False
    if _BATTERY_CLOCK.exists():
        return True
    state = _Timex()
    if ctypes.CDLL(None, use_errno=True).adjtimex(ctypes.byref(state)) < 0:
        if ctypes.get_errno() == errno.EPERM:  # our own unit does not let us ask (ProtectClock)
            return _TIMESYNCD_HAS_SET_IT.exists()
        return True  # no such call here (a container): no reason to doubt the clock
    return not state.status & _STA_UNSYNC
