"""How long it takes from an alarm that is raised to each way by which somebody is told of it, ms.

On one machine and without a network in between; the watch ticks as fast as it can, so that what is waited for
is the way itself and not its next tick (one second), nor the notifier's next look (one second).
"""

import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from house import opened
from potvigil.model.events import AlarmId


def main() -> None:
    with tempfile.TemporaryDirectory() as folder, opened(Path(folder)) as house:
        print(f"| alarm | lamp, buzzer | {' | '.join(house.ways(AlarmId.TEST))} |\n|---|---|---|---|---|---|")
        for alarm in AlarmId:
            ways = house.ways(alarm)
            with house.raised(alarm):
                pins = "yes" if house.seen_and_heard() == (True, True) else "NO"
                began_s, took_ms = time.monotonic(), {}
                while len(took_ms) < len(ways):
                    for way, has_told in ways.items():
                        if way not in took_ms and has_told():
                            took_ms[way] = 1000.0 * (time.monotonic() - began_s)
                    house.tick()
            print(f"| `{alarm}` | {pins} | {' | '.join(f'{took_ms[way]:.0f}' for way in ways)} |", flush=True)


if __name__ == "__main__":
    main()
