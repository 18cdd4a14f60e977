"""Each view in a real browser: every size; touch, wheel and keyboard; without script; accessibility."""

import re

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, Route, expect

from page.browser.watched import DESKTOP, PHONE, POT, Watched, until
from patience import PATIENCE_MS, wait_until

SHEETS = ("/batch/1/report/sheet", f"/pot/{POT}/health/sheet")
VIEWS = (
    *("/", f"/pot/{POT}", "/batches", "/batch/1", "/nothing-here", "/phones"),
    *("/batch/1/report", f"/pot/{POT}/health", *SHEETS),
    "/plan?mould=12 x 8 x 6 cm&room=30 C&resin=polyurethane-quick",
    "/plan?mould=12 x 8&night=steady&mixing=long",
)
# Web Content Accessibility Guidelines 2.2, levels A and AA, as axe-core names its rules; and good practice
WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
# those that go by colour: the dark scheme changes nothing else
OF_COLOUR = ["color-contrast", "link-in-text-block"]
LEAST_TARGET_PX = 44  # thumb size: WCAG 2.5.5 (2.5.8 requires 24)
# Elements beyond the edge of the window, and buttons whose text overflows.
OUTSIDE = """[...document.querySelectorAll("button, a, input, select, summary, h1, h2, h3, p, td, th")]
  .filter((one) => one.checkVisibility() && !one.closest(".hidden, .scroll, svg, .skip"))
  .filter((one) => one.getBoundingClientRect().right > innerWidth + 1
    || (one.matches("button, a.button") && one.scrollWidth > one.clientWidth + 1))
  .map((one) => one.outerHTML.slice(0, 90))"""
LABEL = 'East mole <b>3</b> & "lens" \'; <script>document.title = 1</script>'


def shown_range(page: Page) -> tuple[float, float]:
    """Return the span of the curve shown, s."""
    curve = page.locator("[data-curve]")
    return float(curve.get_attribute("data-from")), float(curve.get_attribute("data-to"))


def settled_range(page: Page) -> tuple[float, float]:
    """Return the span shown, once its detail has been requested."""
    page.wait_for_timeout(300)
    return shown_range(page)


def assert_axe_finds_nothing(page: Page) -> None:
    """Check everything in light, then the colours in dark."""
    assert_axe_finds_nothing_in("light", page, WCAG)
    assert_axe_finds_nothing_in("dark", page, OF_COLOUR)


def assert_axe_finds_nothing_in(scheme: str, page: Page, rules: list[str]) -> None:
    page.emulate_media(color_scheme=scheme)
    found = Axe().run(page, options={"runOnly": rules})
    assert found.violations_count == 0, found.generate_report()


class KeptSheets:
    """Sheets as they were served when first asked for: those of an open batch are rendered anew each time."""

    def __init__(self) -> None:
        self._kept: dict[str, tuple[int, dict[str, str], bytes]] = {}

    def serve(self, page: Page) -> None:
        page.route("**/sheet", lambda route: self._answer(route, with_policy=True))

    def let_be_examined(self, page: Page) -> None:
        """Serve sheets without the sandbox, which would keep axe from running."""
        page.route("**/sheet", lambda route: self._answer(route, with_policy=False))

    def _answer(self, route: Route, with_policy: bool) -> None:
        url = route.request.url
        if url not in self._kept:
            answer = route.fetch(timeout=PATIENCE_MS)
            self._kept[url] = answer.status, answer.headers, answer.body()
        status, headers, body = self._kept[url]
        omitted = () if with_policy else ("content-security-policy",)
        kept = {name: value for name, value in headers.items() if name not in omitted}
        route.fulfill(status=status, headers=kept, body=body)


@pytest.fixture(scope="module")
def sheets() -> KeptSheets:
    return KeptSheets()


def open_curve(page: Page, url: str) -> None:
    page.goto(f"{url}/pot/{POT}")
    expect(page.locator(".u-over").first).to_be_visible()


@pytest.mark.parametrize("view", VIEWS)
def test_each_view_fits_doubled_text(alarmed, opened, sheets, view):
    """WCAG 1.4.4: without loss of content or function; here on a phone, where nothing may lie outside."""
    page = opened(PHONE)
    sheets.serve(page)
    page.goto(alarmed.url + view)
    if view in (f"/pot/{POT}", "/batch/1"):
        expect(page.locator(".u-over").first).to_be_visible()
    page.evaluate("document.querySelectorAll('details').forEach((details) => { details.open = true; })")
    before = page.locator("h1").first.evaluate("(one) => parseFloat(getComputedStyle(one).fontSize)")
    page.evaluate("document.documentElement.style.fontSize = '200%'")
    after = page.locator("h1").first.evaluate("(one) => parseFloat(getComputedStyle(one).fontSize)")
    assert after == pytest.approx(2.0 * before)
    until(page, f"document.documentElement.scrollWidth <= {PHONE['viewport']['width']}")
    outside = page.evaluate(OUTSIDE)
    assert outside == []
    page.evaluate("scrollTo(0, document.body.scrollHeight)")
    strip = page.locator("#strip")
    if strip.count():  # the sticky strip leaves room for the content
        box = strip.bounding_box()
        assert box["y"] + box["height"] <= 0.45 * PHONE["viewport"]["height"]


@pytest.mark.parametrize("view", VIEWS)
def test_each_view_is_accessible(alarmed, opened, sheets, view):
    page = opened(PHONE)
    sheets.let_be_examined(page)
    page.goto(alarmed.url + view)
    if view in (f"/pot/{POT}", "/batch/1"):
        expect(page.locator(".u-over").first).to_be_visible()
    page.evaluate("document.querySelectorAll('details').forEach((details) => { details.open = true; })")
    assert_axe_finds_nothing(page)

    page.set_viewport_size({"width": 320, "height": 640})  # WCAG 1.4.10: no scrolling sideways at 320
    until(page, "document.documentElement.scrollWidth <= 320")  # the curve resizes a moment later
    heights = page.evaluate(
        """[...document.querySelectorAll("button, a.button, input, select, summary")]
        .filter((one) => one.checkVisibility()).map((one) => [one.textContent, one.offsetHeight])"""
    )
    assert [one for one in heights if one[1] < LEAST_TARGET_PX] == []


def test_an_edited_label_is_escaped(alarmed, opened):
    page = opened(DESKTOP)
    page.goto(f"{alarmed.url}/batch/1")
    page.get_by_text("Change the details").click()
    page.get_by_label("Label").fill(LABEL)
    page.get_by_role("button", name="Save").click()
    expect(page.get_by_role("status")).to_be_visible()
    heading = page.get_by_role("heading", level=1)
    wait_until(lambda: page.reload() and heading.inner_text() == LABEL, "the label is not shown")
    with alarmed.open_record() as store:
        assert store.batch(1).label == LABEL
    page.goto(f"{alarmed.url}/batches?find=east")
    expect(page.locator(".batches li")).to_have_count(1)
    page.locator(".batches a").click()
    expect(page).to_have_url(f"{alarmed.url}/batch/1")


def test_the_report_opens(alarmed, opened):
    page = opened(DESKTOP)
    page.goto(f"{alarmed.url}/batch/1")
    page.get_by_role("link", name="Report", exact=True).click()
    sheet = page.frame_locator("iframe.sheet")
    expect(sheet.get_by_text("Why the pressure changed")).to_be_visible()
    expect(sheet.get_by_text("Rehearsal", exact=True)).to_be_visible()
    expect(page.get_by_text("It is being generated")).to_be_hidden()
    expect(page.locator("#strip")).to_be_visible()  # the alarm stays visible
    frame = page.locator("iframe.sheet")
    until(page, "document.querySelector('iframe.sheet').offsetHeight > 1500")  # nothing scrolls within
    assert frame.evaluate("(one) => one.contentDocument.documentElement.scrollHeight <= one.clientHeight")
    page.get_by_role("link", name="Batches").last.click()
    expect(page).to_have_url(f"{alarmed.url}/batches")


def test_wheel_drag_and_buttons_change_the_range_and_load_detail(alarmed, opened):
    page = opened(DESKTOP)
    open_curve(page, alarmed.url)
    begin, end = shown_range(page)
    over = page.locator(".u-over").first
    over.scroll_into_view_if_needed()
    box = over.bounding_box()
    page.mouse.move(box["x"] + box["width"] / 10, box["y"] + 100)
    scrolled = page.evaluate("scrollY")
    page.mouse.wheel(0, 120)  # scrolls the page: the curve must not trap it
    until(page, f"scrollY > {scrolled} + 60")
    assert settled_range(page) == (begin, end)
    page.mouse.wheel(0, -120)
    until(page, f"scrollY < {scrolled} + 5")
    with page.expect_response(re.compile(r"/api/curve\?.*from=.*&to=")) as closer:
        page.keyboard.down("Control")
        for _ in range(8):
            page.mouse.wheel(0, -400)
        page.keyboard.up("Control")
    assert closer.value.ok
    left, right = settled_range(page)
    assert right - left < 0.3 * (end - begin)

    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] / 10 - 60, box["y"] + 100, steps=4)
    page.mouse.up()
    moved, _ = settled_range(page)
    assert moved == pytest.approx(left + 60 / box["width"] * (right - left), abs=0.02 * (right - left))

    page.get_by_role("button", name="Zoom out").click()
    wide = settled_range(page)
    assert wide[1] - wide[0] > 1.9 * (right - left)
    page.get_by_role("button", name="Whole night").click()
    assert settled_range(page)[0] == pytest.approx(begin, abs=1.0)


def test_two_fingers_zoom_the_curve_and_one_pans_it(alarmed, opened):
    page = opened(PHONE)
    open_curve(page, alarmed.url)
    over = page.locator(".u-over").first
    over.scroll_into_view_if_needed()
    page.wait_for_timeout(300)
    box = over.bounding_box()
    x, y = box["x"] + box["width"] / 3, box["y"] + 80
    fingers = page.context.new_cdp_session(page)

    def touch(kind: str, *points: float) -> None:
        at = [{"x": point, "y": y, "id": number} for number, point in enumerate(points)]
        fingers.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": at})

    begin, end = shown_range(page)
    touch("touchStart", x - 20, x + 20)
    for step in range(1, 7):
        touch("touchMove", x - 20 - 10 * step, x + 20 + 10 * step)
    touch("touchEnd")
    left, right = settled_range(page)
    assert right - left == pytest.approx((end - begin) * 40 / 160, rel=0.05)

    touch("touchStart", x)
    for step in range(1, 7):
        touch("touchMove", x - 8 * step)
    touch("touchEnd")
    moved, _ = settled_range(page)
    assert moved == pytest.approx(left + 48 / box["width"] * (right - left), abs=0.05 * (right - left))


def test_everything_can_be_done_with_the_keyboard(alarmed, opened):
    page = opened(DESKTOP)
    open_curve(page, alarmed.url)
    reached = []
    for _ in range(40):
        page.keyboard.press("Tab")
        focused = page.evaluate(
            "document.activeElement.ariaLabel || document.activeElement.textContent.trim()"
        )
        reached.append(" ".join(focused.split()))
        if reached[-1].startswith("Curve of"):
            break
    for wanted in ("Skip to the content", "Pots", "Batches", "Whole night", "Zoom in"):
        assert wanted in reached
    assert any(name.startswith("Acknowledge") for name in reached)
    begin, end = shown_range(page)
    page.keyboard.press("+")
    left, right = settled_range(page)
    assert right - left == pytest.approx((end - begin) / 2, rel=0.01)
    page.keyboard.press("PageUp")
    page.keyboard.press("ArrowLeft")
    expect(page.locator('[data-part="spoken"]')).to_have_text(re.compile(r"^\d\d:\d\d: gauge .* psi"))
    page.keyboard.press("Home")
    assert settled_range(page)[0] == pytest.approx(begin, abs=1.0)


def test_the_curve_is_described_in_words_and_numbers(alarmed, opened):
    page = opened(PHONE)
    open_curve(page, alarmed.url)
    expect(page.locator('[data-part="words"]')).to_have_text(
        re.compile(r"^From \d\d:\d\d to \d\d:\d\d: highest \d\d\.\d psi at 22:0\d, lowest ")
    )
    expect(page.locator('[data-part="marks"]')).to_contain_text("cure done")
    page.get_by_text("The curve in numbers").click()
    expect(page.locator('[data-part="numbers"] tr')).to_have_count(14)


def test_each_thermometer_has_a_line_a_legend_and_a_value(alarmed, opened):
    page = opened(PHONE)
    places = {"gas": 20.5, "wall": 21.5, "room": 22.5, "contents": 31.5}

    def with_all(route: Route) -> None:
        data = route.fetch(timeout=PATIENCE_MS).json()
        data["trace"] |= {place: [celsius] * len(data["trace"]["t"]) for place, celsius in places.items()}
        route.fulfill(json=data)

    page.route("**/api/curve?*", with_all)
    open_curve(page, alarmed.url)
    readout = page.locator('[data-part="readout"]')
    looks = set()
    for place, celsius in places.items():
        expect(readout).to_contain_text(f"{place}{celsius} °C")
        key = readout.locator(f".key.{place}")
        assert key.bounding_box()["height"] >= 3.0
        looks.add(
            key.evaluate(
                "(e) => { const s = getComputedStyle(e); return s.borderTopStyle + s.backgroundImage }"
            )
        )
    assert len(looks) == 4  # distinguishable not only by colour
    page.get_by_text("The curve in numbers").click()
    expect(page.locator('[data-part="numbers"] tr').first).to_contain_text("gaswallroomcontents")


def test_without_events_the_page_polls(alarmed, opened):
    page = opened(PHONE)
    page.route("**/api/events", lambda route: route.fulfill(status=503))
    page.goto(alarmed.url)
    pressure = page.locator('[data-show="pressure"]')
    before = pressure.inner_text()  # it falls by 0.1 psi each four seconds at this speed
    expect(pressure).not_to_have_text(before)
    expect(page.locator("#strip")).not_to_contain_text("No contact with the watch")


def test_without_script_the_page_says_the_same(alarmed, opened):
    page = opened(PHONE, java_script_enabled=False)
    page.goto(alarmed.url)
    expect(page.locator('[data-show="pressure"]')).to_have_text(re.compile(r"^\d+\.\d psi$"))
    expect(page.locator('[data-alarm="floor-ahead"]')).to_contain_text("psi/h")
    expect(page.locator('meta[http-equiv="refresh"]')).to_have_attribute("content", "10; url=/")
    page.goto(f"{alarmed.url}/pot/{POT}")
    expect(page.locator("[data-curve] noscript")).to_be_visible()


def test_a_password_is_asked_for(tmp_path, opened):
    with Watched(tmp_path, 60.0, speed=1.0, password="lantern room 4") as night:
        page = opened(PHONE)
        page.goto(f"{night.url}/pot/{POT}")
        expect(page).to_have_url(f"{night.url}/login?next=/pot/{POT}")
        assert_axe_finds_nothing(page)
        page.get_by_label("Password").fill("lantern room 5")
        page.keyboard.press("Enter")
        expect(page.get_by_role("alert")).to_be_visible()
        expect(page.get_by_role("link", name="Batches")).to_have_count(0)
        page.wait_for_timeout(1100)  # a wrong guess costs a wait
        page.get_by_label("Password").fill("lantern room 4")
        page.get_by_role("button", name="Log in").click()
        expect(page.locator(f'[data-pot="{POT}"]')).to_be_visible()
        page.get_by_role("button", name="Log out").click()
        expect(page).to_have_url(f"{night.url}/login")
