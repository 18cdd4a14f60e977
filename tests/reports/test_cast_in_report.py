"""How the cast came out, and its pictures, in report and health; both on a dark page as on paper."""

import base64
import re
from dataclasses import replace
from io import BytesIO

import pytest
from PIL import Image

from made_report import made_night
from potvigil.model.events import Detail
from potvigil.reports.batch import report_html
from potvigil.reports.charts.chart_data import rate_limits
from potvigil.reports.charts.chart_style import dark_rules
from potvigil.reports.pdf import pdf_of
from potvigil.reports.pictures import as_data_uri
from potvigil.units import PRESSURE_UNITS_PA, SECONDS_PER_HOUR
from printed_page import Page


@pytest.fixture(scope="module")
def told():
    return made_night()


def photo(turned: int = 1, kind: str = "JPEG") -> bytes:
    """Return a picture 1400 x 700, its left half black, with what a camera adds. turned: see TIFF 6.0."""
    picture = Image.new("RGB", (1400, 700), "white")
    picture.paste("black", (0, 0, 700, 700))
    exif = Image.Exif()
    exif[0x0112], exif[0x010F] = turned, "Some camera"
    exif.get_ifd(0x8825)[1] = "N"  # where it was taken
    file = BytesIO()
    picture.save(file, kind, exif=exif)
    return file.getvalue()


def seen(uri: str) -> Image.Image:
    return Image.open(BytesIO(base64.b64decode(uri.partition(",")[2])))


def of(told, outcome: str = "", **more):
    details = {**told.row.details, Detail.OUTCOME: outcome}
    return replace(told, row=replace(told.row, details=details), **more)


@pytest.mark.parametrize(
    ("outcome", "said"),
    [
        ("good", "● The cast is good."),
        ("flawed", "■ The cast is flawed."),
        ("flawed: bubbles <b>", "■ The cast is flawed: bubbles <b>."),
    ],
)
def test_the_report_says_how_the_cast_came_out(told, outcome, said):
    assert said in Page(report_html(of(told, outcome))).text


def test_a_cast_that_nobody_looked_at_is_not_mentioned(told):
    assert "The cast is" not in Page(report_html(of(told))).text


def test_pictures_are_smaller_upright_and_without_camera_data(told):
    html = report_html(of(told, pictures=(("rim.jpg", photo()), ("broken.jpg", b"\xff\xd8\xff no more"))))
    (uri,) = re.findall(r'<img src="(data:image/jpeg;base64,[^"]+)" alt="Picture of the cast: rim.jpg"', html)
    picture = seen(uri)
    assert max(picture.size) == 1000 and not picture.getexif()
    assert len(uri) < 60_000
    turned = seen(as_data_uri(photo(turned=6)))  # 6: the camera was held a quarter turned
    assert turned.size == (500, 1000)
    assert turned.getpixel((250, 10))[0] < 40 < 200 < turned.getpixel((250, 990))[0]


def test_a_picture_larger_than_memory_or_none_at_all_is_left_out(monkeypatch):
    assert as_data_uri(b"") is None
    assert as_data_uri(b"GIF89a") is None
    monkeypatch.setattr("potvigil.reports.pictures._MOST_PIXELS", 1000)
    assert as_data_uri(photo()) is None


@pytest.mark.parametrize("kind", ["PNG", "WEBP"])
def test_other_kinds_become_jpeg_on_white(kind):
    clear = Image.new("RGBA", (20, 20), (255, 0, 0, 0))
    file = BytesIO()
    clear.save(file, kind)
    assert min(seen(as_data_uri(file.getvalue())).getpixel((10, 10))) > 250


def test_a_picture_is_printed_too(told):
    with_it = pdf_of(report_html(of(told, pictures=(("rim.jpg", photo()),))))
    assert b"/Subtype /Image" in with_it
    assert b"/Subtype /Image" not in pdf_of(report_html(of(told)))


def test_every_colour_of_a_chart_has_one_for_the_dark(told):
    """A colour that nobody thought of would be dark on dark."""
    report = report_html(told)
    styles = re.findall(r'style="([^"]*)"', "".join(re.findall(r"<svg.*?</svg>", report, re.DOTALL)))
    used = {
        part.strip() for style in styles for part in style.split(";") if "#" in part and "url" not in part
    }
    assert used
    turned = dark_rules()
    stays = {"fill: #e69f00", "stroke: #e69f00"}  # light enough on either
    assert {each for each in used - stays if f'[style*="{each}"]' not in turned} == set()
    assert "prefers-color-scheme: dark" in report


def test_an_alarmed_leak_lies_within_its_panel_however_short_it_was(told):
    """The last minutes of a night that leak: too few to matter to a share of all, and what is alarmed of."""
    unit = PRESSURE_UNITS_PA["psi"] / SECONDS_PER_HOUR
    quiet = [replace(each, leak_established=False) for each in told.traces]
    rate = next(each.leak_pa_per_s for each in told.traces if each.leak_pa_per_s is not None)
    jump = replace(rate, value=40.0 * unit, low=39.0 * unit, high=41.0 * unit)
    last = replace(quiet[-1], leak_established=True, leak_pa_per_s=jump)
    assert rate_limits(replace(told, traces=(*quiet[:-1], last)), unit)[1] > 40.0
