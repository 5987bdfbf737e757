"""The pages for whoever has them read aloud: what the drawings say, and no chatter while nothing changes."""

import re
from collections.abc import Callable

import pytest
from playwright.sync_api import expect

from tests.browser.conftest import Demo, Reader

pytestmark = pytest.mark.xdist_group("browser")
"""One demo for all of them, so one worker."""

MakeReader = Callable[..., Reader]
_COUNT = """selector => {
    window.changes = 0;
    new MutationObserver(seen => { window.changes += seen.length; })
        .observe(document.querySelector(selector), { childList: true, characterData: true, subtree: true });
}"""


def test_the_drawn_chart_is_told_in_words(reader: MakeReader) -> None:
    """The script's drawing says what the server's said in its place."""
    plain = reader(script=False).open("/enclosures/larch").locator("#chart svg").first.get_attribute("aria-label")
    assert plain is not None
    drawn = reader().open("/enclosures/larch").locator("#chart [role=img]:has(canvas)")
    expect(drawn).to_have_attribute("aria-label", re.compile(re.escape(plain.split(",")[0])))


def test_silence_is_told_in_steps(reader: MakeReader, demo: Demo) -> None:
    """Cut off for half a minute the page says so once, not once a second."""
    browser = reader()
    page = browser.context.new_page()
    page.clock.install()
    page.route("**/api/live", lambda route: route.abort())
    page.goto(demo.address)
    page.clock.run_for(31_000)
    link = page.locator("#link")
    expect(link).to_contain_text("heard nothing for 30 s")
    page.evaluate(_COUNT, "#link")
    page.clock.run_for(20_000)
    assert page.evaluate("window.changes") == 0
    page.clock.run_for(10_000)
    expect(link).to_contain_text("heard nothing for 60 s")


def test_an_answer_that_is_awaited_is_told_once(reader: MakeReader, demo: Demo) -> None:
    """Looking every two seconds for an answer that is not there yet changes nothing on the page."""
    page = reader().context.new_page()
    waits = '<!doctype html><script src="/static/live.js" defer></script><section class="answer" role="status"'
    asked = iter(range(100))
    page.route(
        "**/waiting",
        lambda route: route.fulfill(
            content_type="text/html", body=f'{waits} data-waiting="1" data-served="{next(asked)}">Waiting</section>'
        ),
    )
    page.goto(f"{demo.address}/waiting")
    with page.expect_response("**/waiting"):
        pass
    page.wait_for_timeout(300)
    expect(page.locator("[data-waiting]")).to_have_attribute("data-served", "0")


def test_an_answer_comes_into_the_place_that_is_listened_to(reader: MakeReader, demo: Demo) -> None:
    """A live region that comes with its words in it is not read aloud: the one that waited is filled."""
    page = reader().context.new_page()
    script = '<!doctype html><script src="/static/live.js" defer></script>'
    waits = f'{script}<section class="answer" role="status" data-waiting="1">Asked.</section>'
    done = f'{script}<section class="answer no" role="status">Refused: too warm.</section>'
    bodies = iter([waits])
    page.route("**/waiting", lambda route: route.fulfill(content_type="text/html", body=next(bodies, done)))
    page.goto(f"{demo.address}/waiting")
    listened = page.locator(".answer").element_handle()
    expect(page.locator(".answer")).to_have_text("Refused: too warm.")
    assert listened.evaluate("each => [each.isConnected, each.className, each.dataset.waiting === undefined]") == [
        True, "answer no", True
    ]  # fmt: skip
