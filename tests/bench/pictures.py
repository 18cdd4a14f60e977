"""The pictures of the README: the page on a phone in a night that leaks, and that night's curves.

    .venv/bin/python tests/bench/pictures.py        # into config/pictures, half a minute

A rehearsed night of the demo studio is watched until its alarm stands; Debian's Chromium shows the page as it
is then, and the report of the whole night, each in the light and in the dark.
"""

import argparse
import io
import shutil
import sys
import tempfile
from pathlib import Path

from PIL import Image
from playwright.sync_api import Browser, sync_playwright

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "tests"))

from page.browser.watched import Watched  # noqa: E402
from potvigil.record.store import Store  # noqa: E402
from potvigil.reports.batch import report_html  # noqa: E402
from potvigil.reports.collect import collect_report  # noqa: E402
from potvigil.sim.nights import NIGHTS  # noqa: E402
from rehearsal import rehearse  # noqa: E402

NIGHT, ALARMED_S = "two-in-the-morning", 4.6 * 3600.0
PHONE = {
    "viewport": {"width": 390, "height": 780},
    "is_mobile": True,
    "has_touch": True,
    "device_scale_factor": 2,
}
SHEET = {"viewport": {"width": 900, "height": 1200}, "device_scale_factor": 1.5}
LOOKS = ("light", "dark")
MARGIN_PX = 8.0  # around the curves
COLOURS = 64  # a page has few; the file is a third of what all colours take


def main() -> None:
    parser = argparse.ArgumentParser(description="Make the pictures of the README.")
    parser.add_argument("--out", type=Path, default=ROOT / "config/pictures")
    into: Path = parser.parse_args().out
    into.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        found = shutil.which("chromium")
        browser = playwright.chromium.launch(
            executable_path=found, args=["--no-sandbox", "--disable-dev-shm-usage"]
        )
        phone(browser, Path(folder) / "phone", into)
        curves(browser, Path(folder) / "curves", into)
        browser.close()


def phone(browser: Browser, folder: Path, into: Path) -> None:
    with Watched(folder, ALARMED_S, speed=1.0, night=NIGHT) as night:
        night.go()
        for look in LOOKS:
            page = browser.new_context(color_scheme=look, **PHONE).new_page()
            page.goto(night.url)
            page.wait_for_timeout(3000.0)  # the figures have come, nothing moves any more
            keep(page.screenshot(), into / f"phone-{look}.png")


def curves(browser: Browser, folder: Path, into: Path) -> None:
    with Store.open_read_only(rehearse(NIGHTS[NIGHT], folder).record) as store:
        html = report_html(collect_report(store, 1))
    for look in LOOKS:
        page = browser.new_context(color_scheme=look, **SHEET).new_page()
        page.set_content(html)
        box = page.locator("figure").first.bounding_box()
        at = {"x": box["x"] - MARGIN_PX, "y": box["y"] - MARGIN_PX}
        size = {each: box[each] + 2.0 * MARGIN_PX for each in ("width", "height")}
        keep(page.screenshot(clip={**at, **size}, full_page=True), into / f"night-{look}.png")


def keep(png: bytes, path: Path) -> None:
    few = Image.open(io.BytesIO(png)).convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE)
    few.save(path, optimize=True)
    print(f"{path}: {path.stat().st_size / 1000.0:.0f} kB")


if __name__ == "__main__":
    main()
