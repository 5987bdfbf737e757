"""Live values: what is kept, how old it is, who is told."""

import asyncio
import json
from pathlib import Path

import pytest

from api import live as live_module
from api.live import Live
from api.seen import span_in_words
from controller.clock import ManualClock, Moment
from tests.api_site import NOW_MS, ApiSite, settings_of, status_of


@pytest.fixture
def clock() -> ManualClock:
    return ManualClock(Moment(1000.0, NOW_MS))


@pytest.fixture
def live(clock: ManualClock) -> Live:
    return Live(settings_of(), clock)


def told(live: Live, **changed: object) -> None:
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
    monkeypatch.setattr(live_module, "HEARTBEAT_S", 0.001)

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


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0.4, "0 s"), (119.0, "119 s"), (120.0, "2 min"), (7199.0, "120 min"), (7200.0, "2 h"), (200_000.0, "2 days")],
)
def test_a_span_is_said_as_a_person_would(seconds: float, words: str) -> None:
    """Seconds up to two minutes, minutes up to two hours, hours up to two days."""
    assert span_in_words(seconds) == words
