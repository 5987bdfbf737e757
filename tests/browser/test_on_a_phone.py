"""The pages on a narrow screen, and what a browser gets when something is not to be had."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from playwright.sync_api import Page, Route, expect

from tests.browser.conftest import Demo, Reader
from tests.photographs import by_phone

pytestmark = pytest.mark.xdist_group("browser")
"""One demo for all of them, so one worker."""

MakeReader = Callable[..., Reader]
PAGES = (
    "/", "/enclosures/southwall", "/enclosures/larch?range=3w", "/enclosures/larch/heat", "/journal", "/sign-in",
    "/tonight", "/season", "/plants", "/plants/1", "/worth", "/worth?crop=main", "/report", "/sizing",
    "/limits", "/proof/larch",
)  # fmt: skip
_TOO_SMALL = """[...document.querySelectorAll('button, .act, nav a, .ranges a, summary, select, input')]
    .filter(each => each.offsetHeight > 0 && (each.offsetHeight < 44 || each.offsetWidth < 44))
    .map(each => each.outerHTML)
    .concat([...document.querySelectorAll('.site a, h2 a, footer a, .more a, .entry a')]
    .filter(each => each.getClientRects()[0].height < 44).map(each => each.outerHTML))"""
_NAMES = """() => [...document.querySelectorAll('.readings tbody th')].map(each => {
    const name = document.createRange(); name.selectNodeContents(each.firstChild);
    return [each.firstChild.data.trim(), name.getClientRects().length]; })"""
_CUT = """[...document.querySelectorAll('.wide')].filter(each => each.scrollWidth > each.clientWidth)
    .map(each => each.textContent)"""
_SIDEWAYS = "document.documentElement.scrollWidth - document.documentElement.clientWidth"


@pytest.mark.parametrize(("width", "scheme"), [(390, "light"), (390, "dark"), (360, "light")])
def test_no_page_scrolls_sideways_and_every_target_fits_a_thumb(
    reader: MakeReader, demo: Demo, width: int, scheme: str
) -> None:
    """On a phone each page is as wide as the screen, and what is touched is at least 44 px high and wide."""
    page = reader(width, scheme=scheme).open()
    for path in PAGES:
        page.goto(demo.address + path)
        assert page.evaluate(_SIDEWAYS) == 0, path
        assert page.evaluate(_TOO_SMALL) == [], path


def test_readings_that_are_hours_old_fit_a_phone(reader: MakeReader) -> None:
    """The longest age in words breaks into two lines and pushes nothing out of the page."""
    page = reader(390, script=False).open("/enclosures/larch")
    for age in page.locator(".readings time").all():
        age.evaluate("each => { each.textContent = '2 h 59 min ago' }")
    assert page.evaluate(_SIDEWAYS) == 0
    assert [name for name, of in page.evaluate(_NAMES) if of > 1] == []


def test_no_column_is_cut_off_on_a_phone(reader: MakeReader, demo: Demo) -> None:
    """A day whose energy is "not known" pushed its hours out of sight, and of 335 kWh the last digit was cut."""
    page = reader(390, script=False).open("/enclosures/larch/heat")
    page.locator(".heat td.num").first.evaluate("each => { each.textContent = 'not known' }")
    for path in ("", "/worth", "/report"):
        if path:
            page.goto(demo.address + path)
        assert page.evaluate(_CUT) == [], path


def test_no_button_grows_out_of_a_phone(reader: MakeReader) -> None:
    """Letters twice as large, as some set their phone: a button to keep a harvest was half beside the screen."""
    page = _opened(reader(390), "larch 1")
    page.evaluate("document.documentElement.style.fontSize = '200%'")
    wide = "[...document.querySelectorAll('button')].filter(each => each.getBoundingClientRect().right > innerWidth)"
    assert page.evaluate(f"{wide}.map(each => each.textContent)") == []


@pytest.mark.parametrize("width", [360, 390])
def test_short_names_of_probes_stand_whole_on_a_phone(reader: MakeReader, width: int) -> None:
    """ "outside" is one line: at 360 px it broke into "outsid" and "e", as did "current" and "contact"."""
    page = reader(width, script=False).open("/enclosures/larch")
    lines = page.evaluate(_NAMES)
    assert "outside" in [name for name, _ in lines]
    assert [name for name, of in lines if of > 1] == []


def test_the_servers_own_chart_can_be_read_on_a_phone(reader: MakeReader) -> None:
    """Without script, or on a bad line, it is what there is: its words were 5 px high."""
    page = reader(360, script=False).open("/enclosures/larch")
    heights = page.evaluate(
        "() => [...document.querySelectorAll('#chart text')].map(each => each.getBoundingClientRect().height)"
    )
    seen = [height for height in heights if height > 0]
    assert seen
    assert min(seen) > 14


def test_unknown_enclosure_is_a_page_in_words(reader: MakeReader, demo: Demo) -> None:
    """A browser that asks for an enclosure that is not there gets a page that says which there are."""
    page = reader(390).context.new_page()
    answer = page.goto(f"{demo.address}/enclosures/oak")
    assert answer is not None
    assert answer.status == 404
    expect(page.locator(".say")).to_contain_text("larch, elder, southwall")
    expect(page.get_by_role("link", name="Back to Tarn Hollow")).to_be_visible()
    assert page.evaluate(_SIDEWAYS) == 0


def test_form_from_another_site_is_refused_with_a_page(reader: MakeReader, demo: Demo) -> None:
    """A browser's form that comes from elsewhere changes nothing and is told so in HTML; a program is told in JSON."""
    ask = reader().context.request
    address = f"{demo.address}/enclosures/larch/disarm"
    form: dict[str, str | float | bool] = {"why": "mischief"}
    headers = {"Origin": "http://elsewhere.example", "Accept": "text/html,*/*;q=0.8"}
    page = ask.post(address, form=form, headers=headers)
    assert page.status == 403
    assert page.headers["content-type"].startswith("text/html")
    told = ask.post(address, form=form, headers={**headers, "Accept": "application/json"})
    assert told.status == 403
    assert told.headers["content-type"].startswith("application/problem+json")


def test_a_stage_and_a_harvest_are_noted_with_a_thumb_and_without_script(reader: MakeReader, demo: Demo) -> None:
    """One tap for a stage, two numbers and a tap for a harvest; both stand on the page, the last in the list."""
    page = _opened(reader(390, script=False), "yard 1 brown fig")
    stage = page.locator(".choices button").first
    words = stage.inner_text()
    stage.click()
    expect(page.locator(".say")).to_contain_text(words)
    page.get_by_role("textbox", name="Fruit").fill("7")
    page.get_by_role("textbox", name="Grams").fill("410")
    page.locator("button.go").first.click()
    seen = page.locator("#seen")
    expect(seen).to_contain_text("7 fruit, 410 g")
    wrong = seen.get_by_role("row").filter(has_text="7 fruit, 410 g")
    wrong.get_by_text("Correct or add to it").click()
    wrong.get_by_role("textbox", name="Fruit").fill("8")
    wrong.get_by_role("button", name="Keep the correction").click()
    expect(seen).to_contain_text("8 fruit, 410 g")
    page.get_by_role("link", name="All plants").click()
    expect(page.locator("main")).to_contain_text("8 fruit, 410 g")
    assert page.evaluate(_SIDEWAYS) == 0


def test_a_photograph_is_chosen_shown_and_removed_without_script(
    reader: MakeReader, demo: Demo, tmp_path: Path
) -> None:
    """Chosen with a stage, it stands beside it, drawn; the whole of it is a tap away; removed, it is gone."""
    taken = tmp_path / "taken.jpg"
    taken.write_bytes(by_phone(6))
    page = _opened(reader(390, script=False), "slope 1 brown fig")
    page.get_by_text("With a photograph").first.click()
    page.locator("input[type=file]").first.set_input_files(taken)
    page.locator(".choices button").nth(1).click()
    shown = page.locator("#seen img").first
    expect(shown).to_have_attribute("alt", re.compile("slope 1, today: "))
    shown.scroll_into_view_if_needed()
    page.wait_for_function("document.querySelector('#seen img').naturalWidth == 360")
    box = shown.bounding_box()
    assert box is not None
    assert box["height"] > box["width"], "as the phone was held"
    assert (page.evaluate(_SIDEWAYS), page.evaluate(_TOO_SMALL)) == (0, [])
    mend = page.locator("#seen tr").first
    mend.get_by_text("Correct or add to it").click()
    mend.get_by_role("button", name="Remove the photograph for good").click()
    expect(page.locator("#seen img")).to_have_count(0)
    assert list((demo.folder / "photographs").iterdir()) == []


def _opened(reader: Reader, plant: str) -> Page:
    """Open a plant's page; the demo sends its plants once its pages are up."""
    page = reader.open("/plants")
    tree = page.get_by_role("link", name=plant)
    for _ in range(40):
        if tree.count():
            break
        page.wait_for_timeout(250)
        page.reload()
    tree.click()
    return page


@pytest.mark.parametrize(
    "path", ["/", "/enclosures/larch", "/tonight", "/season", "/plants", "/plants/1", "/proof/larch"]
)
def test_a_long_name_without_a_space_breaks(reader: MakeReader, demo: Demo, path: str) -> None:
    """Settings take names of 32 characters, plants of 40; as one word they pushed each page out of a phone."""
    page = reader(390).open(path)
    page.evaluate(
        """() => {
        const rows = '.readings tbody th, .awake tbody th, th a, th a b, .seen td';
        const names = `h1, h2 a, h2 span, nav a, .site a, .key li, .act, .say, ${rows}`;
        for (const each of document.querySelectorAll(names))
          for (const text of each.childNodes)
            if (text.nodeType === 3 && text.data.trim()) { text.data = 'm'.repeat(40); break; } }"""
    )
    assert page.evaluate(_SIDEWAYS) == 0


def test_a_thumb_that_taps_twice_asks_once(reader: MakeReader, demo: Demo) -> None:
    """Where the answer takes a second: the other tap was refused for what the first had changed."""
    page = reader(390).open("/enclosures/elder")

    def late(route: Route) -> None:
        answer = route.fetch(max_redirects=0)
        page.wait_for_timeout(500)
        route.fulfill(response=answer)

    page.route("**/set-point", late)
    page.get_by_role("textbox", name="Soil at the roots").fill("14.5")
    page.locator("#ask form").first.get_by_label("Why").fill("a test")
    ask = page.get_by_role("button", name="Ask", exact=True)
    ask.scroll_into_view_if_needed()
    box = ask.bounding_box()
    assert box is not None
    for _ in range(2):
        page.mouse.click(box["x"] + 9, box["y"] + 9)
        page.wait_for_timeout(150)
    expect(page.locator(".answer")).to_contain_text("asked for 14.5")
    expect(page.get_by_text("This was not asked")).to_have_count(0)
