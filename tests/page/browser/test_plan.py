"""Planning a pour in a real browser: getting the plan, announcing faults, bookmarkable URLs."""

import re

import pytest
from playwright.sync_api import expect

from page.browser.test_views import assert_axe_finds_nothing
from page.browser.watched import DESKTOP, PHONE, POT


@pytest.mark.parametrize("size", [PHONE, DESKTOP], ids=["phone", "desktop"])
def test_a_pour_is_planned_from_the_pots_page(alarmed, opened, size):
    page = opened(size)
    page.goto(f"{alarmed.url}/pot/{POT}")
    page.get_by_role("link", name="Plan a pour").click()
    page.get_by_label("Resin", exact=True).select_option("epoxy-casting")
    page.get_by_label("Mould, outside").fill("12 x 8 x 6 cm")
    page.get_by_label("Room now").fill("18 C")
    page.get_by_label("Coldest of the night").fill("12 C")
    page.get_by_label("Wanted by").fill("07:30")
    page.get_by_label("Wanted by").press("Enter")
    heading = page.get_by_role("heading", name=f"Plan for pot {POT}")
    expect(heading).to_be_in_viewport()
    expect(page.locator(".judged")).to_be_in_viewport()
    expect(page.locator(".answers li").last).to_contain_text(re.compile(r"no\s*:.*Not cured by 07:30"))
    expect(page.get_by_label("The night", exact=True)).to_have_value("down")  # as the request was understood
    assert_axe_finds_nothing(page)

    page.reload()  # the URL can be bookmarked
    expect(page.get_by_label("Mould, outside")).to_have_value("12 x 8 x 6 cm")
    page.get_by_role("link", name="Checklist to print").click()
    expect(page.get_by_role("heading", level=1)).to_have_text(f"Plan for pot {POT}")
    paper = page.context.request.get(page.url).text()  # sandboxed as served, so axe cannot run in it
    page.goto("about:blank")
    page.set_content(paper)
    assert_axe_finds_nothing(page)


def test_a_fault_is_announced_with_its_field_and_linked_at_the_top(alarmed, opened):
    page = opened(PHONE)
    page.goto(f"{alarmed.url}/plan")
    page.get_by_label("Room now").fill("18")
    page.get_by_text("Stand, tank, and how long your hands take").click()
    page.get_by_label("Mixing takes").fill("long")
    page.get_by_role("button", name="Work it out").click()
    expect(page.locator("main").get_by_role("alert")).to_be_in_viewport()
    mixing = page.get_by_label("Mixing takes")
    expect(mixing).to_have_accessible_description(
        re.compile("'long' is not a time; give a number and its unit")
    )
    assert mixing.evaluate("(field) => field.ariaInvalid") == "true"
    page.locator("main").get_by_role("alert").get_by_role("link", name="Mixing takes").click()
    expect(mixing).to_be_in_viewport()
    mixing.fill("4 min")
    page.get_by_label("Room now").fill("18 C")
    page.get_by_label("Room now").press("Enter")
    expect(page.get_by_text("Mixing 4 min,")).to_be_visible()


def test_tab_order_follows_reading_order(alarmed, opened):
    page = opened(DESKTOP)
    page.goto(f"{alarmed.url}/plan")
    reached = []
    for _ in range(40):
        page.keyboard.press("Tab")
        name = page.evaluate("document.activeElement.name || document.activeElement.textContent.trim()")
        if name and name not in reached[-1:]:
            reached.append(name)
        if name == "Work it out":
            break
    fields = page.eval_on_selector_all(
        "form [name]", "(all) => all.filter((one) => one.checkVisibility()).map((one) => one.name)"
    )
    assert len(fields) > 8
    assert [name for name in reached if name in fields] == fields
