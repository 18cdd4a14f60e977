"""Forms lose nothing: on a reload, an error, an expired log-in, an edit in another tab; picture uploads."""

from io import BytesIO

from PIL import Image
from playwright.sync_api import Page, expect

from page.browser.watched import PHONE, POT, Watched, until
from potvigil.model.events import Detail

PASSWORD = "lantern room 4"
FILLED_S = 300.0  # into the night, with its batch open
BACK = "What you typed has been restored"


def details_of(page: Page, url: str) -> None:
    page.goto(f"{url}/batch/1")
    page.get_by_text("Change the details").click()


def test_typed_text_survives_a_reload_until_discarded(alarmed, opened):
    page = opened(PHONE)
    details_of(page, alarmed.url)
    page.get_by_label("Colour").fill("smoke")
    page.get_by_label("Note").fill("two lines\nof a note")
    page.reload()
    expect(page.get_by_text(BACK)).to_be_visible()  # the form is open again
    assert page.get_by_label("Note").input_value() == "two lines\nof a note"
    page.goto(f"{alarmed.url}/batches")
    page.go_back()
    expect(page.get_by_label("Colour")).to_have_value("smoke")
    page.get_by_role("button", name="Discard it").click()
    expect(page.get_by_text(BACK)).to_have_count(0)
    details_of(page, alarmed.url)
    expect(page.get_by_label("Colour")).to_have_value("")


def test_typed_text_survives_an_error_and_goes_once_saved(alarmed, opened):
    page = opened(PHONE)
    details_of(page, alarmed.url)
    page.get_by_label("Colour").fill("amber")
    page.get_by_label("Mass").fill("much")
    page.get_by_role("button", name="Save", exact=True).click()
    expect(page.get_by_role("alert").filter(has_text="much")).to_be_visible()
    expect(page.get_by_label("Colour")).to_have_value("amber")
    page.get_by_label("Mass").fill("250 g")
    page.get_by_role("button", name="Save", exact=True).click()
    expect(page.get_by_role("status").filter(has_text="colour")).to_be_visible()
    page.reload()
    expect(page.get_by_text(BACK)).to_have_count(0)


def test_typed_text_survives_an_expired_log_in(tmp_path, opened):
    with Watched(tmp_path, FILLED_S, speed=1.0, password=PASSWORD) as night:
        page = opened(PHONE)

        def log_in() -> None:
            page.get_by_label("Password").fill(PASSWORD)
            page.get_by_role("button", name="Log in").click()

        page.goto(f"{night.url}/batch/1")
        log_in()
        expect(page).to_have_url(f"{night.url}/batch/1")
        page.get_by_text("Change the details").click()
        page.get_by_label("Label").fill("typed at length")
        page.context.clear_cookies()
        page.get_by_role("button", name="Save", exact=True).click()
        log_in()
        expect(page).to_have_url(f"{night.url}/batch/1")
        expect(page.get_by_text(BACK)).to_be_visible()
        expect(page.get_by_label("Label")).to_have_value("typed at length")

        page.get_by_role("button", name="Log out").click()  # the draft must go
        log_in()
        expect(page).to_have_url(f"{night.url}/")
        details_of(page, night.url)
        expect(page.get_by_label("Label")).to_have_value("")


def test_a_restart_of_the_page_asks_for_no_password(tmp_path, opened):
    with Watched(tmp_path, 60.0, speed=1.0, password=PASSWORD) as night:
        page = opened(PHONE)
        page.goto(f"{night.url}/login")
        page.get_by_label("Password").fill(PASSWORD)
        page.get_by_role("button", name="Log in").click()
        expect(page.locator(f'[data-pot="{POT}"]')).to_be_visible()
        night.kill(night.page)
        night.restart_page()
        page.reload()
        expect(page.locator(f'[data-pot="{POT}"]')).to_be_visible()


def test_two_tabs_are_asked_which_edit_to_keep(alarmed, opened):
    page = opened(PHONE)
    details_of(page, alarmed.url)
    other = page.context.new_page()
    details_of(other, alarmed.url)
    other.get_by_label("Mould").fill("aluminium")
    other.get_by_role("button", name="Save", exact=True).click()
    expect(other.get_by_role("status").filter(has_text="mould")).to_be_visible()
    with_mould = other.locator(".pairs", has_text="aluminium")
    for _ in range(20):
        if with_mould.count():
            break
        other.reload()
    page.get_by_label("Mould").fill("silicone")
    page.get_by_role("button", name="Save", exact=True).click()
    expect(page.get_by_role("group", name="Mould: changed meanwhile")).to_be_visible()
    expect(page.get_by_role("radio", name="Keep theirs: aluminium")).to_be_visible()
    expect(page.get_by_label("Mould", exact=True)).to_have_value("silicone")
    page.get_by_role("radio", name="Keep theirs: aluminium").check()
    page.get_by_role("button", name="Save", exact=True).click()
    expect(page.get_by_role("status").filter(has_text="Nothing was changed")).to_be_visible()
    with alarmed.open_record() as store:
        assert store.batch(1).details[Detail.MOULD] == "aluminium"


def test_a_picture_is_shrunk_and_shown(alarmed, opened):
    page = opened(PHONE)
    page.goto(f"{alarmed.url}/batch/1")
    file = BytesIO()
    exif = Image.Exif()
    exif.get_ifd(0x8825)[1] = "N"  # GPS position
    Image.effect_noise((3000, 2000), 50).save(file, "JPEG", exif=exif)
    page.get_by_label("Add a picture").set_input_files(
        {"name": "lens.jpg", "mimeType": "image/jpeg", "buffer": file.getvalue()}
    )
    shown = page.locator(".pictures img")
    expect(shown).to_be_visible()
    until(page, "document.querySelector('.pictures img').naturalWidth === 1600")
    (kept,) = (alarmed.folder / "record.db-pictures" / "1").iterdir()
    with Image.open(kept) as picture:
        assert picture.size == (1600, 1067) and not picture.getexif()
    page.get_by_label("Add a picture").set_input_files(
        {"name": "x.jpg", "mimeType": "image/jpeg", "buffer": b"none"}
    )
    expect(page.get_by_text("cannot read that picture")).to_be_visible()
