"""The hardware guide: its drawings show the right pins, and its commands are valid."""

import re
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
from gpiozero.pins.mock import MockFactory

from potvigil.settings.loading import load_text
from potvigil.settings.schema import Settings

ROOT = Path(__file__).parents[1]
GUIDE = ROOT / "config" / "hardware.md"
TEXT = GUIDE.read_text(encoding="utf-8")
DRAWINGS = sorted((ROOT / "config" / "wiring").glob("*.svg"))
SMALLEST = (ROOT / "config" / "smallest.yaml").read_text(encoding="utf-8")
SVG = "{http://www.w3.org/2000/svg}"


def words(drawing: Path) -> list[str]:
    root = ET.parse(drawing).getroot()
    return [(element.text or "").strip() for element in root.iter(f"{SVG}text")]


@pytest.mark.parametrize("drawing", DRAWINGS, ids=lambda path: path.stem)
def test_every_pin_of_a_drawing_is_where_the_board_has_it(drawing: Path) -> None:
    """Against the header that gpiozero's own board data describe."""
    header = MockFactory().board_info.headers["J8"]
    named = [re.fullmatch(r"(GPIO \d+|5 V|3\.3 V|ground).*, pin (\d+)", each) for each in words(drawing)]
    pins = {int(each[2]): each[1] for each in named if each is not None}
    assert len(pins) >= 6
    known = {"5 V": "5V", "3.3 V": "3V3", "ground": "GND"}
    for number, name in pins.items():
        assert header.pins[number].name == known.get(name, name.replace(" ", ""))


@pytest.mark.parametrize("drawing", DRAWINGS, ids=lambda path: path.stem)
def test_a_drawing_is_described_in_words_and_adapts_to_the_dark(drawing: Path) -> None:
    root = ET.parse(drawing).getroot()
    assert root.attrib["role"] == "img"
    assert len(root.findtext(f"{SVG}desc") or "") > 100
    assert "prefers-color-scheme: dark" in (root.findtext(f"{SVG}style") or "")


def fragments() -> list[str]:
    return re.findall(r"```yaml\n(.*?)```", TEXT, re.DOTALL)


def settings_of(fragment: str) -> Settings:
    """Put a fragment into the smallest settings: keys of the pot are indented, others stand at the top."""
    kept = [
        line for line in SMALLEST.splitlines() if not ("thermometer" in line and "thermometer" in fragment)
    ]
    return load_text("\n".join([*kept, fragment]), "workshop.yaml")


@pytest.mark.parametrize("fragment", fragments(), ids=lambda text: text.split()[0])
def test_every_fragment_of_settings_loads(fragment: str) -> None:
    settings_of(fragment)


def test_the_fragments_are_those_of_the_drawings() -> None:
    ratiometric, loop, signals = map(settings_of, fragments())
    voltage, current = ratiometric.pots["lantern"].transducer, loop.pots["lantern"].transducer
    first, second = (" ".join(words(ROOT / f"config/wiring/{name}.svg")) for name in ("ratiometric", "loop"))
    # Ohm: 15 kilohm below 10 kilohm
    assert "10 kΩ" in first and "15 kΩ" in first
    assert voltage.divider == pytest.approx(15.0 / (10.0 + 15.0))
    assert voltage.divider * voltage.supply.si < 3.3  # TI ADS1115 (SBAS444): no input above VDD
    assert "100 Ω" in second and current.shunt is not None and current.shunt.si == pytest.approx(100.0)
    # NAMUR NE 43: from 21 mA on a failure, which the range must show
    assert 0.021 * current.shunt.si < current.full_scale.si <= 4.096
    wired = signals.signals
    assert wired is not None and wired.lamp is not None
    for pin in (wired.lamp.calm, wired.lamp.note, wired.lamp.alarm, wired.buzzer, wired.button):
        assert f"GPIO {pin}, pin" in second


def test_every_command_and_file_of_the_guide_exists(capsys: pytest.CaptureFixture[str]) -> None:
    from potvigil.cli import main

    for verb in set(re.findall(r"potvigil (check|calibrate|alarm test|batch list|batch report)", TEXT)):
        with pytest.raises(SystemExit) as ended:
            main([*verb.split(), "--help"])
        assert ended.value.code == 0
    capsys.readouterr()
    for file in re.findall(r"(systemd/[a-z-]+\.service|config/[a-z]+\.yaml)", TEXT):
        assert (ROOT / file).is_file()
    for picture in re.findall(r"\]\((.*?)\)", TEXT):
        assert (GUIDE.parent / picture).is_file()


def test_the_guide_keeps_to_its_cautions() -> None:
    for said in (
        "Never drill",
        "confirm zero on the pot's own gauge",
        "Never\ntighten a clamp under pressure",
        "licensed\npractice come first",
    ):
        assert said.replace("\n", " ") in " ".join(TEXT.split())
    assert not re.search(r"\bsafe", TEXT, re.IGNORECASE)
