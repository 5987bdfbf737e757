"""A trial: pulses of heat that a person asked for, carried out by the loop, and everything that ends them."""

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pytest

from controller import enclosure
from controller.clock import Moment
from controller.requests import answer
from controller.safety.trip import Trip, TripKind
from controller.standing import Kept, Standing, as_text, from_text
from controller.state import Inputs
from controller.store.requests import Request
from controller.tuning.pulses import Trial as Pulses
from controller.tuning.pulses import duty_of, in_the_dark
from tests import heat_site
from tests.core_site import NIGHT_MS, NOON_MS, Bed, plan_of
from tests.heat_site import DUSK_MS, FAN, GLASS, Outdoors

MINUTE_MS = 60_000
HALF_HOUR, REST = 1800, 3600
PLACE = (46.2, 8.4)


def at(*parts: int) -> int:
    """Return [ms] UTC."""
    return round(datetime(*parts, tzinfo=UTC).timestamp() * 1000)  # type: ignore[misc,arg-type]


def asked_at(now_ms: int, standing: Standing, pulses: object = 6) -> tuple[str, Standing]:
    """Ask for a trial; returns the words and what stands then."""
    request = Request(7, now_ms, "larch", "trial", {"pulses": pulses}, "Ada", "learn it")  # type: ignore[dict-item]
    found = answer(plan_of(), standing, request, {}, Moment(500.0, now_ms))
    return str(found.entries[0].body["detail"]), found.standing


ARMED = Standing(armed=True, override_c=12.0)


def test_asked_by_day_the_pulses_wait_for_an_hour_after_sunset() -> None:
    """On 1 December the sun sets at 15:44 UTC there; within ten minutes an hour later the first pulse begins."""
    words, standing = asked_at(at(2026, 12, 1, 12), ARMED)
    assert standing.trial is not None
    assert at(2026, 12, 1, 16, 40) <= standing.trial.begins_ms <= at(2026, 12, 1, 17)
    assert (standing.trial.pulses, standing.trial.asked_c, standing.trial.who) == (6, None, "Ada")
    assert words.startswith("6 pulses of half an hour, the first at 2026-12-01T16:")


def test_asked_in_the_dark_they_begin_at_once_and_end_before_the_sun_rises() -> None:
    """At two in the morning there is room for three; at four for none, and it says what to do."""
    standing = asked_at(at(2026, 12, 1, 2), ARMED)[1]
    assert standing.trial is not None
    assert (standing.trial.begins_ms, standing.trial.pulses) == (at(2026, 12, 1, 2), 3)
    assert in_the_dark(*PLACE, at(2026, 12, 1, 3), 6) is None
    assert "too short for 3 pulses" in asked_at(at(2026, 12, 1, 3), ARMED)[0]


def test_where_the_sun_does_not_set_there_is_no_trial() -> None:
    """Midsummer in the far north."""
    assert in_the_dark(70.0, 20.0, at(2026, 6, 21), 3) is None


@pytest.mark.parametrize("pulses", [2, 9, -1, 2.5, True, None, "6", float("nan")])
def test_a_number_of_pulses_out_of_bounds_is_refused(pulses: object) -> None:
    """Three to eight, or 0."""
    words, standing = asked_at(NIGHT_MS, ARMED, pulses)
    assert words == "refused: pulses must be 0, which ends a trial, or 3 to 8"
    assert standing.trial is None


@pytest.mark.parametrize(
    ("standing", "said"),
    [
        (Standing(), "refused: not armed, or locked off"),
        (
            replace(ARMED, trips=(Trip(TripKind.STOPPED, "", None, None, 0, "stopped"),)),
            "refused: not armed, or locked",
        ),
        (replace(ARMED, trial=Pulses(3, "Bea", 0, 3)), "refused: a trial stands already"),
    ],
)
def test_what_a_trial_needs_all_heat_needs(standing: Standing, said: str) -> None:
    """Not armed, locked off, or one stands: refused in words."""
    assert asked_at(NIGHT_MS, standing)[0].startswith(said)


def test_without_a_clock_nobody_knows_the_night() -> None:
    """In 1970 a trial is refused."""
    assert "the clock is not set" in asked_at(1000, ARMED)[0]


def test_the_duty_is_full_for_half_an_hour_of_every_hour_and_a_half_while_it_runs() -> None:
    """At each edge: just before, at it, and after the last rest."""
    trial = Pulses(1, "Ada", 0, 3, asked_c=12.0)
    minutes = (-1, 0, 29, 30, 89, 90, 119, 120, 269, 270)
    duties = [duty_of(trial, minute * MINUTE_MS) for minute in minutes]
    assert duties == [None, 1.0, 1.0, 0.0, 0.0, 1.0, 1.0, 0.0, 0.0, None]
    assert duty_of(replace(trial, cut=2), 100 * MINUTE_MS) == 0.0
    assert duty_of(replace(trial, cut=2), 190 * MINUTE_MS) == 1.0
    assert duty_of(replace(trial, asked_c=None), 0) is None
    assert duty_of(None, 0) is None


def test_a_trial_outlives_the_file_of_standing_orders() -> None:
    """So that the next controller knows that it was interrupted."""
    kept = Kept(1, {"larch": replace(ARMED, trial=Pulses(3, "Bea", 5, 3, 12.0, 1))})
    assert from_text(as_text(kept)) == kept


@pytest.fixture
def night() -> heat_site.Bed:
    """Give a small glasshouse an hour after dusk, at its set point, that has just been asked for four pulses."""
    weather = Outdoors(outside_c=lambda _: 6.0)
    bed = heat_site.Bed(heater=FAN, shape=GLASS, soil_c=12.0, asked_c=12.5, weather=weather)
    bed.run(1.0)
    ask(bed, pulses=4)
    return bed


def ask(bed: heat_site.Bed, **arguments: Any) -> None:
    """Let the next tick hear a request."""
    now = Moment(1000.0 + bed.second, bed.start_ms + bed.second * 1000)
    request = Request(1, now.utc_ms, "larch", "trial", arguments, "Ada", "learn it")
    bed.state, decision = enclosure.step(bed.plan, bed.state, Inputs(requests=(request,)), now.later(1.0))
    bed.entries.extend(decision.entries)


def said(bed: heat_site.Bed | Bed) -> list[str]:
    """Return what the journal says of the trial."""
    return [entry.why for entry in bed.entries if entry.kind == "trial"]


def test_a_night_of_pulses_is_carried_out_and_then_the_loop_has_the_heat_again(night: heat_site.Bed) -> None:
    """Half-hour closings an hour and a half apart, nothing between; soil within a kelvin; begun and over on record."""
    warmest_k = 0.0
    for _ in range(14):
        night.run(0.5)
        assert night.state.soil_c is not None
        warmest_k = max(warmest_k, night.state.soil_c - 12.5)
    assert said(night) == [
        "the trial begins: 4 pulses of half an hour, one every hour and a half",
        "the trial is over; `soilward tune larch` shows what it tells",
    ]
    assert night.state.standing.trial is None
    begins_s = (night.entries[-1].at_ms - night.start_ms) // 1000 - 4 * (HALF_HOUR + REST)
    within = [second - begins_s for second in night.on_s if begins_s <= second < begins_s + 4 * (HALF_HOUR + REST)]
    phases = {second % (HALF_HOUR + REST) for second in within}
    assert max(phases) <= HALF_HOUR + heat_site.TICK_S + 10
    assert len(within) * heat_site.TICK_S == pytest.approx(4 * HALF_HOUR, rel=0.06)
    assert warmest_k < 1.0
    assert night.state.tried is None


def test_even_a_strong_cable_in_a_mild_night_keeps_the_soil_within_a_kelvin() -> None:
    """Cable of 250 W/m2 in soil at its set point: pulses are left out; what the cable still holds stays below 1 K."""
    strong = {"kind": "soil-cable", "rated_w": 1500.0, "depth_m": 0.14}
    weather = Outdoors(outside_c=lambda _: 13.0)
    bed = heat_site.Bed(heater=strong, soil_c=13.0, asked_c=14.0, weather=weather, before=(24.0, 0.15))
    bed.run(4.0)
    ask(bed, pulses=4)
    warmest_k, cuts = 0.0, set()
    for _ in range(7 * 60):
        bed.run(1 / 60)
        assert bed.state.soil_c is not None
        warmest_k = max(warmest_k, bed.plant.soil_c(0.10) - 14.0)
        cuts.add(bed.state.standing.trial.cut if bed.state.standing.trial else 0)
    assert len(cuts) > 1, "a pulse was left out"
    assert said(bed)[-1].startswith("the trial is over")
    assert warmest_k < 1.0


def test_a_pulse_is_cut_where_the_soil_is_warm_enough(night: heat_site.Bed) -> None:
    """With the probe 0.5 K above the set point the contact opens within seconds, and this pulse is over for good."""
    night.run(1.6)
    assert said(night)
    until(night, lambda: night.state.tried == 1.0)
    night.says["soil"] = lambda _: 13.0
    cut_s = night.second
    night.run(0.3)
    assert not any(second > cut_s + 60 for second in night.on_s)
    night.says["soil"] = lambda _: 12.9
    night.run(0.1)
    assert not any(second > cut_s + 60 for second in night.on_s), "cut is cut"
    night.run(1.5)
    assert not any(second > cut_s + 60 for second in night.on_s), "the next one is not begun at 0.4 K"
    night.says["soil"] = lambda _: 12.7
    until(night, lambda: night.state.tried == 1.0)
    night.tick()
    assert night.on_s[-1] == night.second, "the one after that heats again"


def until(bed: heat_site.Bed, holds: Callable[[], bool], hours: float = 2.0) -> None:
    """Tick until something holds."""
    for _ in range(round(hours * 3600 / heat_site.TICK_S)):
        if holds():
            return
        bed.tick()
    raise AssertionError(f"not within {hours:g} h")


def trying(**standing: Any) -> Bed:
    """Return a bed by night whose soil is warm enough, so that only the trial heats it."""
    bed = Bed(plan_of(), {"soil": 20.0, "air": 10.0}, standing=Standing(armed=True, override_c=20.0, **standing))
    bed.run(90)
    assert bed.ask("trial", pulses=4).startswith("4 pulses")
    bed.run(30)
    assert bed.on
    assert bed.state.duty == 1.0
    return bed


def silent(bed: Bed) -> None:
    """The air probe falls silent."""
    bed.says["air"] = None


def hot(bed: Bed) -> None:
    """The soil probe reads far over its limit."""
    bed.extra.append(bed.reading("soil", 55.0))


def away(bed: Bed) -> None:
    """The program is paused for a minute."""
    bed.pause(60)


def anew(bed: Bed) -> None:
    """The controller is started anew with the same standing orders."""
    bed.state = enclosure.start(bed.plan, bed.state.standing)


ENDS: list[tuple[Callable[[Bed], Any], str]] = [
    (silent, "air probe 'air' last heard"),
    (hot, "heat is locked off, soil probe 'soil' reached 55.0 Cel"),
    (away, "last heard"),
    (anew, "the controller was started anew"),
    (lambda bed: bed.ask("disarm"), "disarmed"),
    (lambda bed: bed.ask("stop"), "heat is locked off, stopped by Ada"),
    (lambda bed: bed.ask("at-work", minutes=10), "someone works there"),
    (lambda bed: bed.ask("set-point", set_point_c=20.0), "somebody asked for something else"),
    (lambda bed: bed.ask("set-point", set_point_c=None), "somebody asked for something else"),
    (lambda bed: bed.ask("trial", pulses=0), "somebody asked for something else"),
    (lambda bed: setattr(bed, "node_speaks", False), "the relay node was last heard"),
    (lambda bed: setattr(bed, "journal_ok", False), "the journal cannot be written"),
    (lambda bed: setattr(bed, "connected", False), "the broker is not connected"),
]


@pytest.mark.parametrize(("happens", "why"), ENDS)
def test_anything_that_ends_heat_or_changes_what_is_asked_ends_the_trial_for_good(
    happens: Callable[[Bed], Any], why: str
) -> None:
    """Cancelled within a minute and journalled with the reason; when all is well again, nothing pulses."""
    bed = trying()
    happens(bed)
    bed.run(60)
    assert bed.state.standing.trial is None
    (words,) = [each for each in said(bed) if each.startswith("the trial was cancelled: ")]
    assert why in words
    quiet_from = bed.second
    bed.says["air"], bed.node_speaks, bed.journal_ok, bed.connected = 10.0, True, True, True
    bed.run(900)
    assert not bed.on_seconds(quiet_from)


def test_another_set_point_of_the_schedule_ends_it_too() -> None:
    """A person's set point that runs out gives way to the schedule, which asks for something else."""
    bed = trying(override_until_ms=NIGHT_MS + 200_000)
    bed.run(120)
    assert said(bed)[-1] == "the trial was cancelled: nothing is asked for any more"


def test_soil_that_grows_cold_ends_it_and_is_heated_as_usual() -> None:
    """Two kelvin under the set point; after the trial the loop heats at once."""
    bed = trying()
    for second in range(900):
        bed.says["soil"] = 20.0 - 2.2 * second / 900
        bed.tick()
    assert "2 K below what is asked for" in said(bed)[-1]
    bed.run(60)
    assert bed.on


def test_a_trial_that_waits_minds_no_lost_permissive_but_a_disarm() -> None:
    """By day it stands through a probe's silence; disarmed, it is gone."""
    bed = Bed(plan_of(), {"soil": 20.0, "air": 10.0}, begins_ms=NOON_MS, standing=Standing(armed=True, override_c=20.0))
    bed.run(30)
    bed.ask("trial", pulses=3)
    bed.says["air"] = None
    bed.run(120)
    assert bed.state.standing.trial is not None
    bed.ask("disarm")
    bed.run(1)
    assert bed.state.standing.trial is None
    assert said(bed) == ["the trial was cancelled: disarmed"]


def test_the_integral_stands_still_while_a_trial_has_the_duty() -> None:
    """What a trial does to the soil is no error of the loop's."""
    bed = trying()
    before = bed.state.integral
    bed.says["soil"] = 19.98
    bed.run(600)
    assert bed.state.tried == 1.0
    assert bed.state.integral == before


def test_the_words_say_that_it_is_a_trial() -> None:
    """The status carries it, and the sentence names it."""
    from controller.report import status_of

    bed = trying()
    told = status_of(bed.plan, bed.state, bed.now, 1)["control"]
    assert told is not None
    assert (told["tried"], told["on"]) == (True, bed.state.order.on)
    assert "for a pulse of the trial" in told["words"]
    assert bed.state.order.on
    assert bed.begins_ms < DUSK_MS


def test_a_pulse_that_finds_the_contact_closed_makes_no_closing_longer_than_the_longest() -> None:
    """N09: a plain relay has no node to open it after half an hour; the pulse began 28 minutes into a closing."""
    plain = {"kind": "soil-cable", "rated_w": 450.0, "depth_m": 0.14, "relay": "plain", "plain_topic": "plug/set",
             "independent_cut_off": "a timer"}  # fmt: skip
    control = {"gain_per_k": 20.0, "integral_h": 3.0, "ramp_k_per_h": 20.0, "window_s": 1800.0}
    bed = Bed(plan_of(heater=plain, control=control), {"soil": lambda second: 19.0 + 1e-6 * second, "air": 10.0})
    bed.node_speaks = False
    pulses = Pulses(5, "Ada", bed.begins_ms + 1_680_000, 4)
    bed.state.standing, bed.state.trial_request = replace(bed.state.standing, trial=pulses), 5
    bed.run(5000)
    assert bed.state.tried is not None
    opened = [second for second, on, _ in bed.orders if not on and second > 90]
    assert opened[0] <= 1800
    assert bed.on_seconds(opened[0])[0] >= opened[0] + 60
