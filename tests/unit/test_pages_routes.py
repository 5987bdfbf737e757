"""Every page: opens with and without data, holds nothing inline, escapes, and asks through forms."""

import json
import re
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import cast

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient

from api.app import create_app
from api.live import Live
from controller.clock import ManualClock, Moment
from controller.store import connection, journal, migrations
from tests.unit.pages_site import COPIED, NOW_MS, SETTINGS, TRIP, open_site, status

PAGES = [
    "/",
    "/enclosures/larch",
    "/enclosures/southwall?range=3w",
    "/enclosures/larch/section?size=large",
    "/enclosures/larch/section",
    "/enclosures/larch/heat",
    "/journal",
    "/limits",
    "/journal?enclosure=larch&kind=answer",
    "/sign-in",
    "/tonight",
    "/season",
    "/plants",
    "/worth",
    "/report",
    "/sizing",
]
SAME_ORIGIN = {"sec-fetch-site": "same-origin"}


@pytest.fixture
def site(tmp_path: Path) -> Iterator[TestClient]:
    """Give a client of a site that speaks and has a record."""
    with open_site(tmp_path) as client:
        yield client


@pytest.mark.parametrize("heard", [True, False])
@pytest.mark.parametrize("kept", [True, False])
@pytest.mark.parametrize("unit", ["C", "F"])
def test_every_page_opens_with_and_without_data(tmp_path: Path, heard: bool, kept: bool, unit: str) -> None:
    """No controller, no record, either unit: the page still opens and holds no script or style of its own."""
    with open_site(tmp_path, heard, kept) as client:
        client.cookies.set("soilward-unit", unit)
        for path in PAGES:
            reply = client.get(path)
            assert reply.status_code == 200, path
            assert not re.search(r"\sstyle=|<style|<script(?![^>]*\ssrc=)|\son[a-z]+=|javascript:", reply.text), path
            assert not re.search(r"None|\d Cel\b", re.sub(r"<[^>]*>", "", reply.text)), path


def test_before_the_first_reading_each_page_says_only_that(tmp_path: Path) -> None:
    """No probe of the settings is denied, no path of the machine is shown, and no word is struck out."""
    with open_site(tmp_path, heard=False, kept=False) as client:
        text = {path: client.get(path).text for path in ("/sizing", "/season", "/enclosures/larch")}
    assert "No season can be told: no outside probe is on record yet, and settings name no" in text["/sizing"]
    assert str(tmp_path) not in text["/sizing"]
    assert "No outside probe is on record yet, and no weather station" in text["/season"]
    assert "<s>" not in text["/enclosures/larch"]


def test_a_page_speaks_in_the_chosen_unit(site: TestClient) -> None:
    """With the cookie set, sentences, table and drawing are in Fahrenheit and no Cel is left."""
    site.cookies.set("soilward-unit", "F")
    text = site.get("/enclosures/southwall").text
    assert "160.2" in text
    assert "158.0" in text
    assert "°C" not in re.sub(r"<footer.*", "", text, flags=re.S)
    assert " Cel" not in re.sub(r"<[^>]*>", "", text)


def test_a_fault_of_our_own_ends_with_one_full_stop(site: TestClient) -> None:
    """As every sentence does."""

    def breaks() -> None:
        raise RuntimeError

    app = cast(FastAPI, site.app)
    app.add_api_route("/breaks", breaks)
    reader = TestClient(app, base_url="http://127.0.0.1:8460", client=("127.0.0.1", 5), raise_server_exceptions=False)
    text = reader.get("/breaks", headers={"accept": "text/html"}).text
    assert "its log says what. The heat is not decided here.</p>" in text


def test_what_others_wrote_is_escaped(site: TestClient) -> None:
    """Titles, alerts and reasons that look like markup are shown as text."""
    pages = "".join(site.get(path).text for path in PAGES)
    assert "<script>alert" not in pages
    assert "south <wall>" not in pages
    assert "&lt;b&gt;cold" in pages


def test_trouble_comes_first(site: TestClient) -> None:
    """The enclosure with a trip leads the site page, and offers the reset."""
    text = site.get("/").text
    assert text.index("Heat is locked off") < text.index("Warm and safe.")
    assert "I have looked: reset" in text


@pytest.mark.parametrize(
    ("file", "paths"),
    [
        ("journal.db", ("/journal", "/limits", "/proof/larch", "/report")),
        ("readings.db", ("/enclosures/larch/heat", "/report")),
    ],
)
def test_a_damaged_record_is_no_empty_one(site: TestClient, tmp_path: Path, file: str, paths: tuple[str, ...]) -> None:
    """A page of the record says that it is damaged, not that nothing ever happened; live pages open without it."""
    with closing(sqlite3.connect(tmp_path / file)) as book:
        book.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    pages = bytearray((tmp_path / file).read_bytes())
    for begin in range(4096, len(pages), 4096):
        pages[begin : begin + 200] = b"\xff" * 200
    (tmp_path / file).write_bytes(pages)
    for path in paths:
        shown = site.get(path, headers={"accept": "text/html"})
        assert (shown.status_code, "damaged" in shown.text) == (503, True), path
    assert f"{file} is damaged; " in site.get(paths[0]).text, "and what to do"
    for path in ("/", "/enclosures/larch"):
        assert "Warm and safe." in site.get(path).text


@pytest.mark.parametrize("path", ["/report", "/season", "/tonight"])
def test_a_record_that_is_no_database_any_more_is_no_empty_one(site: TestClient, tmp_path: Path, path: str) -> None:
    """Its first page gone: not "nothing is on record yet", nor "there is no probe outside"."""
    with (tmp_path / "readings.db").open("r+b") as raw:
        raw.write(b"\xa5" * 100)
    shown = site.get(path, headers={"accept": "text/html"})
    assert shown.status_code == 503
    assert '<p class="say">readings.db is damaged; put back a backup, or stop Soilward and move it away' in shown.text


@pytest.mark.parametrize("path", ["/report", "/season", "/tonight"])
def test_a_record_damaged_in_its_midst_is_named(site: TestClient, tmp_path: Path, path: str) -> None:
    """Also where its days, nights and sums are gathered; for sizing it says why no season is told."""
    with closing(sqlite3.connect(tmp_path / "readings.db")) as record:
        record.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    with (tmp_path / "readings.db").open("r+b") as raw:
        raw.seek(4096)
        raw.write(b"\xa5" * ((tmp_path / "readings.db").stat().st_size - 4096))
    for each in (path, "/sizing"):
        assert "readings.db is damaged; put back a backup" in site.get(each, headers={"accept": "text/html"}).text, each


@pytest.mark.parametrize("file", ["season.db", "requests.db"])
def test_a_damaged_file_of_our_own_is_told_in_words(site: TestClient, tmp_path: Path, file: str) -> None:
    """Without the people every page was a bare "Internal Server Error", without the requests no live one opened."""
    state = cast(FastAPI, site.app).state.soilward
    writer = state.season if file == "season.db" else state.requests
    writer.do(lambda held: held.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall())
    with (tmp_path / file).open("r+b") as raw:
        raw.seek(4096)
        raw.write(b"\xa5" * ((tmp_path / file).stat().st_size - 4096))
    for thread in (writer.do, writer.look):
        thread(lambda held: held.execute("PRAGMA shrink_memory"))
    html = {"accept": "text/html", **SAME_ORIGIN}
    site = TestClient(
        site.app, base_url="http://127.0.0.1:8460", client=("127.0.0.1", 5), raise_server_exceptions=False
    )
    shown = site.get("/", headers=html)
    said = (503, f"{file} is damaged; put back a backup.") if file == "season.db" else (200, "Warm and safe.")
    assert (shown.status_code, said[1] in shown.text) == (said[0], True)
    asked = site.post("/enclosures/larch/arm", data={"why": "cold"}, headers=html)
    assert asked.status_code == 503
    assert f"{file} is damaged; put back a backup. Nothing was asked or kept. To end heat now, switch" in asked.text
    assert "switch the heater off at its socket" in site.post("/enclosures/larch/stop", headers=html).text


def test_what_is_asked_before_the_first_reading_is_refused_in_whole_sentences(tmp_path: Path) -> None:
    """A forecast typed in where no controller has run yet: 'here yet?. Nothing was asked' stood there."""
    with open_site(tmp_path, heard=False, kept=False) as client:
        html = {"accept": "text/html", **SAME_ORIGIN}
        shown = client.post("/tonight/forecast", data={"lowest": "-3"}, headers=html)
    assert shown.status_code == 503
    assert "has the controller run here yet? Nothing was asked or kept. To end heat now," in shown.text


def test_a_disk_that_takes_nothing_is_no_record_that_cannot_be_read(site: TestClient) -> None:
    """Turned read-only by a failing card: it asked whether the controller had run here yet."""
    cast(FastAPI, site.app).state.soilward.requests.do(lambda held: held.execute("PRAGMA query_only = ON"))
    asked = site.post("/enclosures/larch/arm", data={"why": "cold"}, headers={"accept": "text/html", **SAME_ORIGIN})
    assert asked.status_code == 503
    assert "The disk takes nothing now (attempt to write a readonly database); look at it. Nothing was" in asked.text
    assert "To end heat now, switch the heater off at its socket." in asked.text


def test_older_entries_leave_none_out(site: TestClient, tmp_path: Path) -> None:
    """More of one instant than a page holds, and a clock set back between them: reading on comes to every entry."""
    book = connection.open_writer(tmp_path / "journal.db", migrations.JOURNAL)
    at_ms = [NOW_MS + 86_400_000] * 40 + [NOW_MS - 3_600_000] * 150 + [NOW_MS - 400 * 86_400_000]
    journal.append(
        book,
        [
            journal.Entry("alert", "larch", "soilward", f"number {number}", {"alert": "x"}, each)
            for number, each in enumerate(at_ms)
        ],
    )
    book.close()
    found, days, path = [], [], "/journal?kind=alert"
    while path:
        text = site.get(path).text
        found += re.findall(r"Number (\d+)\.", text)
        days += re.findall(r"<h2>([^<]*)</h2>", text)
        path = "".join(re.findall(r'href="(/journal\?[^"]*before[^"]*)"', text)).replace("&amp;", "&")
    assert [int(each) for each in found] == list(reversed(range(191)))
    assert days[0] == "Sat 25 Jan 2025", "not of this year"


@pytest.mark.parametrize(("count", "folded"), [(8, False), (9, True)])
def test_the_links_of_many_enclosures_are_folded_away(tmp_path: Path, count: int, folded: bool) -> None:
    """On a phone forty links would stand before the first word of how it is."""
    bed = SETTINGS.enclosure[0]
    beds = tuple(bed.model_copy(update={"name": f"bed-{number}"}) for number in range(count))
    settings = SETTINGS.model_copy(update={"enclosure": beds})
    clock = ManualClock(Moment(1000.0, NOW_MS))
    app = create_app(settings, tmp_path, Live(settings, clock), clock)
    with TestClient(app, base_url="http://127.0.0.1:8460", client=("127.0.0.1", 50000)) as client:
        (nav,) = re.findall(r"<nav.*?</nav>", client.get("/").text, flags=re.S)
    assert nav.count('href="/enclosures/') == count
    assert (f"<summary>{count} enclosures</summary>" in nav) is folded


def test_what_an_open_page_is_given_anew_has_the_clock_and_the_air_outside(site: TestClient) -> None:
    """The head of a page left open all night is not that of the evening."""
    for path in ("/", "/enclosures/larch", "/enclosures/larch/section", "/tonight"):
        (line,) = re.findall(r'data-live="line">([^<]*)<', site.get(path).text)
        assert line == "05:12 · outside \N{MINUS SIGN}1.4\N{NO-BREAK SPACE}°C", path


def test_whether_heat_is_armed_is_given_anew_once_nobody_knows(tmp_path: Path) -> None:
    """The orders' tag outlives a silence; the part that says "armed" must not stay for that."""

    def version(heard: bool) -> str:
        with open_site(tmp_path / str(heard)) as client:
            if not heard:
                client.app.state.soilward.clock.sleep(60.0)  # type: ignore[attr-defined]
            shown = client.get("/enclosures/larch/section?size=large").text
        assert ("Heat is armed" in shown) is heard
        (found,) = re.findall(r'data-live="larch/arming" data-version="([^"]*)"', shown)
        return str(found)

    assert version(True) != version(False)


def test_of_a_controller_that_fell_silent_it_is_told_once(site: TestClient) -> None:
    """Not beside every probe and condition, as of a moment ago; and no probe that was heard is called never heard."""
    site.app.state.soilward.clock.sleep(60.0)  # type: ignore[attr-defined]
    shown = site.get("/enclosures/larch").text
    assert shown.count("Not known: nothing heard from the controller since") == 1
    assert "Not known until the controller is heard again." in shown
    assert ("the controller was last heard" in shown, "never" in shown) == (False, False)


def test_a_set_point_is_asked_and_the_page_waits_for_the_answer(site: TestClient) -> None:
    """The form files a request in the reader's unit and the next page says it waits."""
    site.cookies.set("soilward-unit", "F")
    form = {"set_point": "65", "hours": "12", "why": "slips look cold"}
    reply = site.post("/enclosures/larch/set-point", data=form, headers=SAME_ORIGIN)
    assert reply.status_code == 303
    page = site.get(reply.headers["location"]).text
    assert "Waiting for the controller" in page
    assert "65.0\N{NO-BREAK SPACE}°F" in page


@pytest.mark.parametrize(
    ("written", "said"), [("warm", "no number"), ("81", "above"), ("nan", "no number"), ("18;", "no")]
)
def test_a_set_point_that_cannot_be_is_refused_in_words(site: TestClient, written: str, said: str) -> None:
    """Nothing is filed; the page says what is wrong."""
    form = {"set_point": written, "why": "just because"}
    reply = site.post("/enclosures/larch/set-point", data=form, headers=SAME_ORIGIN)
    assert reply.status_code == 422
    assert said in reply.text


def test_a_refusal_gives_the_bound_in_the_readers_unit(site: TestClient) -> None:
    """The hint at Fahrenheit is for those who write Cel; those who write Fahrenheit see the limit in it."""
    form = {"set_point": "81", "why": "just because"}
    said = site.post("/enclosures/larch/set-point", data=form, headers=SAME_ORIGIN).text
    assert "If you mean 81\N{NO-BREAK SPACE}°F, write 27.2" in said
    site.cookies.set("soilward-unit", "F")
    reply = site.post("/enclosures/larch/set-point", data={**form, "set_point": "120"}, headers=SAME_ORIGIN)
    assert "120.0 °F is above the hard limit 89.6 °F" in reply.text.replace("\N{NO-BREAK SPACE}", " ")


def test_an_answer_is_shown_where_it_was_asked(site: TestClient, tmp_path: Path) -> None:
    """Once the journal has the answer to this request, the page says it instead of waiting."""
    site.post("/enclosures/larch/disarm", data={"why": "cable dug up"}, headers=SAME_ORIGIN)
    body: dict[str, journal.JSON] = {
        "request": 1,
        "asked": "disarm",
        "outcome": "done",
        "detail": "no heat until 2026-03-01T16:12:02.541Z",
    }
    book = connection.open_writer(tmp_path / "journal.db", migrations.JOURNAL)
    journal.append(book, [journal.Entry("answer", "larch", "local", "cable dug up", body, NOW_MS + 1000)])
    book.close()
    text = site.get("/enclosures/larch?asked=1").text
    assert "Done: no heat until 17:12." in text
    assert "No heat until 1 March 2026 17:12." in site.get("/journal").text
    assert "data-waiting" not in text


def test_a_wish_until_the_end_of_the_calendar_breaks_no_page(site: TestClient, tmp_path: Path) -> None:
    """One was taken before such ends were refused: while it stood no page opened, and the journal's never again."""
    until = "9999-12-31T23:59:59.000Z"
    told = status("larch") | {"set_point": {"asked_c": 12.0, "working_c": 12.0, "source": "person", "until": until}}
    app = cast(FastAPI, site.app)
    app.state.soilward.live.accept("soilward/larch/status", json.dumps(told).encode())
    book = connection.open_writer(tmp_path / "journal.db", migrations.JOURNAL)
    body: dict[str, journal.JSON] = {"request": 1, "asked": "set-point", "detail": f"12.0 Cel until {until}"}
    journal.append(book, [journal.Entry("answer", "larch", "local", "for ever", body, NOW_MS + 1000)])
    book.close()
    for path in ("/", "/enclosures/larch"):
        assert site.get(path).status_code == 200
    assert "31 December 9999 23:59" in site.get("/journal").text


def test_an_answer_is_shown_though_the_clock_was_set_back_since(site: TestClient, tmp_path: Path) -> None:
    """By a quarter of an hour: the page of a stop that was obeyed went on waiting."""
    site.post("/enclosures/larch/stop", headers=SAME_ORIGIN)
    book = connection.open_writer(tmp_path / "journal.db", migrations.JOURNAL)
    body: dict[str, journal.JSON] = {"request": 1, "asked": "stop", "outcome": "done", "detail": "heat is locked off"}
    journal.append(book, [journal.Entry("answer", "larch", "local", "stop pressed", body, NOW_MS - 900_000)])
    book.close()
    assert "Done: heat is locked off." in site.get("/enclosures/larch?asked=1").text


def test_a_reset_needs_a_reason_and_is_filed(site: TestClient) -> None:
    """Without a reason it is refused in words, with one it is asked."""
    form = {"trip": str(TRIP["name"]), "why": " "}
    reply = site.post("/enclosures/southwall/reset", data=form, headers=SAME_ORIGIN)
    assert reply.status_code == 422
    assert "ay why" in reply.text
    form["why"] = "film lay on the heater; taken off"
    reply = site.post("/enclosures/southwall/reset", data=form, headers=SAME_ORIGIN)
    assert reply.status_code == 303


@pytest.mark.parametrize("change", ["arm", "disarm", "schedule"])
def test_each_change_is_filed_and_shown(site: TestClient, change: str) -> None:
    """Arm, disarm and back to the schedule go the same way."""
    reply = site.post(f"/enclosures/larch/{change}", data={"why": "trying"}, headers=SAME_ORIGIN)
    assert reply.status_code == 303
    assert "Waiting for the controller" in site.get(reply.headers["location"]).text


def test_a_form_from_elsewhere_is_refused(site: TestClient) -> None:
    """A foreign page cannot ask in the reader's name."""
    reply = site.post("/enclosures/larch/disarm", data={"why": "mischief"}, headers={"sec-fetch-site": "cross-site"})
    assert reply.status_code == 403


@pytest.mark.parametrize("back", ["https://elsewhere.example/", "//elsewhere.example", "/\\elsewhere.example"])
def test_the_unit_form_never_leads_elsewhere(site: TestClient, back: str) -> None:
    """The page to go back to is one of ours."""
    reply = site.post("/unit?to=F", data={"back": back})
    assert reply.status_code == 303
    assert reply.headers["location"] == "/"
    assert "soilward-unit=F" in reply.headers["set-cookie"]


def test_the_journal_says_whether_the_chain_holds(site: TestClient) -> None:
    """Newest first, hashes shortened, the chain's state at the top."""
    text = site.get("/journal").text
    assert "The chain holds: all 2 entries" in text
    assert text.index("Asked to arm") < text.index("<b>Trip</b>")


def test_heat_by_day_says_energy_and_cost(site: TestClient) -> None:
    """1 kWh at 0.30 costs 0.30; the relay is said to last as long as its closings let it. No mean is taken over days
    before the first heat on record: this one's was "in 22 days", and "0.0 a day".
    """
    text = site.get("/enclosures/larch/heat").text
    assert "1.0\N{NO-BREAK SPACE}kWh for 0.30 EUR in 1 day." in text
    assert "Heater runs: 1.0 a day: contacts last more than 100 seasons of 90 days." in text
    assert text.count('<tr><th scope="row">') == 1


def test_every_enclosure_has_a_card(site: TestClient) -> None:
    """The site page misses none."""
    text = site.get("/").text
    assert all(f'data-enclosure="{each.name}"' in text for each in SETTINGS.enclosure)


def test_a_copy_elsewhere_that_is_behind_is_said_on_the_site_page(tmp_path: Path) -> None:
    """Since when, why, and that nothing is lost, but where the record itself is spoilt; nothing while it is well."""
    with open_site(tmp_path, settings=COPIED) as client:
        with closing(connection.open_writer(tmp_path / "outbox.db", migrations.OUTBOX)) as outbox:
            outbox.execute("INSERT INTO told VALUES (1, ?, NULL, 50, 0, '')", (NOW_MS,))
        assert "copy elsewhere" not in client.get("/").text
        with closing(connection.open_writer(tmp_path / "outbox.db", migrations.OUTBOX)) as outbox:
            said = (NOW_MS, NOW_MS - 7_200_000, "there cannot be reached")
            outbox.execute("INSERT OR REPLACE INTO told VALUES (1, ?, ?, 0, 0, ?)", said)
        shown = client.get("/").text
        assert "there cannot be reached. Nothing is lost; it is sent later." in shown
        assert "The copy elsewhere is behind since" in shown
        with closing(connection.open_writer(tmp_path / "outbox.db", migrations.OUTBOX)) as outbox:
            outbox.execute("UPDATE told SET trouble = ?", ("a block is damaged; do this",))
        shown = client.get("/").text
        assert "The copy elsewhere is not whole: a block is damaged; do this." in shown
        assert "Nothing is lost" not in shown


def test_a_copy_that_is_wanted_no_longer_is_not_said_to_be_behind(tmp_path: Path) -> None:
    """Nor counted: whoever gave it up was told of it for good."""
    with open_site(tmp_path) as client:
        with closing(connection.open_writer(tmp_path / "outbox.db", migrations.OUTBOX)) as outbox:
            outbox.execute("INSERT INTO told VALUES (1, ?, ?, 0, 0, 'cannot be reached')", (NOW_MS, NOW_MS - 7_200_000))
        assert "copy elsewhere" not in client.get("/").text
        assert "soilward_outbox" not in client.get("/metrics").text


def test_a_forwarder_that_does_not_run_is_said_on_the_site_page(tmp_path: Path) -> None:
    """One that ends at each start, as for a token it cannot read, has no word of its own; all seemed well. Nor has one
    whose file is new, or damaged, and the page is there all the same."""
    with open_site(tmp_path, settings=COPIED) as client:
        line = "The copy elsewhere has not begun: the forwarder does not run"
        assert line in client.get("/").text
        connection.open_writer(tmp_path / "outbox.db", migrations.OUTBOX).close()
        assert line in client.get("/").text
        (tmp_path / "outbox.db").write_bytes(b"none at all" * 1000)
        assert line in client.get("/").text
        (tmp_path / "outbox.db").unlink()
        with closing(connection.open_writer(tmp_path / "outbox.db", migrations.OUTBOX)) as outbox:
            outbox.execute("INSERT INTO told VALUES (1, ?, NULL, 50, 0, '')", (NOW_MS - 901_000,))
        shown = client.get("/").text.replace("\N{NO-BREAK SPACE}", " ")
        assert "The copy elsewhere stands still since 04:57: the forwarder does not run, and the log says why." in shown


@pytest.mark.parametrize(("refused", "said"), [(0, ""), (1, "lacks 1 point "), (3, "lacks 3 points ")])
def test_a_copy_elsewhere_that_lacks_something_for_good_is_said_too(tmp_path: Path, refused: int, said: str) -> None:
    """What the store there will never take is left out: told, for nobody would look for it."""
    with open_site(tmp_path, settings=COPIED) as client:
        with closing(connection.open_writer(tmp_path / "outbox.db", migrations.OUTBOX)) as outbox:
            outbox.execute("INSERT INTO told VALUES (1, ?, NULL, 50, ?, '')", (NOW_MS, refused))
        shown = client.get("/").text
        assert ("copy elsewhere" in shown) == bool(refused)
        assert said in shown


def test_armed_without_heat_comes_before_what_is_well(tmp_path: Path) -> None:
    """Of forty enclosures the one whose heat is off by a lost probe stood thirty screens down; one disarmed may."""
    clock = ManualClock(Moment(1000.0, NOW_MS))
    live = Live(SETTINGS, clock)
    lost = {"name": "soil heard", "holds": False, "detail": "soil probe 'soil-8' is lost", "returns": ""}
    app = create_app(SETTINGS, tmp_path, live, clock)
    with TestClient(app, base_url="http://127.0.0.1:8460", client=("127.0.0.1", 50000)) as client:
        for armed, first in ((True, "southwall"), (False, "larch")):
            live.accept("soilward/larch/status", json.dumps(status("larch")).encode())
            said = {**status("southwall"), "armed": armed, "permissives": [lost]}
            live.accept("soilward/southwall/status", json.dumps(said).encode())
            assert re.findall(r'data-enclosure="(\w+)"', client.get("/").text)[0] == first


def test_what_heat_needs_includes_that_it_is_armed(tmp_path: Path) -> None:
    """Disarmed, the page said "Not armed: no heat." at its head, and "All of it holds" of what heat needs."""
    clock = ManualClock(Moment(1000.0, NOW_MS))
    live = Live(SETTINGS, clock)
    app = create_app(SETTINGS, tmp_path, live, clock)
    with TestClient(app, base_url="http://127.0.0.1:8460", client=("127.0.0.1", 50000)) as client:
        for armed in (True, False):
            live.accept("soilward/larch/status", json.dumps({**status("larch"), "armed": armed}).encode())
            needs = client.get("/enclosures/larch").text.partition("What heat needs")[2]
            assert ("All of it holds" in needs, "It is not armed." in needs) == (armed, not armed)
