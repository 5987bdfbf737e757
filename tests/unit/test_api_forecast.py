"""The weather to come, fed in over HTTP and followed by the planner."""

from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from api import people
from controller.clock import rfc3339
from controller.control.outlook import Expectation
from controller.planning.service import outlook_of
from controller.store import forecast
from controller.store.connection import open_reader, open_writer
from tests.api_site import NOW_MS, ApiSite

NOW_S = NOW_MS / 1000
CALL = "/api/season/forecast"


def pack(*outside: tuple[float, float], unit: str = "Cel") -> list[dict[str, Any]]:
    """Return a pack of (hours from now, value)."""
    return [{"n": "outside", "u": unit, "t": NOW_S + 3600 * hours, "v": value} for hours, value in outside]


def sky(**told: tuple[float, str]) -> list[dict[str, Any]]:
    """Return a pack of one hour with wind, cloud or light: value and unit."""
    more = [{"n": name, "u": unit, "t": NOW_S + 3600, "v": value} for name, (value, unit) in told.items()]
    return [*pack((1, -3.0)), *more]


def test_wind_and_cloud_are_taken_and_given_back(client: TestClient) -> None:
    """Cloud as percent or as a share; the next forecast leaves nothing of them."""
    answer = client.put(CALL, json=sky(wind=(1.5, "m/s"), cloud=(25.0, "%")))
    assert [(each["wind_m_s"], each["cloud"]) for each in answer.json()["hours"]] == [(1.5, 0.25)]
    answer = client.put(CALL, json=sky(cloud=(0.5, "/")))
    assert [(each["wind_m_s"], each["cloud"]) for each in answer.json()["hours"]] == [(None, 0.5)]
    answer = client.put(CALL, json=pack((1, -3.0)))
    assert [(each["wind_m_s"], each["cloud"]) for each in answer.json()["hours"]] == [(None, None)]


def test_a_forecast_is_taken_given_back_and_followed(site: ApiSite, client: TestClient) -> None:
    """Kelvin become Celsius, light stands beside its hour, and the planner reads the same."""
    light = {"n": "light", "u": "W/m2", "t": NOW_S + 3600, "v": 120.0}
    answer = client.put(CALL, json=[*pack((1, 270.15), unit="K"), light, *pack((2, -4.0))])
    assert answer.status_code == 200
    assert [(each["outside_c"], each["light_w_m2"]) for each in answer.json()["hours"]] == [(-3.0, 120.0), (-4.0, None)]
    assert client.get(CALL).json() == answer.json()
    hour = NOW_MS + 3_600_000
    assert outlook_of(site.folder, NOW_MS) == [
        Expectation(hour, -3.0, 120.0),
        Expectation(hour + 3_600_000, -4.0, None),
    ]


def test_a_new_forecast_replaces_the_old_one(site: ApiSite, client: TestClient) -> None:
    """No hour of the old one is left between the new ones, and it says when it was given itself."""
    client.put(CALL, json=pack((1, -3.0), (2, -4.0)))
    site.clock.sleep(60)
    client.put(CALL, json=pack((3, 5.0)))
    now = client.get(CALL).json()
    assert ([each["outside_c"] for each in now["hours"]], now["given"]) == ([5.0], rfc3339(NOW_MS + 60_000))


@pytest.mark.parametrize(
    ("body", "said"),
    [
        (pack((1, 60.1)), "60.1 is outside -90 to 60"),
        (pack((1, 25.0), unit="degF"), "unit 'degF' is neither Cel nor K"),
        (pack((17 * 24, 1.0)), "its time is not ahead"),
        (pack((-4, 1.0)), "its time is not ahead"),
        ([{"n": "outside", "u": "Cel", "v": 1.0}], "its time is not ahead"),
        ([{"n": "rain", "u": "mm", "t": NOW_S + 60, "v": 1.0}], "is none of outside, light, wind, cloud"),
        ([{"n": "light", "u": "W/m2", "t": NOW_S + 60, "v": 1.0}], "no record named 'outside'"),
        (sky(wind=(120.1, "m/s")), "120.1 is outside 0 to 120"),
        (sky(wind=(5.0, "km/h")), "unit 'km/h' is not m/s"),
        (sky(cloud=(101.0, "%")), "101 is outside 0 to 100"),
        (sky(cloud=(1.1, "/")), "1.1 is outside 0 to 1"),
        (sky(light=(1501.0, "W/m2")), "1501 is outside 0 to 1500"),
        (sky(light=(1001.0, "lx")), "unit 'lx' is not W/m2"),
        ([*pack((1, -3.0)), {"n": "light", "u": "W/m2", "t": NOW_S + 7200, "v": 1.0}], "no outside temperature beside"),
        ([{"bn": "outside", "bu": "Cel", "bt": NOW_S, "bv": 0}, {"t": 3600}], "has no value; send a number as v"),
        ({"n": "outside"}, "not a SenML pack"),
        ([], "not a SenML pack"),
    ],
)
def test_what_is_no_forecast_is_refused_and_the_old_one_stays(client: TestClient, body: object, said: str) -> None:
    """422, the record's name, the bound and what to do."""
    client.put(CALL, json=pack((1, -3.0)))
    answer = client.put(CALL, json=body)
    assert (answer.status_code, said in answer.json()["detail"]) == (422, True)
    assert len(client.get(CALL).json()["hours"]) == 1


def test_a_fortnight_of_hours_is_taken_whole(client: TestClient) -> None:
    """Longer than any service gives; under whatever names stand before its own, and with a clear noon's light."""
    at_s = [NOW_S + 3600 * hour for hour in range(1, 15 * 24)]
    outside = [{"n": "outside", "u": "Cel", "t": each, "v": -3.25} for each in at_s]
    light = [{"n": "light", "u": "W/m2", "t": each, "v": 1050.5} for each in at_s]
    outside[0]["bn"], light[0]["bn"] = "urn:dev:ops:roof/forecast:", "urn:dev:ops:roof:sky/"
    answer = client.put(CALL, json=[*outside, *light])
    assert [(each["outside_c"], each["light_w_m2"]) for each in answer.json()["hours"]] == [(-3.25, 1050.5)] * len(at_s)


def test_of_each_night_the_last_word_before_it_begins_is_kept(site: ApiSite, client: TestClient) -> None:
    """By it a forecast's error is known: what was said days ahead, or once the night was there, would pass for it."""
    assert client.put(CALL, json=pack(*((hour, -1.0) for hour in range(1, 61)))).status_code == 200
    assert client.put(CALL, json=pack(*((hour, -5.0) for hour in range(1, 31)))).status_code == 200
    site.clock.sleep(14 * 3600)
    assert client.put(CALL, json=pack(*((hour, 3.0) for hour in range(15, 41)))).status_code == 200
    with closing(open_reader(site.folder / "season.db")) as connection:
        assert forecast.nights_fed(connection) == {"2026-03-01": -5.0, "2026-03-02": -1.0}


def test_who_may_only_look_feeds_nothing_in(site: ApiSite) -> None:
    """403 for the role view, from another machine."""
    token = site.add_person("neighbour", people.Role.VIEW)
    with site.client("10.0.0.9", Authorization=f"Bearer {token}") as client:
        assert client.put(CALL, json=pack((1, -3.0))).status_code == 403
        assert client.get(CALL).json() == {"given": None, "by": None, "hours": []}


def test_hours_that_are_over_are_no_longer_given(site: ApiSite, client: TestClient) -> None:
    """The planner still sees the last one, to draw a line from."""
    client.put(CALL, json=pack((1, -3.0), (2, -4.0)))
    site.clock.sleep(3600 + 60)
    assert [each["outside_c"] for each in client.get(CALL).json()["hours"]] == [-4.0]
    assert len(outlook_of(site.folder, NOW_MS + 3_660_000)) == 2
    assert outlook_of(site.folder / "nowhere", NOW_MS) == ()


def test_a_file_of_people_alone_is_moved_on(tmp_path: Path) -> None:
    """Version 1 of the file keeps its rows and takes a forecast."""
    with closing(open_writer(tmp_path / "season.db", people.MIGRATIONS[:1])) as connection:
        people.add_person(connection, "keeper", people.Role.OPERATE, "a long password")
    with closing(open_writer(tmp_path / "season.db", people.MIGRATIONS)) as connection:
        forecast.put(connection, [Expectation(NOW_MS, 1.0)], NOW_MS, "keeper")
        assert forecast.given(connection) == (NOW_MS, "keeper")
        assert [each.name for each in people.list_people(connection)] == ["keeper"]


def test_a_forecast_of_every_third_hour_keeps_its_last_word_for_the_planner(site: ApiSite, client: TestClient) -> None:
    """Until the next one: a line begins at it. The page has only what is to come."""
    client.put(CALL, json=pack((1, -3.0), (4, -6.0)))
    site.clock.sleep(3.9 * 3600)
    assert [each.outside_c for each in outlook_of(site.folder, NOW_MS + round(3.9 * 3_600_000))] == [-3.0, -6.0]
    assert [each["outside_c"] for each in client.get(CALL).json()["hours"]] == [-6.0]


def test_a_forecast_of_hours_that_are_over_takes_none_away(client: TestClient) -> None:
    """A script that sends what it had an hour ago: refused, and the old one stays."""
    client.put(CALL, json=pack((1, -3.0)))
    answer = client.put(CALL, json=pack((-2, 5.0), (-1, 6.0)))
    assert (answer.status_code, "no hour of it is ahead" in answer.json()["detail"]) == (422, True)
    assert [each["outside_c"] for each in client.get(CALL).json()["hours"]] == [-3.0]
