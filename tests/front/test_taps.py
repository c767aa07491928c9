"""How many taps each way takes, and that photo, list and map go together, in a real Chromium at both widths."""

import pytest

from tests import front_times
from tests.front.test_browser import address, chromium, page, pits_drawn, section, settled  # noqa: F401

pytestmark = pytest.mark.browser
BOTH = pytest.mark.parametrize("page", [(390, 844), (1280, 800)], indirect=True)


@pytest.mark.parametrize("page", [(390, 844)], indirect=True)
def test_a_report_takes_four_taps_and_a_torch_series_of_four_eight(page, address, tmp_path):  # noqa: F811
    """The project's own goals, no source."""
    taps, _ = front_times.to_report(page, address, front_times.PHOTO)
    assert taps <= 4
    assert front_times.torch_series(page, address, tmp_path) <= 8


@BOTH
def test_a_pit_is_marked_on_photo_list_and_map_alike_and_its_card_opens(page, address):  # noqa: F811
    page.goto(address + "/?demo=1")
    number = pits_drawn(page)
    settled(page)
    button = page.locator(".strip button").nth(1)
    pit = button.get_attribute("data-id")
    button.click()
    page.get_by_role("heading", name=f"Pit {pit}").wait_for()
    settled(page)
    for place in ("desk_picture", "desk_flat"):
        chosen = page.locator(f".st-key-{place} polygon.pit.chosen")
        assert chosen.count() == 1 and chosen.get_attribute("data-id") == pit
    page.locator(".st-key-pit_card summary").first.click()
    assert "pixels within the outline" in page.locator(".st-key-pit_card details[open]").first.inner_text()
    other = page.locator(f".st-key-desk_flat polygon.pit:not([data-id='{pit}'])").first
    other.scroll_into_view_if_needed()
    box = other.bounding_box()
    page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.get_by_role("heading", name=f"Pit {pit}").wait_for(state="detached")
    settled(page)
    layer = page.locator(".st-key-desk_picture .legend button").first
    layer.click()
    assert page.locator(".st-key-desk_picture polygon.pit").count() == 0
    layer.click()
    assert page.locator(".st-key-desk_picture polygon.pit").count() == number


@pytest.mark.parametrize("page", [(390, 844)], indirect=True)
def test_enlarging_keeps_the_place_and_the_whole_picture_comes_back(page, address):  # noqa: F811
    page.goto(address + "/?demo=1")
    pits_drawn(page)
    settled(page)
    frame, sheet = page.locator(".st-key-desk_picture .frame"), page.locator(".st-key-desk_picture .sheet")
    box, wide = frame.bounding_box(), sheet.bounding_box()["width"]
    at = (box["x"] + 0.8 * box["width"], box["y"] + 0.3 * box["height"])

    def under() -> tuple[float, float]:
        now = sheet.bounding_box()
        return (at[0] - now["x"]) / now["width"], (at[1] - now["y"]) / now["height"]

    before = under()
    page.mouse.move(*at)
    page.keyboard.down("Control")
    page.mouse.wheel(0, -200)
    page.keyboard.up("Control")
    page.wait_for_timeout(300)
    assert sheet.bounding_box()["width"] > 2 * wide
    assert under() == pytest.approx(before, abs=0.01)
    assert frame.bounding_box() == box  # nothing below moved
    assert page.locator(".st-key-desk_picture .overview").is_visible()
    page.locator(".st-key-desk_picture .whole").click()
    assert sheet.bounding_box()["width"] == pytest.approx(wide, abs=1)
