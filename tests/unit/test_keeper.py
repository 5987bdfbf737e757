"""The shell round the tick: news worth telling, and what the record keeps."""

from dataclasses import replace

import pytest

from controller import enclosure
from controller.alerts import Alert
from controller.clock import Moment
from controller.heater_log import HeaterLog
from controller.keeper import Keeper, stored
from controller.probe import Reading
from controller.standing import Standing
from controller.state import Inputs
from controller.status import Grade
from controller.store import requests
from tests.core_site import NIGHT_MS, plan_of

NOW = Moment(1000.0, NIGHT_MS)


def a_keeper() -> Keeper:
    """Return a keeper that has heard nothing."""
    plan = plan_of()
    return Keeper(plan, enclosure.start(plan, Standing()), HeaterLog("larch", 450.0, 230.0))


def reading(value: float = 10.0, at: Moment = NOW) -> Reading:
    """Return a soil reading."""
    return Reading("larch", "soil", value, None, at.utc_ms, at.mono_s)


def test_what_came_is_given_to_one_tick_only() -> None:
    """News waits for the tick and is gone after it."""
    one = a_keeper()
    one.readings.append(reading())
    decision = one.tick(Inputs(), NOW)
    assert [each.value for each, _ in decision.judged] == [10.0]
    assert one.tick(Inputs(), NOW.later(1)).judged == ()


def test_what_a_failing_tick_took_is_kept_in_doubt(monkeypatch: pytest.MonkeyPatch) -> None:
    """It will be acknowledged, so it is kept, under its stamp, or where that lies ahead as of when it came."""
    one = a_keeper()
    stamps = (None, NIGHT_MS - 5000, NIGHT_MS + 3_600_000)
    one.readings = [replace(reading(), taken_ms=taken_ms) for taken_ms in stamps]
    monkeypatch.setattr(enclosure, "step", _fail)
    judged = one.tick(Inputs(), NOW).judged
    kept = [stored(one.plan, each, verdict.grade, verdict.taken_ms) for each, verdict in judged]
    assert [(row.value, row.taken_ms, row.grade) for row in kept if row is not None] == [
        (10.0, NIGHT_MS, "doubted"), (10.0, NIGHT_MS - 5000, "doubted"), (10.0, NIGHT_MS, "doubted")
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("kind", "armed", "outcome"),
    [
        ("disarm", False, "done"), ("stop", False, "refused"), ("at-work", False, "refused"), ("arm", True, "refused"),
        ("set-point", True, "refused"),
    ],
)  # fmt: skip
def test_who_asked_for_no_heat_in_a_failing_tick_has_none_once_it_is_reset(
    monkeypatch: pytest.MonkeyPatch, kind: requests.Kind, armed: bool, outcome: str
) -> None:
    """Answered in the journal, whatever was asked; else a reset by somebody else would heat where one is at work."""
    one = a_keeper()
    one.state = enclosure.start(one.plan, Standing(armed=True, answered=6))
    one.requests = [requests.Request(7, NIGHT_MS, "larch", kind, {}, "keeper", "going in")]
    with monkeypatch.context() as broken:
        broken.setattr(enclosure, "step", _fail)
        told = one.tick(Inputs(), NOW).entries[0]
    assert (told.kind, told.who, told.body["request"], told.body["outcome"]) == ("answer", "keeper", 7, outcome)
    assert (one.state.standing.armed, one.state.standing.answered) == (armed, 7)
    one.requests = [requests.Request(8, NIGHT_MS, "larch", "reset", {"trip": "internal-fault"}, "neighbour", "seen")]
    one.tick(Inputs(connected=True, resumed_s=0.0), NOW.later(1))
    assert (one.state.standing.trips, one.state.standing.armed) == ((), armed)


def _fail(*_: object) -> None:
    raise ZeroDivisionError


def test_a_status_is_told_on_change_once_a_tick_and_every_5_s() -> None:
    """Quiet: every 5 s. A change: at once, but not twice in a tick; two ticks a hair closer may each tell theirs."""
    one = a_keeper()
    one.tick(Inputs(), NOW)
    told = [tenth / 10 for tenth in range(0, 110) if one.news(NOW.later(tenth / 10), 1, {}, {}) is not None]
    assert told == [0.0, 5.0, 10.0]
    one.readings.append(reading(11.0, NOW.later(10.5)))
    one.tick(Inputs(), NOW.later(10.5))
    assert one.news(NOW.later(10.5), 1, {}, {}) is None
    status = one.news(NOW.later(10.998), 1, {}, {})
    assert status is not None
    assert status["readings"][0]["value"] == 11.0


def test_with_thousands_readings_alone_are_told_seldom_and_what_heat_does_at_once() -> None:
    """Three thousand: a reading waits until 3 s after the last status, an order or somebody's wish for one tick."""
    one = a_keeper()
    one.apart_s = 3.0
    one.readings.append(reading())
    one.tick(Inputs(), NOW)
    assert one.news(NOW, 1, {}, {}) is not None
    one.readings.append(reading(11.0, NOW.later(1)))
    one.tick(Inputs(), NOW.later(1))
    assert [second for second in (1, 2, 3, 4) if one.news(NOW.later(second), 1, {}, {}) is not None] == [3]
    one.readings.append(reading(12.0, NOW.later(4)))
    one.tick(Inputs(), NOW.later(4))
    one.state.standing = replace(one.state.standing, armed=True)
    told = one.news(NOW.later(4), 1, {}, {})
    assert told is not None
    assert (told["armed"], told["readings"][0]["value"]) == (True, 12.0)
    one.state.alerts = (Alert("contact-closed", "it may be welded", urgent=True),)
    assert one.news(NOW.later(5), 1, {}, {}) is not None
    one.state.contact_since_ms = NIGHT_MS
    assert one.news(NOW.later(6), 1, {}, {}) is not None
    assert one.news(NOW.later(7), 1, {}, {}) is None


@pytest.mark.parametrize("grade", list(Grade))
def test_the_record_keeps_all_but_what_was_refused(grade: Grade) -> None:
    """Good, doubted and history are kept with their grade and the quantity's own unit."""
    kept = stored(plan_of(), reading(), grade, NIGHT_MS - 5)
    assert (kept is None) is (grade is Grade.REFUSED)
    if kept is not None:
        assert (kept.probe, kept.quantity, kept.unit, kept.value) == ("soil", "soil", "Cel", 10.0)
        assert (kept.taken_ms, kept.arrived_ms, kept.grade) == (NIGHT_MS - 5, NIGHT_MS, grade.value)


def test_what_a_broker_retained_is_kept_if_it_bears_its_time() -> None:
    """Without one it would be another reading at every connection; with one it is the same."""
    retained = replace(reading(), retained=True)
    assert stored(plan_of(), retained, Grade.HISTORY, NIGHT_MS) is None
    assert stored(plan_of(), replace(retained, taken_ms=NIGHT_MS - 5), Grade.HISTORY, NIGHT_MS - 5) is not None
