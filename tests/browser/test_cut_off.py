"""A page that hears nothing any more, or too much at once: no verdict is left standing on what was so before."""

import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import pytest
from playwright.sync_api import Page, Route, expect

from tests.browser.conftest import Demo, Reader

pytestmark = pytest.mark.xdist_group("browser")
"""One demo for all of them, so one worker."""

MakeReader = Callable[..., Reader]
STREAM = "text/event-stream"


def _tick(page: Page, seconds: float) -> None:
    """Let the page's clock run, with a moment for what it fetches after each half second."""
    for _ in range(round(2 * seconds)):
        page.clock.run_for(500)
        page.wait_for_timeout(20)


def _bare(page: Page, demo: Demo, names: list[str], live: str, inside: str = "") -> None:
    """Open a page of cards, empty but for what is `inside`, that hears just this once, and then nothing for an hour."""
    cards = "".join(f'<article data-enclosure="{name}" data-size="small">{inside}</article>' for name in names)
    script = '<!doctype html><script src="/static/live.js" defer></script>'
    page.route("**/bare", lambda route: route.fulfill(content_type="text/html", body=script + cards))
    page.route("**/api/live", lambda route: route.fulfill(content_type=STREAM, body=f"retry: 3600000\n\n{live}"))
    page.clock.install()
    page.goto(f"{demo.address}/bare")
    page.wait_for_timeout(300)


def test_a_page_cut_off_takes_back_what_it_said(reader: MakeReader, demo: Demo) -> None:
    """The network gone for half a minute: every verdict is "not known" and every number struck; back, all is told."""
    browser = reader()
    page = browser.context.new_page()
    page.clock.install()
    # Not by `set_offline`: a stream that is open already would go on.
    page.route("**/api/live", lambda route: route.abort())
    for _ in range(60):
        page.goto(demo.address)
        # The pages may answer a moment before the controller has spoken for the first time.
        if not page.locator(".card.silent").count():
            break
        page.wait_for_timeout(500)
    verdicts, cards = page.locator(".card .say"), page.locator(".card")
    cut_off = "Not known: this page hears nothing now."
    _tick(page, 18)
    expect(verdicts.filter(has_text=cut_off)).to_have_count(0)
    _tick(page, 15)
    expect(verdicts.filter(has_text=cut_off)).to_have_count(cards.count())
    expect(page.locator(".card .do").first).to_contain_text("was so when it was last heard")
    for each in page.locator(".card .label > tspan:not(.note)").all():
        expect(each).to_have_css("text-decoration-line", "line-through")
    page.unroute("**/api/live")
    for _ in range(60):
        _tick(page, 1)
        page.wait_for_timeout(200)
        if not page.locator(".card.silent").count():
            break
    expect(verdicts.filter(has_text=cut_off)).to_have_count(0)
    browser.faults.clear()  # the browser itself notes every call that failed in its console


def test_what_did_not_come_is_asked_for_again(reader: MakeReader, demo: Demo) -> None:
    """A silence is told once. If its words are refused just then, as too many calls are, the page asks again."""
    page, asked = reader().context.new_page(), []

    def answer(route: Route) -> None:
        asked.append(route.request.url)
        if len(asked) < 3:
            route.fulfill(status=429, body="{}")
        else:
            route.continue_()

    page.route("**/section?*", answer)
    _bare(page, demo, ["larch"], 'event: silence\ndata: {"enclosure":"larch","silent":true}\n\n')
    _tick(page, 20)
    assert len(asked) == 3


def test_forty_enclosures_are_asked_for_one_after_another(reader: MakeReader, demo: Demo) -> None:
    """All speak at once; the page asks for two of them a second, first for that which locked off, and skips none."""
    page, asked = reader().context.new_page(), []

    def answer(route: Route) -> None:
        asked.append(route.request.url.split("/")[-2])
        route.fulfill(content_type="text/html", body="")

    names = [f"bed-{number:02}" for number in range(40)]
    news = [{"enclosure": name, "armed": True, "trips": [], "alerts": []} for name in names]
    news.append({**news[-1], "trips": [{}]})
    page.route("**/section?*", answer)
    _bare(page, demo, names, "".join(f"event: enclosure\ndata: {json.dumps(each)}\n\n" for each in news))
    _tick(page, 10)
    assert asked[0] == "bed-39"
    assert 8 <= len(asked) <= 21
    _tick(page, 25)
    assert sorted(asked) == names


@pytest.mark.parametrize(("status", "said"), [(502, ""), (200, "retry: 3600000\n\n")], ids=["told no", "hangs"])
def test_a_line_that_went_without_a_word_is_opened_anew(reader: MakeReader, demo: Demo, status: int, said: str) -> None:
    """Nothing for a minute, as behind a proxy while the server restarts: the page tries another line by itself."""
    page, opened = reader().context.new_page(), []

    def answer(route: Route) -> None:
        opened.append(route.request.url)
        route.fulfill(status=status, content_type=STREAM, body=said)

    page.route("**/api/live", answer)
    page.clock.install()
    page.goto(demo.address)
    _tick(page, 50)
    assert len(opened) == 1
    _tick(page, 30)
    assert len(opened) == 2


def test_who_waits_for_an_answer_is_told_that_none_can_come(reader: MakeReader, demo: Demo) -> None:
    """The network goes just after a stop was asked: the page does not go on waiting, it sends one to the switch."""
    page, served = reader().context.new_page(), []
    asked = (
        '<section class="answer" data-waiting="1"><p class="say">Asked. Waiting.</p><p class="more">Stop.</p></section>'
    )
    done = '<section class="answer"><p class="say">Done: heat is locked off.</p><p class="more">Stop.</p></section>'

    def answer(route: Route) -> None:
        served.append(route.request.url)
        if 1 < len(served) < 8:
            route.abort()
        else:
            body = asked if len(served) == 1 else done
            route.fulfill(
                content_type="text/html", body=f'<!doctype html><script src="/static/live.js" defer></script>{body}'
            )

    page.route("**/waiting", answer)
    page.clock.install()
    page.goto(f"{demo.address}/waiting")
    said = page.locator(".answer .say")
    _tick(page, 4)
    expect(said).to_have_text("Asked. Waiting.")
    _tick(page, 4)
    expect(said).to_have_text("No answer: this page hears nothing now.")
    expect(page.locator(".answer")).to_have_class("answer no")
    expect(page.locator(".answer .more")).to_contain_text("switch the heater off at its socket")
    _tick(page, 12)
    expect(said).to_have_text("Done: heat is locked off.")


def test_a_clock_that_is_set_back_leaves_no_verdict_standing(reader: MakeReader, demo: Demo) -> None:
    """A tablet's clock goes back by an hour, and then the network goes: that is no hour in which all is said well."""
    page = reader().context.new_page()
    words = '<div class="words"><p class="say">Warm and safe.</p><time data-since="1" data-status="larch"></time></div>'
    _bare(page, demo, ["larch"], "", words)
    page.clock.set_system_time(datetime.now(UTC) - timedelta(hours=1))
    _tick(page, 20)
    expect(page.locator(".say")).to_have_text("Warm and safe.")
    _tick(page, 15)
    expect(page.locator(".say")).to_have_text("Not known: this page hears nothing now.")


def test_what_is_not_on_the_page_keeps_nobody_waiting(reader: MakeReader, demo: Demo) -> None:
    """The page of one enclosure among forty, all of which speak: its words are asked for as of one alone."""
    page, asked = reader().context.new_page(), []

    def answer(route: Route) -> None:
        asked.append(route.request.url.split("/")[-2])
        route.fulfill(content_type="text/html", body="")

    news = [{"enclosure": f"bed-{number:02}", "armed": True, "trips": [], "alerts": []} for number in range(40)]
    page.route("**/section?*", answer)
    _bare(page, demo, ["bed-39"], "".join(f"event: enclosure\ndata: {json.dumps(each)}\n\n" for each in news))
    _tick(page, 8)
    assert asked == ["bed-39"]


def test_a_summary_that_was_tapped_hides_no_later_alert(reader: MakeReader, demo: Demo) -> None:
    """Who looked at each of the silent probes left the finger's mark there; a fire that is told after that is shown."""
    page = reader().context.new_page()

    def alerts(version: int, said: str) -> str:
        listed = f"<b>{said}</b><details><summary>Each of them</summary>soil-10</details>"
        return f'<div data-live="larch/alerts" data-version="{version}">{listed}</div>'

    later = f'<div data-trips="0" data-known="1">{alerts(2, "Sun or fire.")}</div>'
    page.route("**/section?*", lambda route: route.fulfill(content_type="text/html", body=later))
    live = 'event: enclosure\ndata: {"enclosure":"larch"}\n\n'
    _bare(page, demo, ["larch"], live, alerts(1, "3 probes have gone quiet."))
    page.locator("summary").click()
    _tick(page, 8)
    expect(page.locator("b")).to_have_text("Sun or fire.")
    expect(page.locator("details")).to_have_attribute("open", "")


def test_a_page_that_listens_to_nothing_misses_nothing(reader: MakeReader, demo: Demo) -> None:
    """Whoever writes of a plant for a minute is not told, and told again aloud, that the page heard nothing."""
    page = reader().context.new_page()
    page.clock.install()
    page.goto(f"{demo.address}/plants")
    _tick(page, 65)
    expect(page.locator("#link")).to_have_text("")
