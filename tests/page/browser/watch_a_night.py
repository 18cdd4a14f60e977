"""Watch a named night: up to a moment at full speed, then, after a line on stdin, live and with a broker.

watch_a_night.py NIGHT FOLDER FROM_S SPEED MQTT_PORT; port 0: no broker. Prints "ready", then waits.
"""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from potvigil.outputs.broker.mqtt_link import MqttLink
from potvigil.outputs.live import LiveFile
from potvigil.sim.nights import NIGHTS
from rehearsal import Bench

SAMPLE_PERIOD_S = 5.0


def main(name: str, folder: Path, from_s: float, speed: float, port: int) -> None:
    bench = Bench(NIGHTS[name], folder, sample_period_s=SAMPLE_PERIOD_S)
    bench.begin()
    bench.run_until(from_s)
    bench.service.stop()
    print("ready", flush=True)
    sys.stdin.readline()
    bench.speed = speed
    bench.link = MqttLink(host="127.0.0.1", port=port) if port else None
    bench.live = LiveFile(folder / "live.json", bench.settings.workshop, name, SAMPLE_PERIOD_S / speed)
    bench.begin()
    bench.run_until()


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]), float(sys.argv[3]), float(sys.argv[4]), int(sys.argv[5]))
