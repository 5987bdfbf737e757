"""A person opens the demo, sees it live, asks for something, meets a trip, and reads what happened."""

import re
import time
from collections.abc import Callable
from contextlib import suppress
from itertools import pairwise

import psutil
import pytest
from playwright.sync_api import Page, Route, TimeoutError, expect

from controller.load_settings import load
from controller.wire import senml, session
from tests.browser.conftest import Demo, Reader

pytestmark = pytest.mark.xdist_group("browser")
"""One demo for all of them, so one worker."""

MakeReader = Callable[..., Reader]
OVER_LIMIT_C = 82.0
expect.set_options(timeout=15_000)


def _numbers(page: Page) -> list[str]:
    return page.locator("[data-number]").all_text_contents()


def _stays_without_reload(page: Page) -> None:
    page.evaluate("window.neverLeft = true")


def test_numbers_and_ages_move_while_the_page_stays_open(reader: MakeReader) -> None:
    """An open site page shows new readings and counting ages without being loaded again."""
    page = reader().open("/")
    _stays_without_reload(page)
    expect(page.locator("article.card")).to_have_count(3)
    # The pages may answer a moment before the controller has spoken for the first time.
    page.locator("[data-number]", has_text=re.compile(r"\d")).first.wait_for(state="attached")
    before, age = _numbers(page), page.locator("article.card time").first.inner_text()
    page.wait_for_function(
        "before => [...document.querySelectorAll('[data-number]')].some((each, at) => each.textContent !== before[at])",
        arg=before,
        timeout=30_000,
    )
    page.wait_for_function("age => document.querySelector('article.card time').textContent !== age", arg=age)
    assert page.evaluate("window.neverLeft") is True


def test_chart_is_drawn_by_script_with_ink_on_it(reader: MakeReader) -> None:
    """With script the server's drawing gives way to uPlot's, at every range, and it is not blank."""
    page = reader().open("/enclosures/larch")
    for words in ("24 hours", "3 days", "3 weeks"):
        page.get_by_role("link", name=words, exact=True).click()
        canvas = page.locator("#chart .uplot canvas")
        expect(canvas).to_be_visible()
        colours = canvas.evaluate(
            "c => new Set(new Uint32Array(c.getContext('2d').getImageData(0, 0, c.width, c.height).data.buffer)).size"
        )
        assert colours > 20
        expect(page.locator("#chart svg")).to_have_count(0)


_INK = """canvas => {
    const { data } = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height);
    const near = ([r, g, b]) => { let count = 0;
        for (let at = 0; at < data.length; at += 4) if (data[at + 3] > 250 && Math.abs(data[at] - r)
            + Math.abs(data[at + 1] - g) + Math.abs(data[at + 2] - b) < 12) count += 1;
        return count; };
    return [near([0x85, 0x43, 0x0f]), near([0xe6, 0xab, 0x74])]; }"""
"""How much of a chart is drawn in the soil's colour on light paper, and in that on a dark screen."""


def test_a_dark_screen_prints_on_white_paper(reader: MakeReader) -> None:
    """Black words stood on black soil, and lines made for a dark screen on white."""
    page = reader(scheme="dark").open("/enclosures/larch")
    canvas = page.locator("#chart canvas")
    expect(canvas).to_be_visible()
    light, dark = canvas.evaluate(_INK)
    assert dark > 100 * (1 + light)
    page.emulate_media(media="print")
    assert page.evaluate("getComputedStyle(document.documentElement).getPropertyValue('--earth1').trim()") == "#eadfc9"
    page.wait_for_function(
        f"canvas => {{ const [light, dark] = ({_INK})(canvas); return light > 100 * (1 + dark); }}",
        arg=canvas.element_handle(),
    )


_SOIL = """canvas => {
    const { width, height } = canvas, { data } = canvas.getContext('2d').getImageData(0, 0, width, height);
    const hex = getComputedStyle(document.documentElement).getPropertyValue('--soil').trim();
    const soil = [1, 3, 5].map(at => parseInt(hex.slice(at, at + 2), 16));
    const line = Array(width).fill(0), band = Array(width).fill(0);
    for (let at = 0; at < data.length; at += 4) {
        if (soil.some((each, index) => Math.abs(each - data[at + index]) > 6)) continue;
        if (data[at + 3] > 250) line[at / 4 % width] += 1;
        else if (data[at + 3] > 40 && data[at + 3] < 90) band[at / 4 % width] += 1;
    }
    return [line, band].map((each, far) => [...each.keys()].filter(at => each[at] > 20 * far));
}"""
"""The columns of a chart in which there is the line of soil, and those in which its band goes far from it."""


def _soil_drawn(reader: MakeReader, answer: Callable[[Route], None]) -> tuple[list[int], list[int]]:
    """Open three days of a chart whose readings are answered so; returns what `_SOIL` finds in it."""
    page = reader().open("/enclosures/larch?range=3d")
    page.route("**/readings?*", answer)
    page.reload()
    canvas = page.locator("#chart .uplot canvas")
    expect(canvas).to_be_visible()
    line, band = canvas.evaluate(_SOIL)
    return line, band


def _a_third_unsaid(route: Route) -> None:
    """Answer with soil alone, nothing of the middle third, and one bucket in which it was very cold."""
    answer = route.fetch()
    said = answer.json()
    (soil,) = [each for each in said["series"] if each["probe"] == "soil-10"]
    rows = soil["rows"]
    rows[len(rows) // 6]["least"] -= 30.0
    soil["rows"] = rows[: len(rows) // 3] + rows[2 * len(rows) // 3 :]
    route.fulfill(response=answer, json={**said, "series": [soil]})


def test_a_gap_is_left_open_and_the_cold_of_a_moment_is_seen(reader: MakeReader) -> None:
    """No line leads over hours without a reading; and the band reaches to what a mean would hide."""
    line, band = _soil_drawn(reader, _a_third_unsaid)
    widest = max(other - one for one, other in pairwise(line))
    assert widest / (line[-1] - line[0]) == pytest.approx(1 / 3, abs=0.05)
    assert [at for at in band if abs((at - line[0]) / (line[-1] - line[0]) - 1 / 6) < 0.02]


def _wide_air(route: Route) -> None:
    """Answer with soil, and with air that went far above and below it all the time."""
    answer = route.fetch()
    said = answer.json()
    series = [each for each in said["series"] if each["probe"] in ("soil-10", "air-low")]
    for row in next(each["rows"] for each in series if each["quantity"] == "air"):
        row["least"], row["most"] = -60.0, 60.0
    route.fulfill(response=answer, json={**said, "series": series})


def test_no_band_lies_over_a_line(reader: MakeReader) -> None:
    """Air that swings by night and day would veil the soil that is held in its midst."""
    line, _ = _soil_drawn(reader, _wide_air)
    assert len(line) > 300


def test_set_point_asked_with_a_reason_is_answered_by_the_controller(reader: MakeReader) -> None:
    """The form files the wish, and the controller's answer appears on the page by itself."""
    page = reader().open("/enclosures/elder")
    ask = page.locator("#ask")
    ask.get_by_label("Soil at the roots").fill("15.5")
    ask.get_by_label("Why").first.fill("slips look cold")
    ask.get_by_role("button", name="Ask", exact=True).click()
    answer = page.locator(".answer")
    expect(answer).to_contain_text("Done")
    expect(answer).to_contain_text("slips look cold")
    expect(page.locator("text.asked tspan").first).to_have_text("asked 15.5")


def test_set_point_above_the_hard_limit_is_refused_in_words(reader: MakeReader) -> None:
    """A wish above the limit is refused with the bound, as a page with a way back."""
    browser = reader()
    page = browser.open("/enclosures/elder")
    page.locator("#ask").get_by_label("Soil at the roots").fill("75")
    page.locator("#ask").get_by_label("Why").first.fill("by mistake in Fahrenheit")
    page.get_by_role("button", name="Ask", exact=True).click()
    expect(page.locator(".say")).to_contain_text("32.0 °C")
    page.get_by_role("link", name="Back to elder").click()
    expect(page.locator("h1")).to_contain_text("elder")
    browser.faults.clear()  # the browser itself notes every 4xx answer in its console


def test_trip_appears_is_reset_after_its_cause_is_gone_and_stands_in_the_journal(
    reader: MakeReader, demo: Demo
) -> None:
    """Trip, locked-off words, reset with a reason, and both in the journal: all without loading the page by hand."""
    page = reader().open("/enclosures/southwall")
    _stays_without_reload(page)
    locked = page.locator(".words .say", has_text="locked off")
    for _ in range(3):  # the node's own cool reading may fall between two hot ones, and then there is no trip
        _publish_hot_surface(demo)
        with suppress(TimeoutError):
            locked.wait_for(timeout=8_000)
            break
    expect(locked).to_have_count(1)
    assert page.evaluate("window.neverLeft") is True
    expect(page.locator(".drawn svg.section")).to_have_count(1)
    reset = page.locator("#reset")
    expect(reset).to_contain_text("82")
    # The next true reading comes within a period; until then a reset would be refused.
    expect(page.locator("[data-number='southwall/heater-case']").last).not_to_contain_text("82", timeout=30_000)
    expect(reset.get_by_text("The cause is still there")).to_have_count(0, timeout=30_000)
    reset.get_by_label("What you found").fill("leaves on the intake; cleared")
    reset.get_by_role("button", name="I have looked: reset").click()
    expect(page.locator(".answer")).to_contain_text("Done")
    expect(page.locator("#reset form")).to_have_count(0)
    page.goto(f"{demo.address}/journal?enclosure=southwall")
    entries = page.locator(".entry")
    expect(entries.filter(has_text="82")).not_to_have_count(0)
    expect(entries.filter(has_text="leaves on the intake; cleared").first).to_be_visible()
    expect(page.locator(".say")).to_contain_text("The chain holds")


def _publish_hot_surface(demo: Demo) -> None:
    """Send three over-limit readings of the glasshouse heater's case with the demo's own credentials."""
    settings = load(demo.folder / "soilward.toml")
    client = session.make_client(settings, "a-hot-heater")
    session.connect(client, settings.broker, kept=False)
    try:
        latest = time.monotonic() + 10
        while not client.is_connected() and time.monotonic() < latest:
            time.sleep(0.05)
        for _ in range(3):
            sample = (round(time.time() * 1000), OVER_LIMIT_C)
            pack = senml.encode_senml("southwall", "heater-case", "Cel", [sample])
            client.publish("soilward/southwall/probe/heater-case", pack, qos=1).wait_for_publish(5)
            time.sleep(0.2)
    finally:
        client.disconnect()
        client.loop_stop()


def test_fahrenheit_is_remembered(reader: MakeReader) -> None:
    """Once chosen, every page of this browser is in Fahrenheit, live numbers too, until Cel is chosen again."""
    browser = reader()
    page = browser.open("/")
    page.get_by_role("button", name="Show °F instead").click()
    expect(page.locator("header")).to_contain_text("°F")
    later = browser.open("/enclosures/larch")
    expect(later.locator("[data-with-unit]").first).to_contain_text("°F")
    expect(later.get_by_label("Soil at the roots, °F")).to_have_value("60.8")
    later.get_by_role("button", name="Show °C instead").click()
    expect(later.locator("[data-with-unit]").first).to_contain_text("°C")


def test_everything_works_with_script_off(reader: MakeReader, demo: Demo) -> None:
    """Numbers, tables, drawn chart, set-point form and its answer, heat by day and the journal need no script."""
    page = reader(script=False).open("/")
    expect(page.locator("article.card svg.section")).to_have_count(3)
    page.goto(f"{demo.address}/enclosures/larch")
    expect(page.locator("table.readings tbody tr").first).to_contain_text("°C")
    expect(page.locator("#chart svg.chart path.line").first).to_be_attached()
    page.locator("#ask").get_by_label("Soil at the roots").fill("16.5")
    page.locator("#ask").get_by_label("Why").first.fill("a cold night is coming")
    page.get_by_role("button", name="Ask", exact=True).click()
    asked = page.url
    for _ in range(40):
        if "Done" in page.locator(".answer").inner_text():
            break
        time.sleep(0.25)
        page.goto(asked)
    expect(page.locator(".answer")).to_contain_text("Done")
    page.get_by_role("link", name="Heat by day").click()
    expect(page.locator("table.heat tbody tr")).not_to_have_count(0)
    page.goto(f"{demo.address}/journal?enclosure=larch")
    expect(page.locator(".entry").filter(has_text="a cold night is coming")).not_to_have_count(0)


def test_stop_works_with_script_off_and_a_page_that_is_behind_is_told(reader: MakeReader, demo: Demo) -> None:
    """One tap locks heat off; a form that somebody began before is refused with who stopped it; a reset ends it."""
    browser = reader()
    begun = browser.open("/enclosures/elder")
    begun.locator("#ask").get_by_label("Soil at the roots").fill("16")
    begun.locator("h1").click()  # the cursor is elsewhere, what was typed stays
    plain = reader(390, script=False).open("/")
    plain.locator("[data-enclosure='elder']").get_by_role("button", name="Stop heat now").click()
    asked = plain.url
    for _ in range(40):
        if "Done" in plain.locator(".answer").inner_text():
            break
        time.sleep(0.25)
        plain.goto(asked)
    expect(plain.locator(".answer")).to_contain_text("locked off until someone resets it")
    expect(begun.locator("#reset")).to_contain_text("Stopped by local")
    expect(begun.locator("#ask").get_by_label("Soil at the roots")).to_have_value("16")
    begun.locator("#ask").get_by_label("Why").first.fill("slips look cold")
    begun.get_by_role("button", name="Ask", exact=True).click()
    expect(begun.locator(".say")).to_contain_text("has changed since you looked: local asked to stop heat")
    begun.get_by_role("link", name="Look again at elder").click()
    trip = begun.locator(".trip-one", has_text="Stopped by local")
    trip.get_by_label("What you found").fill("all well, only tried the button")
    trip.get_by_role("button", name="I have looked: reset").click()
    expect(begun.locator(".answer")).to_contain_text("Done")
    browser.faults.clear()  # the browser itself notes every 4xx answer in its console


def test_working_there_keeps_heat_off_until_somebody_arms_again(reader: MakeReader) -> None:
    """The page says until when somebody works there; arming ends it."""
    page = reader(390).open("/enclosures/elder")
    page.get_by_role("button", name="I am working here").click()
    expect(page.locator(".answer")).to_contain_text("no heat for 30 min")
    expect(page.get_by_text("Somebody works there until")).to_be_visible()
    expect(page.locator(".missing")).to_contain_text("works there")
    page.request.post(
        page.url.partition("?")[0] + "/arm", form={"why": "done there"}, headers={"Origin": page.url.split("/enc")[0]}
    )
    expect(page.get_by_text("Somebody works there until")).to_have_count(0)


def test_silence_of_the_controller_is_said_plainly_and_ends_by_itself(reader: MakeReader, demo: Demo) -> None:
    """With the controller paused an open page says since when nothing is known; when it goes on, so does the page."""
    page = reader().open("/")
    _stays_without_reload(page)
    expect(page.locator("article.silent")).to_have_count(0)
    family = psutil.Process(demo.process.pid).children(recursive=True)
    (controller,) = [each for each in family if "controller" in each.cmdline()]
    controller.suspend()
    try:
        expect(page.locator("article.silent")).to_have_count(3, timeout=30_000)
        expect(page.locator("article.card .say").first).to_contain_text("nothing heard from the controller since")
    finally:
        controller.resume()
    expect(page.locator("article.silent")).to_have_count(0, timeout=30_000)
    assert page.evaluate("window.neverLeft") is True
