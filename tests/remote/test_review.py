"""The pages and calls over many sites, on a real store."""

from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
import urllib3
from fastapi.testclient import TestClient

from api import people
from api.people import Role
from api.review.app import create_review
from api.review.settings import load_review
from api.writer import Writer
from controller.clock import ManualClock, Moment
from controller.errors import SettingsError
from controller.settings import Remote
from controller.store.journal import Entry
from controller.store.runs import RunBegan, RunEnded, RunEnergy
from tests.api_site import PASSWORD
from tests.remote.conftest import HOUR_MS, START_MS, Keep, Send, Victoria, forwarder_of, many, said, send_all, settle

pytestmark = pytest.mark.parametrize("remote", ["victoria-metrics"], indirect=True)
SPAN = {"start": "2026-01-01T00:00:00Z", "end": "2026-01-01T01:00:00Z"}
HTML = {"accept": "text/html"}
HOME = "http://127.0.0.1:8460"


def review_file(folder: Path, remote: Remote, more: str = "") -> Path:
    """Write a review file and return where it is."""
    file = folder / "review.toml"
    there = f'kind = "victoria-metrics"\nurl = "{remote.url}"'
    file.write_text(f'[remote]\n{there}\n[store]\nfolder = "people"\n{more}', encoding="utf-8")
    return file


@pytest.fixture
def client(tmp_path: Path, remote: Remote, keep: Keep, send: Send) -> Iterator[TestClient]:
    """Yield a browser on this machine, over an hour of larch and of elder; elder has been silent since."""
    keep(*many("bed", 360, 7), *many("bed", 60, 8, "elder"), said("case", START_MS + HOUR_MS - 5000, 31.5))
    keep(RunBegan("larch", START_MS), RunEnergy("larch", 1.8e6), RunEnded("larch", START_MS + 600_000, "duty is over"))
    keep(Entry("trip", "larch", "controller", "", {"trip": "soil-over", "detail": "soil reached 36 Cel"}, START_MS + 5))
    send()
    clock = ManualClock(Moment(1000.0, START_MS + HOUR_MS + 60_000))
    with TestClient(
        create_review(load_review(review_file(tmp_path, remote)), clock), base_url=HOME, client=("127.0.0.1", 5000)
    ) as one:
        yield one


def test_the_calls_give_what_the_site_has_sent(client: TestClient, remote: Remote) -> None:
    """Sites, newest readings, series, runs, journal."""
    assert client.get("/api/sites").json() == [{"site": remote.site, "enclosures": ["elder", "larch"]}]
    larch = f"/api/sites/{remote.site}/enclosures/larch"
    newest = {each["probe"]: each for each in client.get(larch).json()["readings"]}
    assert newest["case"]["value"] == 31.5
    series = client.get(f"{larch}/readings", params={**SPAN, "points": 6}).json()["series"]
    assert sum(row["count"] for each in series for row in each["rows"]) > 250
    (run,) = client.get(f"{larch}/heater-runs", params=SPAN).json()["rows"]
    assert (run["on_s"], run["energy_kwh"], run["ended_by"]) == (600.0, 0.5, "duty is over")
    (entry,) = client.get(f"/api/sites/{remote.site}/journal", params=SPAN).json()
    assert entry["body"]["detail"] == "soil reached 36 Cel"


def test_the_pages_say_the_same(client: TestClient, remote: Remote) -> None:
    """The list names who is silent; an enclosure shows its chart and runs; the journal its entries."""
    home = client.get("/", headers=HTML).text.replace("\N{NO-BREAK SPACE}", " ")
    assert "1 of 2 enclosures has not been heard from lately" in home
    assert f"{remote.site}, elder</a>: nothing for 41 min" in home
    larch = client.get(f"/sites/{remote.site}/enclosures/larch", headers=HTML).text.replace("\N{NO-BREAK SPACE}", " ")
    assert '<path class="line soil"' in larch
    assert "One run, 10 min in all, 0.5 kWh." in larch
    assert "duty is over" in larch
    journal = client.get(f"/sites/{remote.site}/journal", headers=HTML).text
    assert "Soil reached 36\N{NO-BREAK SPACE}°C." in journal


def test_a_probe_that_fell_silent_does_not_speak_for_the_rest(
    client: TestClient, remote: Remote, keep: Keep, send: Send
) -> None:
    """By name it comes first: what it said when it died, or was renamed, stood a day long as the soil of now."""
    keep(said("a-dead-one", START_MS, 31.0), said("z-new", START_MS + HOUR_MS, 3.5))
    send()
    larch = client.get(f"/sites/{remote.site}/enclosures/larch", headers=HTML).text.replace("\N{NO-BREAK SPACE}", " ")
    assert "Soil 31.0 °C" not in larch
    assert '<span class="quiet">soil</span></th><td class="num faded">31.0 °C</td>' in larch
    keep(said("deep", START_MS, 7.25, enclosure="oak"), said("a-dead-one", START_MS - HOUR_MS, 31.0, enclosure="oak"))
    send()
    home = client.get("/", headers=HTML).text.replace("\N{NO-BREAK SPACE}", " ")
    assert '<td class="num faded">7.2 °C</td>' in home
    assert "31.0" not in home


def test_of_many_enclosures_each_site_is_one_line_and_has_its_page(
    tmp_path: Path, folder: Path, keep: Keep, remote: Remote
) -> None:
    """What thousands measure was asked of the store at once, for one page. Nothing of a site is on another's."""
    now_ms = START_MS + HOUR_MS
    keep(*(said("bed", now_ms, 15.0, enclosure=f"bed-{number}") for number in range(199)))
    with closing(forwarder_of(folder, remote)) as forwarder:
        send_all(forwarder, remote)
    other = remote.model_copy(update={"site": f"{remote.site}-two"})
    keep(said("bed", START_MS, 31.0, enclosure="bed-0"), said("bed", now_ms, 31.0, enclosure="oak"))
    (folder / "outbox.db").unlink()
    review = create_review(load_review(review_file(tmp_path, remote)), ManualClock(Moment(1000.0, now_ms)))
    with TestClient(review, base_url=HOME, client=("127.0.0.1", 5000)) as one:
        assert "15.0" in one.get("/", headers=HTML).text
        with closing(forwarder_of(folder, other)) as forwarder:
            send_all(forwarder, other)
        home = one.get("/", headers=HTML).text
        assert "15.0" not in home
        assert f'<a href="/sites/{other.site}">{other.site}</a></th><td class="num">200</td>' in home
        assert "Every enclosure has been heard from" in home
        site = one.get(f"/sites/{remote.site}", headers=HTML).text
        assert (site.count("15.0"), "31.0" in site, "oak" in site) == (199, False, False)
        assert one.get("/sites/nowhere", headers=HTML).status_code == 404
    review = create_review(load_review(review_file(tmp_path, remote)), ManualClock(Moment(1000.0, now_ms + 1000_000)))
    with TestClient(review, base_url=HOME, client=("127.0.0.1", 5000)) as one:
        assert "399 of 399 enclosures have not" in one.get("/", headers=HTML).text


def test_what_others_keep_in_the_same_store_breaks_no_page(client: TestClient, remote: Remote) -> None:
    """A meter's readings bear the same name, and no site."""
    stamp = (START_MS + HOUR_MS) * 1_000_000
    urllib3.request("POST", f"{remote.url}/api/v2/write", body=f"reading,host=meter value=5 {stamp}\n".encode())
    settle(remote)
    assert client.get("/", headers=HTML).status_code == 200
    assert client.get("/api/sites").json() == [{"site": remote.site, "enclosures": ["elder", "larch"]}]


def test_an_enclosure_that_fell_silent_days_ago_is_named_and_has_its_page(
    tmp_path: Path, keep: Keep, send: Send, remote: Remote
) -> None:
    """Nothing was heard within a day; what ran before is there, the newest two dozen."""
    keep(said("bed", START_MS, 15.0))
    for number in range(26):
        keep(
            RunBegan("larch", START_MS + number * 60_000),
            RunEnded("larch", START_MS + number * 60_000 + 9, f"n{number};"),
        )
    send()
    clock = ManualClock(Moment(1000.0, START_MS + 48 * HOUR_MS))
    review = create_review(load_review(review_file(tmp_path, remote)), clock)
    with TestClient(review, base_url=HOME, client=("127.0.0.1", 5000)) as one:
        assert f"{remote.site}, larch</a>: nothing for more than a day" in one.get("/", headers=HTML).text
        shown = one.get(f"/sites/{remote.site}/enclosures/larch?range=3d", headers=HTML).text
    assert [number for number in range(26) if f"n{number};" in shown] == list(range(2, 26))


def test_nothing_of_a_site_of_its_own_is_there(client: TestClient) -> None:
    """No page of the review offers a change, an enclosure of its own, or a call that could ask for one."""
    assert "/limits" not in client.get("/", headers=HTML).text
    for path in ("/api/enclosures", "/limits", "/journal"):
        assert client.get(path).status_code == 404
    assert client.post("/api/enclosures/larch/arm").status_code == 404


def test_an_unknown_place_is_named(client: TestClient, remote: Remote) -> None:
    """404 with the names asked for; a name that is no name is refused before the store sees it."""
    answer = client.get(f"/api/sites/{remote.site}/enclosures/oak")
    assert answer.status_code == 404
    assert "'oak'" in answer.json()["detail"]
    assert client.get('/api/sites/x"}/enclosures/oak').status_code == 422


def test_a_store_that_is_away_is_said_on_the_page(client: TestClient, victoria: Victoria) -> None:
    """503 and where it looked; back as soon as the store is."""
    victoria.stop()
    answer = client.get("/", headers=HTML)
    assert answer.status_code == 503
    assert "cannot be reached" in answer.text
    victoria.start()
    assert client.get("/", headers=HTML).status_code == 200


def test_a_store_of_many_sites_that_lists_no_more_shows_each_of_them_still(
    tmp_path: Path, folder: Path, keep: Keep, remote: Remote
) -> None:
    """Seven hundred sites had more series than it lists by default: no page opened, and the token was to blame."""
    keep(*(said("bed", START_MS, 15.0, enclosure=name) for name in ("larch", "elder", "ash")))
    victoria = Victoria(tmp_path / "narrow", **{"search.maxSeries": "2"})
    victoria.start()
    remote = remote.model_copy(update={"url": victoria.url})
    try:
        with closing(forwarder_of(folder, remote)) as forwarder:
            send_all(forwarder, remote)
        clock = ManualClock(Moment(1000.0, START_MS + 60_000))
        review = create_review(load_review(review_file(tmp_path, remote)), clock)
        with TestClient(review, base_url=HOME, client=("127.0.0.1", 5000)) as one:
            assert "15.0" in one.get(f"/sites/{remote.site}/enclosures/larch", headers=HTML).text
            assert one.get(f"/api/sites/{remote.site}/enclosures/oak").status_code == 404
            answer = one.get("/api/sites")
        assert answer.status_code == 503
        assert "-search.max" in answer.json()["detail"]
    finally:
        victoria.stop()


def test_people_who_are_set_up_must_sign_in(tmp_path: Path, remote: Remote) -> None:
    """Listening beyond this machine needs a person; with one, nobody else sees anything."""
    with pytest.raises(SettingsError, match="no person is set up"):
        create_review(load_review(review_file(tmp_path, remote, '[web]\nhost = "0.0.0.0"\n')))
    season = Writer(tmp_path / "people" / "season.db", people.MIGRATIONS)
    season.do(people.add_person, "keeper", Role.VIEW, PASSWORD)
    token = season.do(people.new_session, "keeper", START_MS)
    season.close()
    review = create_review(load_review(review_file(tmp_path, remote)), ManualClock(Moment(1000.0, START_MS)))
    with TestClient(review, base_url=HOME, client=("127.0.0.1", 5000), follow_redirects=False) as one:
        place = f"{remote.site}/enclosures/larch"
        for path in ("", f"/{place}", f"/{place}/readings", f"/{place}/heater-runs", f"/{remote.site}/journal"):
            assert one.get(f"/api/sites{path}").status_code == 401
        for path in ("/", f"/sites/{remote.site}", f"/sites/{place}", f"/sites/{remote.site}/journal"):
            assert one.get(path, headers=HTML).headers.get("location", "").startswith("/sign-in")
        assert one.get("/api/sites", headers={"authorization": f"Bearer {token}"}).status_code == 200


@pytest.mark.parametrize(
    ("more", "fault"),
    [
        ('[enclosure]\nname = "larch"\n', "enclosure: no such key"),
        ("[web]\nport = 0\n", "web.port: 0 is below the lowest allowed 1"),
        ('[site]\ntime_zone = "Mars"\n', "is no IANA time zone"),
    ],
)
def test_a_fault_in_the_review_file_is_named(tmp_path: Path, remote: Remote, more: str, fault: str) -> None:
    """File, key, value, bound."""
    with pytest.raises(SettingsError, match=fault):
        load_review(review_file(tmp_path, remote, more))
