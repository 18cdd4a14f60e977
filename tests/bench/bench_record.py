"""What the record costs: microseconds per sample, megabytes written in a night.

    python tests/bench/bench_record.py --hours 10 --pots 1
    python tests/bench/bench_record.py --lost-probe  # the thermometer is silent all night
    python tests/bench/bench_record.py --device --folder /mnt/card  # a disk nobody else writes to

Without --device the bytes are those the program hands to the kernel (wchar of /proc/self/io). With it every
commit is pushed out to the medium on its own, as it is in a real night, and the sectors written are read from
/sys/dev/block: file, write-ahead log, its index and the file system's own journal.
"""

import argparse
import ctypes
import os
import random
import tempfile
import time
from pathlib import Path

from potvigil.model.events import AlarmEvent, AlarmId, AlarmState, BatchOpened, Priority, Stage, StageEvent
from potvigil.model.reading import Fault, Place, Sample, Sensor
from potvigil.record.store import Store
from potvigil.record.tables.ledger import SAMPLE_COMMIT_PERIOD_S

SECTOR_BYTES = (
    512  # of /sys/dev/block/*/stat, whatever the medium's own are (kernel documentation, block/stat)
)
UTC_S = 1_767_304_800.0
_LOST = Fault(
    Sensor.THERMOMETER,
    "28-0316a2794aff: not on the bus; check its wires, and dtoverlay=w1-gpio in the boot configuration",
    Place.WALL,
)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--hours", type=float, default=10.0)
    parser.add_argument("--pots", type=int, default=1)
    parser.add_argument(
        "--folder", type=Path, default=None, help="where the record is made (default: temporary)"
    )
    parser.add_argument("--device", action="store_true", help="count the sectors the medium writes")
    parser.add_argument("--lost-probe", action="store_true", help="the wall's thermometer never answers")
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=arguments.folder) as folder:
        measure(
            Path(folder), int(arguments.hours * 3600), arguments.pots, arguments.device, arguments.lost_probe
        )


def measure(folder: Path, seconds: int, pots: int, on_device: bool, lost_probe: bool) -> None:
    names = [f"pot-{number}" for number in range(pots)]
    samples = [
        [_sample(random.Random(number), second, lost_probe) for second in range(seconds)]
        for number in range(pots)
    ]
    path = folder / "record.db"
    with Store.open(path) as store:
        store.begin_run("{}", "bench", 0.0, UTC_S, None)
        bytes_before, sectors_before = _bytes_handed_over(), _sectors_written(folder) if on_device else 0
        start_s = time.perf_counter()
        for name in names:
            store.open_batch(name, BatchOpened(0.0, UTC_S))
        for second in range(seconds):
            for name, night in zip(names, samples, strict=True):
                store.append(name, night[second])
            if second % 1200 == 600:  # three things happen in an hour
                store.add_event(names[0], 1, _event(float(second)))
            store.commit_due(float(second))
            if on_device and second % SAMPLE_COMMIT_PERIOD_S == 0:
                _push_out(folder)
        store.flush()
        feeding_s = time.perf_counter() - start_s
        start_s = time.perf_counter()
        for second in range(2000):
            store.take_commands(float(second))
        commands_s = (time.perf_counter() - start_s) / 2000
        handed_over = _bytes_handed_over() - bytes_before
        start_s = time.perf_counter()
        count = sum(1 for _ in store.samples(names[0], 0.0))
        reading_s = time.perf_counter() - start_s
        assert count == seconds, f"{count} of {seconds} samples came back"
    print(f"{pots} pot(s), {seconds / 3600:g} h at 1 Hz, a commit each {SAMPLE_COMMIT_PERIOD_S:g} s")
    if on_device:
        _push_out(folder)
        written = (_sectors_written(folder) - sectors_before) * SECTOR_BYTES
        print(f"  written by the medium    {written / 1e6:8.1f} MB")
    else:
        print(f"  append with commits      {feeding_s / seconds / pots * 1e6:8.1f} us a sample")
    print(f"  handed to the kernel     {handed_over / 1e6:8.1f} MB")
    print(f"  file                     {path.stat().st_size / 1e6:8.1f} MB")
    print(f"  asking for commands      {commands_s * 1e6:8.1f} us a tick")
    print(f"  reading a pot's samples  {reading_s / seconds * 1e6:8.1f} us a sample")


def _sample(rng: random.Random, second: int, lost_probe: bool) -> Sample:
    return Sample(
        t_s=second + rng.random() * 0.002,
        utc_s=UTC_S + second + rng.random() * 0.002,
        transducer_count=15_000 + rng.random() * 8,
        supply_count=26_000 + rng.random() * 8,
        wall_c=None if lost_probe else 21.0 + rng.random(),
        room_c=20.0 + rng.random(),
        ambient_pa=101_000 + rng.random() * 50,
        faults=(_LOST,) if lost_probe else (),
    )


def _event(t_s: float) -> StageEvent | AlarmEvent:
    if t_s == 600.0:
        return StageEvent(t_s, UTC_S + t_s, Stage.HOLDING)
    text = "Air is being lost since 23:10; this batch will hold. Look at the lid's seal after venting."
    return AlarmEvent(t_s, UTC_S + t_s, AlarmId.LEAK, AlarmState.UNACKNOWLEDGED, Priority.LOW, text)


def _bytes_handed_over() -> int:
    fields = dict(line.split(": ") for line in Path("/proc/self/io").read_text().splitlines())
    return int(fields["wchar"])


def _sectors_written(folder: Path) -> int:
    device = folder.stat().st_dev
    stat = Path(f"/sys/dev/block/{os.major(device)}:{os.minor(device)}/stat").read_text().split()
    return int(stat[6])


def _push_out(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        if ctypes.CDLL(None, use_errno=True).syncfs(descriptor) != 0:
            raise OSError(ctypes.get_errno(), "syncfs", str(folder))
    finally:
        os.close(descriptor)


if __name__ == "__main__":
    main()
