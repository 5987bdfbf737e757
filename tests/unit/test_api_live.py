"""Live values: what is kept, how old it is, who is told."""

import asyncio
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from fastapi import HTTPException, Request
from fastapi.testclient import TestClient

from api import listeners, people
from api.live import Live
from api.people import Person, Role
from api.routes.live import live as live_call
from api.seen import span_in_words
from controller.clock import ManualClock, Moment
from tests.api_site import NOW_MS, ApiSite, alert_of, settings_of, status_of


@pytest.fixture
def clock() -> ManualClock:
    return ManualClock(Moment(1000.0, NOW_MS))


@pytest.fixture
def live(clock: ManualClock) -> Live:
    return Live(settings_of(), clock)


def told(live: Live, **changed: Any) -> None:
    """Let a status of larch arrive."""
    live.accept("soilward/larch/status", json.dumps(status_of(**changed)).encode())


def test_the_newest_status_is_kept_and_ages_on_our_own_clock(live: Live, clock: ManualClock) -> None:
    """Age counts from our receipt, whatever the wall clock does; more than 15 s is silence."""
    assert live.age_s("larch") is None
    assert live.is_silent("larch")
    told(live)
    clock.set_wall(NOW_MS + 10**9)
    clock.sleep(15.0)
    assert live.age_s("larch") == 15.0
    assert not live.is_silent("larch")
    clock.sleep(0.001)
    assert live.is_silent("larch")


def test_a_retained_status_is_as_old_as_it_says(live: Live, clock: ManualClock) -> None:
    """What the broker had kept for an hour is an hour old, not new; so is one from a clock an hour ahead."""
    for offset_ms in (-3_600_000, 3_600_000):
        live.accept("soilward/larch/status", json.dumps(status_of(at_ms=NOW_MS + offset_ms)).encode(), True)
        assert live.age_s("larch") == 3600.0
        assert live.is_silent("larch")


@pytest.mark.parametrize(
    ("topic", "payload"),
    [
        ("soilward/larch/status", b"not json"),
        ("soilward/larch/status", b"[1]"),
        ("soilward/larch/status", b'{"enclosure": "larch", "at_ms": NaN}'),
        ("soilward/larch/status", b'{"enclosure": "elder", "at_ms": 1}'),
        ("soilward/larch/status", b"[" * 100_000),
        ("soilward/larch/status", b" " * 262_145),
        ("soilward/oak/status", json.dumps(status_of("oak")).encode()),
        ("soilward/larch/other", b"{}"),
        ("elsewhere", b"{}"),
        ("soilward/larch/status", b"\xff\xfe"),
    ],
)
def test_what_is_not_understood_is_counted_and_changes_nothing(live: Live, topic: str, payload: bytes) -> None:
    """A bad payload leaves the last good status where it was."""
    told(live, soil_c=17.0)
    live.accept(topic, payload)
    heard = live.heard("larch")
    assert heard is not None
    assert heard.status["soil_c"] == 17.0
    assert live.refused == 1


def test_the_node_s_own_word_on_its_contact_is_kept(live: Live, clock: ManualClock) -> None:
    """The newest heater state is kept with its arrival."""
    live.accept("soilward/larch/heater/state", b'{"on": false}')
    assert live.heater("larch") == ({"on": False}, clock.now())
    assert live.heater("elder") is None


def test_a_listener_hears_what_is_known_and_then_every_change(live: Live) -> None:
    """The first event is what is true now; each further one is a change; closing ends the stream."""

    async def listen() -> list[str]:
        events = live.events()
        heard = [await anext(events), await anext(events)]
        told(live, soil_c=19.0)
        heard.append(await anext(events))
        live.close()
        heard += [each async for each in events]
        return heard

    told(live, soil_c=18.0)
    opening, first, second = asyncio.run(listen())
    assert opening.startswith(":")
    assert first.startswith("event: enclosure\ndata: ")
    assert json.loads(first.split("data: ")[1])["soil_c"] == 18.0
    assert json.loads(second.split("data: ")[1])["soil_c"] == 19.0


def test_a_listener_that_does_not_keep_up_is_dropped(live: Live) -> None:
    """One page that does not read costs 32 events of memory and is then let go; the others hear everything."""

    async def listen() -> tuple[list[str], int]:
        slow, quick = live.events(), live.events()
        await anext(slow)
        await anext(quick)
        heard = 0
        slow_waits = asyncio.ensure_future(anext(slow))
        for number in range(40):
            told(live, soil_c=float(number))
            await asyncio.wait_for(_next_news(quick), 5)
            heard += 1
            if number == 0:
                await slow_waits
        return [each async for each in slow], heard

    left, heard = asyncio.run(listen())
    assert left == []
    assert heard == 40


async def _next_news(events: object) -> str:
    return str(await anext(events))  # type: ignore[call-overload]


def test_a_quiet_line_carries_a_heartbeat(live: Live, monkeypatch: pytest.MonkeyPatch) -> None:
    """A comment is sent when nothing else was for the heartbeat's time, so that a dead line is noticed."""
    monkeypatch.setattr(listeners, "HEARTBEAT_S", 0.001)

    async def listen() -> str:
        events = live.events()
        await anext(events)
        return await anext(events)

    assert asyncio.run(listen()).startswith(": ")


def test_an_old_status_is_not_sent_as_news(live: Live, clock: ManualClock) -> None:
    """A page that starts to listen during silence is told nothing rather than something old."""
    told(live)
    clock.sleep(16)
    live.close()

    async def listen() -> list[str]:
        return [each async for each in live.events()]

    assert len(asyncio.run(listen())) == 1


def test_the_stream_is_served_as_server_sent_events(tmp_path: Path) -> None:
    """`GET /api/live` is text/event-stream and begins with what is true now."""
    site = ApiSite(tmp_path)
    site.hear()
    site.live.close()
    with site.client() as client:
        answer = client.get("/api/live")
    assert answer.headers["content-type"].startswith("text/event-stream")
    assert "event: enclosure\ndata: {" in answer.text


def heard_by(live: Live, then: Callable[[], None]) -> list[tuple[str, dict[str, object]]]:
    """Return (name, data) of each event a listener hears while `then` happens, without the opening comment."""

    async def listen() -> list[str]:
        events = live.events()
        await anext(events)
        then()
        live.close()
        return [each async for each in events]

    told = [each for each in asyncio.run(listen()) if each.startswith("event: ")]
    split = [each.removeprefix("event: ").strip().split("\ndata: ") for each in told]
    return [(name, json.loads(data)) for name, data in split]


def left_in(queue_of: Live) -> list[str]:
    """Return what waits for the one listener there is."""
    (queue,) = queue_of.listeners._queues
    return [str(queue.get_nowait()) for _ in range(queue.qsize())]


def test_silence_is_told_once_when_it_begins_and_once_when_it_ends(live: Live, clock: ManualClock) -> None:
    """At 15 s nothing is said, just after it the silence, with when the controller was last heard; then its end."""
    told(live)
    live.accept("soilward/elder/status", json.dumps(status_of("elder")).encode())
    news: list[list[str]] = []

    async def listen() -> None:
        events = live.events()
        for _ in range(3):
            await anext(events)
        for seconds in (15.0, 0.001, 1.0):
            clock.sleep(seconds)
            live.accept("soilward/elder/status", json.dumps(status_of("elder")).encode())
            left_in(live)
            live.look()
            news.append(left_in(live))
        told(live)
        news.append(left_in(live))
        live.look()
        news.append(left_in(live))

    asyncio.run(listen())
    said = {"enclosure": "larch", "silent": True, "last_heard": "2026-03-01T04:12:02.000Z"}
    assert [len(each) for each in news] == [0, 1, 0, 2, 0]
    assert json.loads(news[1][0].split("data: ")[1]) == said
    assert json.loads(news[3][0].split("data: ")[1])["silent"] is False
    assert news[3][1].startswith("event: enclosure")


def test_an_enclosure_never_heard_of_is_silent_from_15_s_after_the_start(live: Live, clock: ManualClock) -> None:
    """The controller gets as long to speak first as it gets to speak again."""
    clock.sleep(15.0)
    live.look()
    assert heard_by(live, lambda: None) == []
    clock.sleep(0.001)
    live.look()
    names = [data["enclosure"] for _, data in heard_by(live, lambda: None)]
    assert names == ["elder", "larch"]


def test_what_the_broker_had_kept_ends_no_silence(live: Live, clock: ManualClock) -> None:
    """A retained status of a minute ago is history, however new its arrival."""
    told(live)
    clock.sleep(16)
    live.look()
    live.accept("soilward/larch/status", json.dumps(status_of(at_ms=NOW_MS - 60_000)).encode(), True)
    at_opening = [(name, data["silent"]) for name, data in heard_by(live, lambda: None) if data["enclosure"] == "larch"]
    assert at_opening == [("silence", True)]


def told_while(live: Live, then: Callable[[], None]) -> list[str]:
    """Return what waits for a listener that has heard the opening once `then` has happened."""

    async def listen() -> list[str]:
        events = live.events()
        await anext(events)
        then()
        return left_in(live)

    return asyncio.run(listen())


def test_what_the_broker_had_kept_is_told_to_nobody_as_known(live: Live) -> None:
    """With the broker back and the controller gone, its last word arrives again: no page hears that all is well."""
    kept = json.dumps(status_of(at_ms=NOW_MS - 60_000)).encode()
    assert told_while(live, lambda: live.accept("soilward/larch/status", kept, True)) == []
    heard = live.heard("larch")
    assert heard is not None


def test_forty_enclosures_that_speak_in_one_moment_lose_no_listener(clock: ManualClock) -> None:
    """Their statuses come together, each second; a listener may be three such seconds behind."""
    site = settings_of()
    beds = tuple(site.enclosure[0].model_copy(update={"name": f"bed-{number}"}) for number in range(40))
    live = Live(site.model_copy(update={"enclosure": beds}), clock)

    def speak() -> None:
        for each in beds * 3:
            live.accept(f"soilward/{each.name}/status", json.dumps(status_of(each.name)).encode())

    assert len(told_while(live, speak)) == 120


def test_an_enclosure_first_heard_while_a_page_is_being_told_ends_no_stream(live: Live) -> None:
    """Just after a start statuses come for the first time while a slow line is still at the opening."""

    async def listen() -> list[str]:
        events = live.events()
        heard = [await anext(events), await anext(events)]
        live.accept("soilward/elder/status", json.dumps(status_of("elder")).encode())
        return [*heard, await anext(events)]

    told(live)
    assert '"enclosure":"elder"' in asyncio.run(listen())[2]


def test_alerts_are_told_live(live: Live) -> None:
    """The event carries the alerts as the status has them."""
    (event,) = heard_by(live, lambda: told(live, alerts=[alert_of(urgent=True)]))
    assert event[1]["alerts"] == [alert_of(urgent=True)]


def test_a_stream_ends_once_its_listener_is_no_longer_welcome(
    live: Live, clock: ManualClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Asked again at the first event or heartbeat 15 s after the last time, so within 30 s; before that it goes on."""
    monkeypatch.setattr(listeners, "HEARTBEAT_S", 0.001)
    asked_s: list[float] = []

    async def welcome() -> bool:
        asked_s.append(clock.now().mono_s)
        return len(asked_s) < 2

    async def listen() -> int:
        beats = 0
        async for _ in live.events(welcome):
            beats += 1
            clock.sleep(5.0)
        return beats

    assert asyncio.run(asyncio.wait_for(listen(), 10)) == 6
    assert [later - asked_s[0] for later in asked_s] == [0.0, 15.0]
    assert listeners.HEARTBEAT_S + listeners.RECHECK_S <= 30.0


def request_with(client: TestClient, token: str) -> Request:
    """Return a request as the call of the stream gets it."""
    headers = [(b"authorization", f"Bearer {token}".encode())]
    return Request({"type": "http", "method": "GET", "headers": headers, "client": ("10.0.0.9", 1), "app": client.app})


def test_whoever_is_removed_hears_no_more(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The stream of somebody who was removed, or whose session ended, closes at the next look."""
    monkeypatch.setattr(listeners, "HEARTBEAT_S", 0.001)
    site = ApiSite(tmp_path)
    token = site.add_person("neighbour", Role.VIEW)
    with site.client() as client:
        state = client.app.state.soilward  # type: ignore[attr-defined]

        async def listen() -> int:
            answer = await live_call(request_with(client, token), state, Person("neighbour", Role.VIEW))
            beats = 0
            async for _ in answer.body_iterator:
                beats += 1
                site.clock.sleep(15.0)
                if beats == 4:
                    state.season.do(people.remove_person, "neighbour")
            return beats

        assert asyncio.run(asyncio.wait_for(listen(), 10)) == 4


def test_one_address_takes_no_more_than_its_places(tmp_path: Path) -> None:
    """Sixteen pages of one address may listen, the 17th is told to wait; another address still finds a place."""
    site = ApiSite(tmp_path)
    with site.client() as client:
        state = client.app.state.soilward  # type: ignore[attr-defined]

        async def crowd() -> None:
            streams = [site.live.events(caller="10.0.0.9") for _ in range(16)]
            for stream in streams:
                await anext(stream)
            with pytest.raises(HTTPException) as refused:
                await live_call(request_with(client, ""), state, Person("keeper", Role.VIEW))
            assert (refused.value.status_code, refused.value.headers) == (429, {"Retry-After": "30"})
            assert await anext(site.live.events(caller="10.0.0.9"), "ended") == "ended"
            assert await anext(site.live.events(caller="10.0.0.8"))

        asyncio.run(crowd())


def test_no_more_than_64_pages_listen_at_once(live: Live) -> None:
    """The 65th stream ends before it has said anything."""

    async def crowd() -> str:
        streams = [live.events(caller=f"10.0.0.{number}") for number in range(64)]
        for stream in streams:
            await anext(stream)
        assert live.listeners.is_full
        return await anext(live.events(caller="10.0.1.1"), "ended")

    assert asyncio.run(crowd()) == "ended"


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0.4, "0 s"), (119.0, "119 s"), (120.0, "2 min"), (7199.0, "120 min"), (7200.0, "2 h"), (200_000.0, "2 days")],
)
def test_a_span_is_said_as_a_person_would(seconds: float, words: str) -> None:
    """Seconds up to two minutes, minutes up to two hours, hours up to two days."""
    assert span_in_words(seconds) == words
