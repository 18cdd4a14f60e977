"""A PDF read back by a program other than its writer (PDFium), and the picture of its pages."""

from io import BytesIO

import pypdfium2
import pytest
from PIL import Image

from potvigil.reports.pdf import pdf_of, png_of

HTML = (
    "<html><head><style>@page {{ margin: 15mm }} .next {{ break-before: page }}</style></head>"
    "<body><p>Air lost: 0.49 psi/h, −4.3 psi</p><p class='next'>■ µm ½ →</p>{more}</body></html>"
)
MM_PER_POINT = 25.4 / 72.0


@pytest.fixture(scope="module")
def pdf() -> bytes:
    return pdf_of(HTML.format(more=""))


def test_the_pdf_contains_the_text_of_the_page(pdf) -> None:
    pages = [page.get_textpage().get_text_range() for page in pypdfium2.PdfDocument(pdf)]
    assert [page.strip() for page in pages] == ["Air lost: 0.49 psi/h, −4.3 psi", "■ µm ½ →"]


def test_a_page_prints_on_a4_and_on_us_letter(pdf) -> None:
    """No wider than A4 (ISO 216: 210 mm), no higher than US Letter (ASME Y14.1: 11 in)."""
    for page in pypdfium2.PdfDocument(pdf):
        assert page.get_width() * MM_PER_POINT == pytest.approx(210.0, abs=0.1)
        assert page.get_height() * MM_PER_POINT == pytest.approx(279.4, abs=0.1)


def test_the_picture_stacks_the_pages_with_a_gap(pdf) -> None:
    picture = Image.open(BytesIO(png_of(pdf)))
    wide, high = (round(each / 25.4 * 110) for each in (210.0, 279.4))
    assert picture.width == pytest.approx(wide, abs=1)
    assert picture.height == pytest.approx(2 * high + 12, abs=2)
    grey = [y for y in range(picture.height) if picture.getpixel((5, y)) == (0x99,) * 3]
    assert len(grey) == 12 and grey[0] == pytest.approx(high, abs=1)
    edges = [(x, y) for x in (0, picture.width - 1) for y in (0, high // 2, picture.height - 1)]
    assert {picture.getpixel(each) for each in edges} == {(255, 255, 255)}
    one = Image.open(BytesIO(png_of(pdf_of("<p>one</p>"))))
    assert one.height == pytest.approx(high, abs=1)


@pytest.mark.parametrize("url", ["https://example.invalid/a.png", "file:///etc/hostname", "a.png"])
def test_external_resources_are_left_out_and_the_rest_printed(url, monkeypatch) -> None:
    def asked(*_: object) -> None:
        raise AssertionError("something was looked up")

    monkeypatch.setattr("socket.getaddrinfo", asked)
    pdf = pdf_of(HTML.format(more=f'<img src="{url}" alt="left out">'))
    assert b"/Subtype /Image" not in pdf
    assert "left out" in pypdfium2.PdfDocument(pdf)[1].get_textpage().get_text_range()
