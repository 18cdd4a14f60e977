"""What is known of a pot before a pour: its last leaks and fills, the room and its last night."""

from dataclasses import dataclass

from potvigil.model.events import Interval

ROOM_K = (263.15, 323.15)  # -10 to 50 C; nobody casts outside it, so a thermometer that reads so is faulty


@dataclass(frozen=True, slots=True)
class SoFar:
    """Leaks and fills of the last batches, oldest first. None or empty is unknown.

    room_k: now. night: seconds from the requested start and temperatures, of the day before it.
    """

    leaks_pa_per_s: tuple[Interval, ...] = ()
    leak_now_pa_per_s: Interval | None = None
    fills_s: tuple[float, ...] = ()
    room_k: float | None = None
    night: tuple[tuple[float, ...], tuple[float, ...]] | None = None
