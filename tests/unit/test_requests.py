"""What a person asked, answered: done or refused, always journalled with who and why."""

from dataclasses import replace
from typing import Any

import pytest

from controller.clock import Moment
from controller.requests import answer, proof_late_days
from controller.safety.trip import Trip, TripKind
from controller.standing import Standing
from controller.store.requests import Kind, Request
from tests.core_site import NIGHT_MS, Bed, plan_of, warm_bed

PLAN = plan_of(limits={"highest_set_point": 28.0})
NOW = Moment(500.0, NIGHT_MS)
FRESH = Standing()
TRIP = Trip(TripKind.SOIL_OVER, "soil", 41.0, 40.0, 0, "hot")


def ask(  # type: ignore[no-untyped-def]
    kind: Kind, standing: Standing = FRESH, gone: bool = True, who="Ada", why="test", age_s=0, **arguments
):
    """Answer one request, filed `age_s` ago."""
    request = Request(7, NIGHT_MS - age_s * 1000, "larch", kind, arguments, who, why)
    return answer(PLAN, standing, request, {TRIP.name: gone}, NOW)


def outcome(result) -> tuple[object, object]:  # type: ignore[no-untyped-def]
    """Return outcome and words of the one journal entry."""
    (entry,) = result.entries
    return entry.body["outcome"], entry.body["detail"]


DAY_MS = 86_400_000


@pytest.mark.parametrize(("kind", "before", "after"), [("arm", False, True), ("disarm", True, False)])
def test_arming_and_disarming(kind: Kind, before: bool, after: bool) -> None:
    """Each does what it says and nothing else."""
    result = ask(kind, Standing(armed=before, override_c=15.0))
    assert result.standing == Standing(armed=after, override_c=15.0, answered=7)
    assert outcome(result)[0] == "done"


def test_every_answer_says_who_why_what_and_which() -> None:
    """The journal entry holds all a reader needs."""
    (entry,) = ask("set-point", set_point_c=18.0).entries
    assert (entry.kind, entry.enclosure, entry.who, entry.why, entry.at_ms) == (
        "answer", "larch", "Ada", "test", NIGHT_MS,
    )  # fmt: skip
    assert entry.body == {
        "request": 7,
        "asked": "set-point",
        "arguments": {"set_point_c": 18.0},
        "outcome": "done",
        "detail": "set point 18.0 Cel",
    }


@pytest.mark.parametrize(("who", "why"), [("", "test"), ("Ada", "")])
@pytest.mark.parametrize("kind", ["arm", "disarm", "reset", "set-point"])
def test_nobody_and_no_reason_are_refused(kind: Kind, who: str, why: str) -> None:
    """A change is a request with who and why."""
    result = ask(kind, Standing(trips=(TRIP,)), who=who, why=why, set_point_c=18.0, trip=TRIP.name)
    assert outcome(result)[0] == "refused"
    assert result.standing == Standing(trips=(TRIP,), answered=7)


@pytest.mark.parametrize(
    ("kind", "age_s", "done"),
    [("arm", 600, True), ("arm", 601, False), ("set-point", 601, False), ("disarm", 1e6, True), ("arm", -30, True)],
)
def test_an_old_wish_is_no_longer_one_except_to_disarm(kind: Kind, age_s: float, done: bool) -> None:
    """Just at and over ten minutes; a no counts at any age."""
    assert (outcome(ask(kind, age_s=int(age_s), set_point_c=18.0))[0] == "done") is done


@pytest.mark.parametrize(
    ("value", "done"),
    [
        (-5.0, True), (-5.01, False), (28.0, True), (28.01, False), (32.0, False), (18, True), (True, False),
        ("18", False), (float("nan"), False), (float("inf"), False), (-300.0, False), ([18.0], False), ({}, False),
    ],
)  # fmt: skip
def test_a_set_point_within_its_bounds(value: object, done: bool) -> None:
    """I4: -5 to this enclosure's own highest; nothing that is no number."""
    result = ask("set-point", Standing(override_c=15.0), set_point_c=value)
    assert (outcome(result)[0] == "done") is done
    assert result.standing.override_c == (value if done else 15.0)


def test_the_hard_limit_holds_even_over_a_plan_without_it() -> None:
    """I4: 32 Cel is the most whatever the plan says."""
    request = Request(1, NIGHT_MS, "larch", "set-point", {"set_point_c": 33.0}, "Ada", "test")
    result = answer(replace(PLAN, highest_set_point_c=99.0), Standing(), request, {}, NOW)
    assert outcome(result) == ("refused", "refused: set point 33.0 Cel is outside -5.0 to 32.0 Cel")


def test_a_set_point_may_end_by_itself() -> None:
    """`until` is RFC 3339 with its offset; without one it is refused."""
    result = ask("set-point", set_point_c=18.0, until="2026-03-02T06:00:00+01:00")
    assert result.standing.override_until_ms == 1_772_427_600_000
    assert outcome(result)[1] == "set point 18.0 Cel until 2026-03-02T06:00:00+01:00"
    for bad in ("2026-03-02T06:00:00", "tomorrow", 5):
        result = ask("set-point", Standing(override_c=15.0), set_point_c=18.0, until=bad)
        assert outcome(result)[0] == "refused"
        assert result.standing.override_c == 15.0


def test_no_set_point_gives_it_back_to_the_schedule() -> None:
    """Both the value and its end are gone."""
    result = ask("set-point", Standing(override_c=15.0, override_until_ms=9))
    assert result.standing == Standing(answered=7)


def test_a_reset_takes_one_trip_and_is_counted() -> None:
    """The other trip stays; the reset is remembered with its time; resets of days before are forgotten."""
    other = Trip(TripKind.AIR_FIRE, "air", 60.0, 57.0, 0, "hot")
    old = (TRIP.name, NIGHT_MS - 86_400_000)
    result = ask("reset", Standing(trips=(TRIP, other), resets=(old, ("x", NIGHT_MS - 5))), trip=TRIP.name)
    assert result.was_reset
    assert result.standing.trips == (other,)
    assert result.standing.resets == (("x", NIGHT_MS - 5), (TRIP.name, NIGHT_MS))


@pytest.mark.parametrize(
    ("standing", "gone", "trip"),
    [
        (Standing(trips=(TRIP,)), False, TRIP.name),
        (Standing(trips=(TRIP,)), True, "air-fire:air"),
        (Standing(), True, TRIP.name),
        (Standing(trips=(TRIP,), resets=((TRIP.name, NIGHT_MS - 9),) * 3), True, TRIP.name),
    ],
)
def test_a_reset_that_may_not_be_done_changes_nothing(standing: Standing, gone: bool, trip: str) -> None:
    """A02 A03: cause present, unknown trip, nothing latched, three already."""
    result = ask("reset", standing, gone, trip=trip)
    assert not result.was_reset
    assert outcome(result)[0] == "refused"
    assert result.standing.trips == standing.trips
    assert result.standing.resets == standing.resets


def test_resets_of_another_trip_do_not_count() -> None:
    """Three resets are the most of one trip, not of all."""
    others = (("air-fire:air", NIGHT_MS - 9),) * 5
    assert ask("reset", Standing(trips=(TRIP,), resets=others), trip=TRIP.name).was_reset


def test_an_unknown_kind_is_refused_and_answered() -> None:
    """Force-on and the like do not exist (hazard A06)."""
    result = ask("force-on")  # type: ignore[arg-type]
    assert outcome(result) == ("refused", "refused: 'force-on' is no request this controller knows")
    assert result.standing == Standing(answered=7)


def test_the_last_request_answered_never_falls() -> None:
    """A request seen again does not lower the mark."""
    assert ask("arm", Standing(answered=9)).standing.answered == 9


@pytest.mark.parametrize("kind", ["arm", "disarm"])
def test_arming_and_disarming_end_a_time_of_work(kind: Kind) -> None:
    """Either is a person's word that nobody works there any more."""
    assert ask(kind, Standing(at_work_until_ms=NIGHT_MS + 5)).standing.at_work_until_ms is None


def test_a_stop_latches_whoever_asks_and_however_old() -> None:
    """A08: the name is in the words; a second stop keeps the first."""
    result = ask("stop", Standing(armed=True), age_s=1_000_000)
    assert outcome(result) == ("done", "stopped: heat is locked off until someone resets it")
    (trip,) = result.standing.trips
    assert (trip.kind, trip.detail, trip.at_ms) == (TripKind.STOPPED, "stopped by Ada", NIGHT_MS)
    again = ask("stop", result.standing, who="Ben")
    assert again.standing.trips == result.standing.trips


@pytest.mark.parametrize("kind", ["stop", "at-work", "shelve", "acknowledge"])
def test_nobody_and_no_reason_are_refused_of_the_newer_kinds_too(kind: Kind) -> None:
    """Even a stop: the API never files one without, and the journal must say who."""
    asked: dict[str, Any] = {"minutes": 5, "alert": "hot-air", "hours": 1, "sequence": 4}
    assert outcome(ask(kind, **asked))[0] == "done"
    for who, why in (("", "test"), ("Ada", "")):
        result = ask(kind, who=who, why=why, **asked)
        assert outcome(result)[0] == "refused"
        assert result.standing == Standing(answered=7)


@pytest.mark.parametrize(
    ("minutes", "done"),
    [(60, True), (60.01, False), (0.1, True), (0, False), (-1, False), ("5", False), (True, False), (None, False),
     (float("nan"), False), (float("inf"), False)],
)  # fmt: skip
def test_minutes_at_work_within_their_bounds(minutes: object, done: bool) -> None:
    """O06: above 0 and at most 60; the wall clock says when it ends."""
    result = ask("at-work", minutes=minutes)
    assert (outcome(result)[0] == "done") is done
    until_ms = NIGHT_MS + round(float(minutes) * 60_000) if done else None  # type: ignore[arg-type]
    assert result.standing.at_work_until_ms == until_ms


@pytest.mark.parametrize(
    ("hours", "alert", "done"),
    [(8, "hot-air", True), (8.01, "hot-air", False), (0, "hot-air", False), (1, "", False), (1, 5, False),
     (True, "hot-air", False), (None, "hot-air", False), (1, TRIP.name, False)],
)  # fmt: skip
def test_an_alert_put_aside_within_its_bounds(hours: object, alert: object, done: bool) -> None:
    """O03: at most 8 h, by name, and never a trip."""
    result = ask("shelve", Standing(trips=(TRIP,)), hours=hours, alert=alert)
    assert (outcome(result)[0] == "done") is done
    assert bool(result.standing.shelved) is done


def test_putting_aside_again_starts_again_and_forgets_what_is_over() -> None:
    """One entry for each alert; those whose time is up go."""
    before = Standing(shelved=(("hot-air", NIGHT_MS + 5), ("old", NIGHT_MS - 1), ("node-quiet", NIGHT_MS + 9)))
    result = ask("shelve", before, hours=2, alert="hot-air")
    assert result.standing.shelved == (("node-quiet", NIGHT_MS + 9), ("hot-air", NIGHT_MS + 7_200_000))


@pytest.mark.parametrize(
    ("sequence", "done"),
    [(1, True), (0, False), (-3, False), (True, False), ("4", False), (None, False), (1.0, False)],
)
def test_a_break_is_acknowledged_by_its_sequence(sequence: object, done: bool) -> None:
    """D04: the one named, no other."""
    result = ask("acknowledge", Standing(acknowledged=3), sequence=sequence)
    assert (outcome(result)[0] == "done") is done
    assert result.standing.acknowledged == (sequence if done else 3)


@pytest.mark.parametrize(("proved_days", "late_days"), [(400.0, 0.0), (401.0, 1.0), (1.0, -399.0), (None, -400.0)])
def test_how_late_a_proof_is(proved_days: float | None, late_days: float) -> None:
    """O07: from the last that passed; none was due where none was ever recorded."""
    standing = Standing(proved_ms=None if proved_days is None else NIGHT_MS - round(proved_days * DAY_MS))
    assert proof_late_days(PLAN, standing, NIGHT_MS) == pytest.approx(late_days)


def test_a_tighter_plan_makes_a_proof_due_sooner() -> None:
    """O07: `proof_every_days` of the settings."""
    monthly = plan_of(limits={"proof_every_days": 30.0})
    assert proof_late_days(monthly, Standing(proved_ms=NIGHT_MS - 31 * DAY_MS), NIGHT_MS) == pytest.approx(1.0)


@pytest.mark.parametrize(("away_s", "set_back_s", "waits_s"), [(0, 0, 300), (200, 0, 100), (300, 0, 0), (0, 7200, 300)])
def test_a_restart_shortens_no_wait_after_a_reset(away_s: int, set_back_s: int, waits_s: int) -> None:
    """O02: heat waits five minutes after the reset, whatever ends meanwhile; a clock set back makes it no longer."""
    bed = warm_bed()
    bed.ask("stop")
    assert "reset" in bed.ask("reset", trip="stopped-by-person")
    begins_ms = bed.now.utc_ms - 1000 + 1000 * (away_s - set_back_s)
    anew = Bed(bed.plan, {"soil": 10.0, "air": 10.0}, standing=bed.state.standing, begins_ms=begins_ms)
    anew.run(320)
    assert anew.on_seconds(0)[0] == pytest.approx(waits_s, abs=1)
