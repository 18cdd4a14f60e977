"""The cast's outcome and pictures in report and health, on a dark page and on paper."""

import base64
import re
import struct
import zlib
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
def data():
    return made_night()


def photo(turned: int = 1, kind: str = "JPEG") -> bytes:
    """Return a 1400 x 700 picture, left half black, with a camera's metadata. turned: see TIFF 6.0."""
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


def of(data, outcome: str = "", **more):
    details = {**data.row.details, Detail.OUTCOME: outcome}
    return replace(data, row=replace(data.row, details=details), **more)


@pytest.mark.parametrize(
    ("outcome", "said"),
    [
        ("good", "● The cast is good."),
        ("flawed", "■ The cast is flawed."),
        ("flawed: bubbles <b>", "■ The cast is flawed: bubbles <b>."),
    ],
)
def test_the_report_says_how_the_cast_came_out(data, outcome, said):
    assert said in Page(report_html(of(data, outcome))).text


def test_a_cast_without_an_outcome_is_not_mentioned(data):
    assert "The cast is" not in Page(report_html(of(data))).text


def test_pictures_are_smaller_upright_and_without_camera_data(data):
    html = report_html(of(data, pictures=(("rim.jpg", photo()), ("broken.jpg", b"\xff\xd8\xff no more"))))
    (uri,) = re.findall(r'<img src="(data:image/jpeg;base64,[^"]+)" alt="Picture of the cast: rim.jpg"', html)
    picture = seen(uri)
    assert max(picture.size) == 1000 and not picture.getexif()
    assert len(uri) < 60_000
    turned = seen(as_data_uri(photo(turned=6)))  # 6: the camera was turned by a quarter
    assert turned.size == (500, 1000)
    assert turned.getpixel((250, 10))[0] < 40 < 200 < turned.getpixel((250, 990))[0]


def test_a_huge_or_invalid_picture_is_left_out(monkeypatch):
    assert as_data_uri(b"") is None
    assert as_data_uri(b"GIF89a") is None
    monkeypatch.setattr("potvigil.reports.pictures._MOST_PIXELS", 1000)
    assert as_data_uri(photo()) is None


def header_of(wide: int, high: int) -> bytes:
    """Return the begin of a grey PNG of that size (PNG, third edition, 5.2 and 11.2.1)."""
    body = b"IHDR" + struct.pack(">IIBBBBB", wide, high, 8, 0, 0, 0, 0)
    header = struct.pack(">I", 13) + body + struct.pack(">I", zlib.crc32(body))
    return b"\x89PNG\r\n\x1a\n" + header + struct.pack(">I", 90) + b"IDAT" + bytes(90)


@pytest.mark.filterwarnings("ignore::PIL.Image.DecompressionBombWarning")
def test_no_picture_of_over_a_hundred_megapixels_is_decoded(monkeypatch):
    decoded = []
    monkeypatch.setattr("PIL.ImageOps.exif_transpose", lambda picture: decoded.append(picture.size))
    assert as_data_uri(header_of(10_001, 10_000)) is None
    assert decoded == []
    with pytest.raises(AttributeError):  # nothing came back of what was to be decoded
        as_data_uri(header_of(10_000, 10_000))
    assert decoded == [(10_000, 10_000)]


@pytest.mark.parametrize("kind", ["PNG", "WEBP"])
def test_other_formats_become_jpeg_on_white(kind):
    clear = Image.new("RGBA", (20, 20), (255, 0, 0, 0))
    file = BytesIO()
    clear.save(file, kind)
    assert min(seen(as_data_uri(file.getvalue())).getpixel((10, 10))) > 250


def test_a_picture_is_printed_too(data):
    with_it = pdf_of(report_html(of(data, pictures=(("rim.jpg", photo()),))))
    assert b"/Subtype /Image" in with_it
    assert b"/Subtype /Image" not in pdf_of(report_html(of(data)))


def test_every_chart_colour_has_a_dark_counterpart(data):
    """A colour left out would be dark on dark."""
    report = report_html(data)
    styles = re.findall(r'style="([^"]*)"', "".join(re.findall(r"<svg.*?</svg>", report, re.DOTALL)))
    used = {
        part.strip() for style in styles for part in style.split(";") if "#" in part and "url" not in part
    }
    assert used
    turned = dark_rules()
    stays = {"fill: #e69f00", "stroke: #e69f00"}  # light enough on either
    assert {each for each in used - stays if f'[style*="{each}"]' not in turned} == set()
    assert "prefers-color-scheme: dark" in report


def test_an_established_leak_lies_within_its_panel_however_short(data):
    """A leak in the last minutes of a night: too short to move a quantile, but it raised the alarm."""
    unit = PRESSURE_UNITS_PA["psi"] / SECONDS_PER_HOUR
    quiet = [replace(each, leak_established=False) for each in data.traces]
    rate = next(each.leak_pa_per_s for each in data.traces if each.leak_pa_per_s is not None)
    jump = replace(rate, value=40.0 * unit, low=39.0 * unit, high=41.0 * unit)
    last = replace(quiet[-1], leak_established=True, leak_pa_per_s=jump)
    assert rate_limits(replace(data, traces=(*quiet[:-1], last)), unit)[1] > 40.0
