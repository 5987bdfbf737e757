"""The calls: what is true now, what was, and asking for a change."""

import json
from contextlib import closing
from typing import Any

import pytest
from fastapi.testclient import TestClient
from prometheus_client.parser import text_string_to_metric_families

from api.live import Live
from controller.clock import rfc3339
from controller.store import keeping, migrations, requests, runs
from controller.store.connection import open_reader, open_writer
from controller.store.journal import Entry
from controller.store.readings import StoredReading
from tests.api_site import NOW_MS, ApiSite, status_of

HOUR_MS = 3_600_000


def filed(site: ApiSite) -> list[requests.Request]:
    """Return every request in the file the controller reads."""
    connection = open_reader(site.folder / "requests.db")
    try:
        return requests.after(connection, 0)
    finally:
        connection.close()


def test_a_fresh_status_is_given_as_it_came(site: ApiSite, client: TestClient) -> None:
    """The object is the controller's own, with its age and that it speaks of now."""
    site.hear()
    site.clock.sleep(3)
    assert client.get("/api/enclosures/larch").json() == {**status_of(), "known": True, "as_of_age_s": 3.0}


def test_an_old_status_says_that_nothing_is_known(site: ApiSite, client: TestClient) -> None:
    """After more than 15 s all that may have changed is unknown, a trip stays, and words say so."""
    site.hear()
    site.clock.sleep(40)
    shown = client.get("/api/enclosures/larch").json()
    assert shown["known"] is False
    assert shown["as_of_age_s"] == 40.0
    assert set(shown["heat"].values()) == {None}
    assert shown["soil_c"] is None
    assert shown["armed"] is None
    assert shown["readings"][0]["value"] is None
    assert shown["readings"][0]["fresh"] is False
    assert shown["permissives"][0]["holds"] is None
    assert len(shown["trips"]) == 1
    assert "40 s ago" in shown["words"]["verdict"]


def test_an_enclosure_never_heard_of_is_shown_as_unknown(client: TestClient) -> None:
    """Before the first status every probe of settings is listed without a value, and the shape is the same."""
    shown = client.get("/api/enclosures").json()
    assert [each["enclosure"] for each in shown] == ["larch", "elder"]
    assert set(shown[0]) == {*status_of(), "known", "as_of_age_s"}
    assert shown[0]["as_of_age_s"] is None
    assert shown[0]["heat"]["contact"] is None
    assert [each["probe"] for each in shown[0]["readings"]] == ["soil-10", "air-low"]


@pytest.mark.parametrize("path", ["", "/readings", "/heater-runs"])
def test_an_unknown_enclosure_is_404_and_the_known_ones_are_named(client: TestClient, path: str) -> None:
    """The problem's detail names what there is."""
    answer = client.get(f"/api/enclosures/oak{path}")
    assert answer.status_code == 404
    assert answer.json()["detail"] == "enclosure 'oak' is not in settings; known: larch, elder"


def store_readings(site: ApiSite, count: int) -> None:
    """Keep one reading of soil-10 a minute for `count` minutes before now."""
    connection = open_writer(site.folder / "readings.db", migrations.READINGS)
    batch = [
        StoredReading("larch", "soil-10", "soil", "Cel", 10.0 + n, NOW_MS - (n + 1) * 60_000, NOW_MS, "good")
        for n in range(count)
    ]
    keeping.add(connection, batch)
    connection.close()


def test_readings_never_have_more_than_the_points_asked_for(site: ApiSite, client: TestClient) -> None:
    """Sixty readings in ten points are ten buckets with least, mean and most."""
    store_readings(site, 60)
    answer = client.get("/api/enclosures/larch/readings", params={"points": 10, "start": "2026-03-01T03:12:02Z"})
    (series,) = answer.json()["series"]
    assert len(series["rows"]) == 10
    assert series["bucket_ms"] == HOUR_MS // 10
    assert series["rows"][-1] == {
        "start_ms": NOW_MS - 360_000,
        "least": 10.0,
        "mean": 12.5,
        "most": 15.0,
        "count": 6,
    }


def test_an_unknown_probe_is_404(site: ApiSite, client: TestClient) -> None:
    """A misspelt probe is not an empty series."""
    store_readings(site, 1)
    assert client.get("/api/enclosures/larch/readings?probe=soil-10").status_code == 200
    answer = client.get("/api/enclosures/larch/readings?probe=soil-1")
    assert answer.status_code == 404
    assert "known: soil-10, air-low" in answer.json()["detail"]


@pytest.mark.parametrize(
    "query",
    [
        {"start": "2026-03-01T00:00:00"},
        {"start": "yesterday"},
        {"start": "2026-03-02T00:00:00Z"},
        {"start": "2026-03-01T00:00:00Z", "end": "2026-03-01T00:00:00Z"},
        {"start": "1970-01-01T00:00:00Z"},
        {"points": "0"},
        {"points": "1501"},
        {"points": "many"},
    ],
)
def test_a_span_that_makes_no_sense_is_422(site: ApiSite, client: TestClient, query: dict[str, str]) -> None:
    """No offset, no time, the wrong order, too long, or points out of bounds: said, not guessed."""
    store_readings(site, 1)
    answer = client.get("/api/enclosures/larch/readings", params=query)
    assert answer.status_code == 422
    assert answer.headers["content-type"] == "application/problem+json"


@pytest.mark.parametrize(("path", "by"), [("readings", "run"), ("heater-runs", "day"), ("heater-runs", "hour")])
@pytest.mark.parametrize(
    ("start", "end"),
    [
        ("0001-01-01T00:00:00+01:00", "0001-01-02T00:00:00Z"),
        ("1969-12-30T00:00:00Z", "1970-01-02T00:00:00Z"),
        ("9999-12-30T00:00:00Z", "9999-12-31T23:59:59Z"),
        ("9999-12-30T00:00:00Z", "9999-12-31T23:59:59-01:00"),
    ],
)
def test_a_time_that_no_calendar_of_ours_has_is_422(
    site: ApiSite, client: TestClient, path: str, by: str, start: str, end: str
) -> None:
    """The first and the last day there are have none before and none after them: named with what to write instead."""
    store_readings(site, 1)
    answer = client.get(f"/api/enclosures/larch/{path}", params={"by": by, "start": start, "end": end})
    assert answer.status_code == 422
    assert "outside the years 1970 to 9998" in answer.json()["detail"]


def test_an_offset_is_understood_even_when_its_plus_was_not_escaped(site: ApiSite, client: TestClient) -> None:
    """`+01:00` in an address arrives as a space; it means the same."""
    store_readings(site, 1)
    answer = client.get("/api/enclosures/larch/readings?start=2026-03-01T04:12:02+01:00")
    assert answer.json()["start"] == "2026-03-01T03:12:02.000Z"


def test_heater_runs_carry_energy_and_cost(site: ApiSite, client: TestClient) -> None:
    """An hour at 450 W is 0.45 kWh, at 0.30 a kWh 0.135, on the local day it happened."""
    connection = open_writer(site.folder / "readings.db", migrations.READINGS)
    runs.begin(connection, "larch", NOW_MS - 2 * HOUR_MS)
    runs.add_energy(connection, "larch", 450.0 * 3600)
    runs.finish(connection, "larch", NOW_MS - HOUR_MS, "ordered")
    connection.close()
    for by in ("run", "day"):
        said = client.get("/api/enclosures/larch/heater-runs", params={"by": by}).json()
        (used,) = [row for row in said["rows"] if row["on_s"] > 0]
        assert used["on_s"] == 3600.0
        assert used["energy_kwh"] == pytest.approx(0.45)
        assert used["cost"] == pytest.approx(0.135)
    assert client.get("/api/enclosures/larch/heater-runs?by=week").status_code == 422


def test_before_the_controller_ever_ran_the_record_is_503(client: TestClient) -> None:
    """A missing database is said, without its path."""
    answer = client.get("/api/enclosures/larch/readings")
    assert answer.status_code == 503
    assert str(answer.json()).count(".db") == 0


@pytest.mark.parametrize(
    ("file", "path", "said"),
    [
        ("journal.db", "/api/journal", "journal.db is damaged; without a journal there is no heat: stop Soilward"),
        ("readings.db", "/api/enclosures/larch/readings", "readings.db is damaged; put back a backup, or stop"),
        ("readings.db", "/api/season/waking", "readings.db is damaged; put back a backup"),
    ],
)
def test_a_damaged_file_is_named_with_what_to_do(
    site: ApiSite, client: TestClient, file: str, path: str, said: str
) -> None:
    """503, not a fault of ours, and not as if the controller had never run."""
    with closing(open_writer(site.folder / "readings.db", migrations.READINGS)) as record:
        keeping.add(record, [StoredReading("larch", "soil-10", "soil", "Cel", 15.0, NOW_MS, NOW_MS, "good")])
    site.write_journal(Entry("start", None, "soilward", "", {}, NOW_MS))
    whole = (site.folder / file).read_bytes()
    (site.folder / file).write_bytes(whole[:4096] + b"\xa5" * (len(whole) - 4096))
    answer = client.get(path)
    assert (answer.status_code, answer.headers["content-type"]) == (503, "application/problem+json")
    assert said in answer.json()["detail"]


def test_a_damaged_block_is_told_with_its_own_remedy(site: ApiSite, client: TestClient) -> None:
    """A newer program's, after a step back: nobody is to move the whole record away for it."""
    with closing(open_writer(site.folder / "readings.db", migrations.READINGS)) as record:
        kept = keeping.Keeping(record)
        kept.add([StoredReading("larch", "soil-10", "soil", "Cel", 15.0, NOW_MS, NOW_MS, "good")])
        kept.pack_all()
        record.execute("UPDATE block SET packed = x'07'")
    answer = client.get(f"/api/enclosures/larch/readings?end={rfc3339(NOW_MS + 1)}")
    assert answer.status_code == 503
    assert answer.json()["detail"] == "in readings.db, a block has version 7, not 2; install the newer program"


def test_a_set_point_is_filed_with_who_and_why(site: ApiSite, client: TestClient) -> None:
    """202 with an id, and the request is on disk for the controller; nothing else happens here."""
    body = {"set_point_c": 19.5, "until": "2026-03-02T06:00:00Z", "why": "  slips look cold "}
    answer = client.post("/api/enclosures/larch/set-point", json=body)
    assert answer.status_code == 202
    assert answer.json() == {"request": 1, "answer": "/api/requests/1"}
    (request,) = filed(site)
    assert (request.kind, request.enclosure, request.who, request.why) == (
        "set-point",
        "larch",
        "local",
        "slips look cold",
    )
    assert request.arguments == {"set_point_c": 19.5, "until": "2026-03-02T06:00:00Z"}
    assert request.at_ms == NOW_MS


def test_null_goes_back_to_the_schedule(site: ApiSite, client: TestClient) -> None:
    """A set point of null is a request of its own, and leaving it out is not the same."""
    assert client.post("/api/enclosures/larch/set-point", json={"why": "forgot it"}).status_code == 422
    body = {"set_point_c": None, "why": "slips have rooted"}
    assert client.post("/api/enclosures/larch/set-point", json=body).status_code == 202
    assert filed(site)[0].arguments == {"set_point_c": None, "until": None}


@pytest.mark.parametrize(
    "changed",
    [
        {"set_point_c": "19.5"},
        {"set_point_c": True},
        {"set_point_c": 32.01},
        {"set_point_c": -5.01},
        {"why": "ab"},
        {"why": "   a   "},
        {"why": "x" * 301},
        {"until": "tomorrow"},
        {"until": "2026-03-02T06:00:00"},
        {"until": "2026-03-01T04:12:02Z"},
        {"until": "9999-12-31T23:59:59Z"},
        {"force": True},
    ],
)
def test_a_set_point_that_is_not_plain_is_refused(site: ApiSite, client: TestClient, changed: dict[str, Any]) -> None:
    """Text, true, out of bounds, no reason, no end ahead, or a key that is not known: 422, and nothing is filed."""
    body = {"set_point_c": 19.5, "why": "slips look cold", **changed}
    assert client.post("/api/enclosures/larch/set-point", json=body).status_code == 422
    assert filed(site) == []


@pytest.mark.parametrize("value_c", [-5.0, 0, 32.0])
def test_the_bounds_themselves_are_allowed(site: ApiSite, client: TestClient, value_c: float) -> None:
    """-5.0 and 32.0 Cel may be asked for."""
    body = {"set_point_c": value_c, "why": "at the bound"}
    assert client.post("/api/enclosures/larch/set-point", json=body).status_code == 202


def test_an_enclosure_s_own_limit_is_tighter(site: ApiSite, client: TestClient) -> None:
    """25.0 Cel is the most in elder, though 32.0 would be allowed elsewhere."""
    at_limit = {"set_point_c": 25.0, "why": "at its limit"}
    over = {"set_point_c": 25.1, "why": "over its limit"}
    assert client.post("/api/enclosures/elder/set-point", json=at_limit).status_code == 202
    answer = client.post("/api/enclosures/elder/set-point", json=over)
    assert answer.status_code == 422
    assert "25.0" in answer.json()["detail"]


@pytest.mark.parametrize("kind", ["arm", "disarm"])
def test_arming_and_disarming_are_filed_even_while_the_controller_is_silent(
    site: ApiSite, client: TestClient, kind: str
) -> None:
    """Above all "disarm" is never refused for want of live values."""
    assert client.post(f"/api/enclosures/larch/{kind}", json={"why": "frost is over"}).status_code == 202
    assert filed(site)[0].kind == kind


def test_a_reset_is_filed_when_the_cause_is_gone(site: ApiSite, client: TestClient) -> None:
    """The request names the trip."""
    site.hear()
    body = {"trip": "heater-surface-over:heater", "why": "cable was bunched; spread it out"}
    assert client.post("/api/enclosures/larch/reset", json=body).status_code == 202
    assert filed(site)[0].arguments == {"trip": "heater-surface-over:heater"}


def test_a_reset_needs_a_trip_that_is_latched_and_a_controller_that_is_heard(site: ApiSite, client: TestClient) -> None:
    """404 for a trip that is not there, 503 while nobody knows."""
    body = {"trip": "air-fire:air-low", "why": "looked at it"}
    assert client.post("/api/enclosures/larch/reset", json=body).status_code == 503
    site.hear()
    answer = client.post("/api/enclosures/larch/reset", json=body)
    assert answer.status_code == 404
    assert "latched now: heater-surface-over:heater" in answer.json()["detail"]
    assert filed(site) == []


def test_a_request_waits_until_the_journal_answers_it(site: ApiSite, client: TestClient) -> None:
    """Waiting, then a word about the wait, then the answer that names this request and no other."""
    client.post("/api/enclosures/larch/arm", json={"why": "frost is coming"})
    client.post("/api/enclosures/larch/arm", json={"why": "frost is coming"})
    said = client.get("/api/requests/1").json()
    assert (said["state"], said["answered"]) == ("waiting", None)
    site.clock.sleep(60)
    assert "no answer for 60 s" in client.get("/api/requests/1").json()["detail"]
    site.write_journal(
        Entry("answer", "larch", "local", "", {"request": 2, "outcome": "done", "detail": "armed"}, NOW_MS + 500),
        Entry("answer", "larch", "local", "", {"request": 1, "outcome": "refused", "detail": "too late"}, NOW_MS + 900),
    )
    said = client.get("/api/requests/1").json()
    assert (said["state"], said["detail"], said["answered"]) == ("refused", "too late", "2026-03-01T04:12:02.900Z")
    assert client.get("/api/requests/2").json()["state"] == "done"
    assert client.get("/api/requests/3").status_code == 404
    assert client.get("/api/requests/x").status_code == 422


def test_the_journal_is_read_newest_first_by_enclosure_kind_and_span(site: ApiSite, client: TestClient) -> None:
    """Entries carry their hashes; filters narrow; the default is the last 24 h."""
    site.write_journal(
        Entry("start", None, "controller", "started", {}, NOW_MS - 25 * HOUR_MS),
        Entry("trip", "larch", "controller", "too hot", {"value": 71.2}, NOW_MS - 2 * HOUR_MS),
        Entry("reset", "larch", "keeper", "spread the cable", {}, NOW_MS - HOUR_MS),
        Entry("trip", "elder", "controller", "too hot", {}, NOW_MS - HOUR_MS),
    )
    found = client.get("/api/journal").json()
    assert [each["sequence"] for each in found] == [4, 3, 2]
    assert found[0]["previous_hash"] == found[1]["hash"]
    assert [e["sequence"] for e in client.get("/api/journal?enclosure=larch&kind=trip").json()] == [2]
    assert [e["sequence"] for e in client.get("/api/journal?start=2026-02-01T00:00:00Z&limit=1").json()] == [4]
    assert client.get("/api/journal?enclosure=oak").status_code == 404


def test_the_proof_says_whether_the_chain_holds(site: ApiSite, client: TestClient) -> None:
    """An untouched journal holds and gives its head."""
    site.write_journal(Entry("start", None, "controller", "started", {}, NOW_MS))
    said = client.get("/api/journal/proof").json()
    assert (said["holds"], said["entries"], said["first_bad"]) == (True, 1, None)
    assert said["head"] == client.get("/api/journal").json()[0]["hash"]


def test_health_is_503_with_reasons_until_everything_is_heard(site: ApiSite, client: TestClient) -> None:
    """A missing broker and each silent enclosure is a reason; none left means 200."""
    answer = client.get("/health")
    assert answer.status_code == 503
    assert len(answer.json()["reasons"]) == 3
    site.live.connected = True
    site.hear()
    site.hear(status_of("elder"))
    answer = client.get("/health")
    assert (answer.status_code, answer.json()) == (200, {"status": "well", "reasons": []})
    site.clock.sleep(15.1)
    assert client.get("/health").json()["reasons"] == [
        f"enclosure {name!r}: the controller was last heard 15 s ago" for name in ("larch", "elder")
    ]


def test_metrics_leave_out_what_is_not_known(site: ApiSite, client: TestClient) -> None:
    """A gauge without a value has no line, rather than a 0 or a NaN."""
    site.hear()
    families = text_string_to_metric_families(client.get("/metrics").text)
    told = {(each.name, each.labels.get("enclosure")): each.value for family in families for each in family.samples}
    assert told["soilward_soil_celsius", "larch"] == 18.06
    assert told["soilward_contact_closed", "larch"] == 1
    assert told["soilward_broker_connected", None] == 0
    assert not [name for name, enclosure in told if enclosure == "elder"]


def test_the_counter_of_heat_never_falls(site: ApiSite, client: TestClient) -> None:
    """What ends is on record some moments later, ended then: read meanwhile as still closed, it fell by those, and
    Prometheus takes whatever falls for begun anew and adds all of it once more."""

    def told() -> dict[str, float]:
        families = text_string_to_metric_families(client.get("/metrics").text)
        return {each.name: each.value for family in families for each in family.samples if "heater" in each.name}

    site.clock.set_wall(NOW_MS)
    with closing(open_writer(site.folder / "readings.db", migrations.READINGS)) as connection:
        assert told() == {}
        runs.begin(connection, "larch", NOW_MS - 3 * HOUR_MS)
        runs.finish(connection, "larch", NOW_MS - 2 * HOUR_MS, "a test")
        runs.begin(connection, "larch", NOW_MS - HOUR_MS)
        before = told()
        runs.finish(connection, "larch", NOW_MS - 1500, "a test")
        after = told()
    assert before == {"soilward_heater_seconds_total": 3600.0, "soilward_heater_runs_total": 1.0}
    assert after == {"soilward_heater_seconds_total": 7198.5, "soilward_heater_runs_total": 2.0}


_FIGURES: dict[str, Any] = {"at_ms": NOW_MS, "readings": {"larch": {"good": 5}}, "renewals": {}, "queues": {}}


@pytest.mark.parametrize(
    "left",
    [
        "[]",
        "null",
        "{}",
        '{"at_ms": "now"}',
        json.dumps({**_FIGURES, "readings": []}),
        json.dumps({**_FIGURES, "readings": {"a": 1}}),
        json.dumps({**_FIGURES, "readings": {"a": {"good": "five"}}}),
        json.dumps(_FIGURES),
    ],
)
def test_metrics_leave_out_figures_that_a_bad_card_has_spoilt(site: ApiSite, client: TestClient, left: str) -> None:
    """JSON of another shape than the controller leaves: all that is known elsewhere is given."""
    site.hear()
    site.clock.set_wall(NOW_MS)
    (site.folder / "figures.json").write_text(left)
    answer = client.get("/metrics")
    assert answer.status_code == 200
    assert "soilward_soil_celsius" in answer.text
    assert "soilward_readings" not in answer.text


def test_an_app_without_a_given_live_follows_the_broker_itself(site: ApiSite) -> None:
    """With no Live given the app makes its own, connects in the background, and lets go of it at the end."""
    nobody = site.settings.broker.model_copy(update={"kind": "external", "port": 1})
    site.settings = site.settings.model_copy(update={"broker": nobody})
    site.live = None  # type: ignore[assignment]
    with site.client() as client:
        assert isinstance(client.app.state.soilward.live, Live)  # type: ignore[attr-defined]
        assert client.get("/health").status_code == 503
