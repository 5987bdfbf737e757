"""Readings out of messages: what has no stamp is told apart by when it came, however many come at once."""

from collections.abc import Sequence
from typing import Any

import pytest

from controller import routing as routing_module
from controller.clock import Moment
from controller.routing import Routing
from controller.wire import payload
from controller.wire.inbox import Message
from tests.core_site import AIR, NIGHT_MS, SOIL, settings_of

TOPIC = "soilward/larch/probe/soil"


@pytest.fixture
def routing() -> Routing:
    """Return the routing of a site with one enclosure."""
    return Routing(settings_of())


def _stamps(routing: Routing, arrived_ms: Sequence[int], payload: bytes = b"15.5") -> list[int]:
    found = []
    for number, utc_ms in enumerate(arrived_ms):
        moment = Moment(1000.0 + number / 1000, utc_ms)
        found += [each.stamp_ms for each in routing.readings(Message(TOPIC, payload, False, moment, number, 1, 1))]
    return found


def test_bare_numbers_that_come_in_one_millisecond_are_each_kept(routing: Routing) -> None:
    """A queue of them is told within a few: under one stamp the record would keep the first alone."""
    told = _stamps(routing, [NIGHT_MS, NIGHT_MS, NIGHT_MS, NIGHT_MS + 1, NIGHT_MS + 2, NIGHT_MS + 50])
    assert told == [NIGHT_MS, NIGHT_MS + 1, NIGHT_MS + 2, NIGHT_MS + 3, NIGHT_MS + 4, NIGHT_MS + 50]


def test_half_a_day_of_bare_numbers_is_kept_however_quickly_it_is_told(routing: Routing) -> None:
    """After a night without a controller, ten a millisecond: they may not run into those filed before them."""
    told = _stamps(routing, [NIGHT_MS + number // 10 for number in range(4320)])
    assert len(set(told)) == 4320


def test_a_wall_clock_set_back_does_not_leave_bare_numbers_an_hour_ahead(routing: Routing) -> None:
    """A minute is a burst; more than that is another time (hazard T01)."""
    back_ms = NIGHT_MS - 3_600_000
    assert _stamps(routing, [NIGHT_MS, back_ms, back_ms]) == [NIGHT_MS, back_ms, back_ms + 1]


@pytest.mark.parametrize("back_s", [1, 12, 45, 59, 61])
def test_a_wall_clock_set_back_within_a_burst_files_what_follows_by_the_clock_as_it_is_now(
    routing: Routing, back_s: int
) -> None:
    """A probe that speaks each ten seconds is no burst, however little the clock was set back (hazard T01)."""
    after_ms = [NIGHT_MS + 10_000 * number - 1000 * back_s for number in range(1, 8)]
    assert _stamps(routing, [NIGHT_MS, *after_ms]) == [NIGHT_MS, *after_ms]


def test_a_stamp_of_its_own_is_left_as_it_is(routing: Routing) -> None:
    """Told twice, it is the same reading."""
    payload = f'[{{"n":"soil","u":"Cel","v":15.5,"t":{NIGHT_MS // 1000}}}]'.encode()
    told = _stamps(routing, [NIGHT_MS + 100, NIGHT_MS + 100], payload)
    assert told == [NIGHT_MS // 1000 * 1000] * 2


@pytest.mark.parametrize(
    ("name", "heard"),
    [("air", ["air"]), ("gateway/soil", ["soil"]), ("t1", ["soil", "air"])],
    ids=["air", "soil", "any"],
)
def test_a_record_alone_in_its_pack_goes_to_the_probe_it_names(name: str, heard: list[str]) -> None:
    """P16: of a gateway that tells one value at a time, 46 Cel of the air are none of the soil, which would latch."""
    shared = {"topic": "gateway/up", "form": "senml"}
    routing = Routing(settings_of({**SOIL, **shared}, {**AIR, **shared}))
    payload = f'[{{"n":"{name}","u":"Cel","v":46}}]'.encode()
    message = Message("gateway/up", payload, False, Moment(1000.0, NIGHT_MS), 1, 1, 1)
    assert [each.probe for each in routing.readings(message)] == heard


def test_weather_is_one_for_all_whatever_each_enclosure_calls_it() -> None:
    """One station, whose record names the first one's probe: the second was left without an outside temperature."""
    shared = {"quantity": "outside", "topic": "station/up", "form": "senml"}
    larch = settings_of(SOIL, AIR, {"name": "outside", **shared})
    elder = settings_of(SOIL, AIR, {"name": "weather", **shared}, name="elder")
    routing = Routing(larch.model_copy(update={"enclosure": (*larch.enclosure, *elder.enclosure)}))
    payload = b'[{"n":"station/outside","u":"Cel","v":4}]'
    message = Message("station/up", payload, False, Moment(1000.0, NIGHT_MS), 1, 1, 1)
    assert [each.probe for each in routing.readings(message)] == ["outside", "weather"]


def test_a_station_that_all_enclosures_share_is_not_looked_up_by_each_for_each(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two thousand of them, and a record that names nobody's probe: one message took the loop two seconds."""
    asked = []

    def belongs(name: str, probe: str) -> bool:
        asked.append(name)
        return payload.belongs(name, probe)

    monkeypatch.setattr(routing_module, "belongs", belongs)
    settings = settings_of(SOIL, {"name": "outside", "quantity": "outside", "topic": "station/up", "form": "senml"})
    beds = tuple(settings.enclosure[0].model_copy(update={"name": f"bed-{number}"}) for number in range(200))
    routing = Routing(settings.model_copy(update={"enclosure": beds}))
    pack = b'[{"n":"station/t1","u":"Cel","v":4}]'
    message = Message("station/up", pack, False, Moment(1000.0, NIGHT_MS), 1, 1, 1)
    assert len(list(routing.readings(message))) == 200
    assert len(asked) <= 3 * 200


def test_a_pack_that_all_enclosures_read_alike_is_read_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """A thousand of them, and what a station says after an outage, 300 records: one message took the loop seconds."""
    read = []

    def decode(*asked: Any) -> object:
        read.append(asked)
        return payload.decode(*asked)

    monkeypatch.setattr(routing_module, "decode", decode)
    shared = {"name": "outside", "quantity": "outside", "topic": "station/up", "form": "senml"}
    settings = settings_of(SOIL, shared, {**shared, "name": "lit", "quantity": "light"})
    beds = tuple(settings.enclosure[0].model_copy(update={"name": f"bed-{number}"}) for number in range(200))
    routing = Routing(settings.model_copy(update={"enclosure": beds}))
    pack = b'[{"bn":"station/","n":"outside","u":"Cel","v":4},{"n":"lit","u":"W/m2","v":90}]'
    message = Message("station/up", pack, False, Moment(1000.0, NIGHT_MS), 1, 1, 1)
    assert [(each.probe, each.value) for each in routing.readings(message)] == [("outside", 4.0), ("lit", 90.0)] * 200
    assert len(read) == 2
