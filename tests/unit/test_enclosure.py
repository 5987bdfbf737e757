"""The tick as a whole: for any events no heat past a doubt, no jumps, and the same record gives the same orders."""

from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller import enclosure, heating
from controller.clock import Moment
from controller.control.pid import Gains
from controller.probe import Reading
from controller.safety.trip import Trip, TripKind
from controller.standing import Standing
from controller.state import Inputs, NodeReport
from controller.store.requests import Request
from tests.core_site import AIR, NIGHT_MS, NOON_MS, SECOND_SOIL, SOIL, SURFACE, Bed, plan_of, warm_bed

PLAN = plan_of(SOIL, SECOND_SOIL, AIR, SURFACE)
VALUES = st.one_of(
    st.floats(-50.0, 130.0), st.floats(8.0, 12.0), st.sampled_from([0.0, 85.0, -127.0, 39.9, 40.0, 57.0])
)
READING = st.tuples(st.sampled_from(list(PLAN.watches)), VALUES, st.sampled_from([None, 0, 0, 0, 30, 4000, -50, -900]))
REQUEST = st.sampled_from(
    [("arm", {}), ("disarm", {}), ("set-point", {"set_point_c": 25.0}), ("set-point", {"set_point_c": 90.0}),
     ("set-point", {}), ("reset", {"trip": "soil-over:soil"}), ("reset", {"trip": "air-fire:air"}), ("nonsense", {})]
)  # fmt: skip
EVENT = st.tuples(
    st.sampled_from([1, 1, 1, 1, 2, 10, 4000]),
    st.lists(READING, max_size=5),
    st.booleans(),
    st.one_of(st.none(), st.none(), REQUEST),
    st.booleans(),
    st.booleans(),
)


def cold(now: Moment) -> tuple[Reading, ...]:
    """Return what every probe says on a cold, quiet night."""
    return tuple(Reading("larch", name, 10.0, now.utc_ms, now.utc_ms, now.mono_s) for name in PLAN.watches)


def recorded(events: list) -> list[tuple[Inputs, Moment]]:  # type: ignore[type-arg]
    """Turn generated events into the inputs of ticks, between quiet ones that would heat."""
    ticks, now, number = [], Moment(1000.0, NIGHT_MS), 0
    for wait_s, readings, reports, request, connected, journal_ok in events:
        for _ in range(3):
            now = now.later(3)
            ticks.append(
                (Inputs(cold(now), (NodeReport(now.mono_s, now.utc_ms, False, True, 9.0, None, 0, now.mono_s),)), now)
            )
        now = now.later(wait_s)
        heard = tuple(
            Reading("larch", probe, value, None if skew is None else now.utc_ms + skew * 1000, now.utc_ms, now.mono_s)
            for probe, value, skew in readings
        )
        report = (NodeReport(now.mono_s, now.utc_ms, True, True, 9.0, None, 0, now.mono_s),) if reports else ()
        asks = ()
        if request is not None:
            number += 1
            asks = (Request(number, now.utc_ms, "larch", request[0], request[1], "Ada", "test"),)  # type: ignore[assignment]
        ticks.append((Inputs(heard, report, asks, connected, float("-inf"), journal_ok), now))
    return ticks


@settings(max_examples=200, deadline=None)
@given(st.lists(EVENT, max_size=30), st.booleans())
def test_for_any_events_heat_is_never_ordered_past_a_doubt(events: list, armed: bool) -> None:  # type: ignore[type-arg]
    """I2 I4 I6: on means armed, untripped, all permitted, soil fresh; duty is a number from 0 to 1 always."""
    state = enclosure.start(PLAN, Standing(armed=armed, override_c=20.0))
    for inputs, now in recorded(events):
        before = state.standing.trips
        state, decision = enclosure.step(PLAN, state, inputs, now)
        assert 0.0 <= state.duty <= 1.0
        assert 0.0 <= state.integral <= 1.0
        if decision.order.on:
            assert state.standing.armed
            assert not state.standing.trips
            assert state.permissives
            assert all(each.holds for each in state.permissives)
            assert inputs.connected
            assert inputs.journal_ok
            assert state.soil_c is not None
            assert state.soil_c < 40.0
        reset = any(each.kind == "reset" for each in inputs.requests)
        assert reset or set(before) <= set(state.standing.trips), "only a reset ends a trip"
        assert state.standing.override_c in {None, 20.0, 25.0}


@settings(max_examples=100, deadline=None)
@given(st.lists(EVENT, max_size=30))
def test_a_recorded_day_replayed_gives_the_same_orders(events: list) -> None:  # type: ignore[type-arg]
    """The tick is a function of its inputs: state, orders, entries and grades agree to the last bit."""
    runs = []
    for _ in range(2):
        state, decisions = enclosure.start(PLAN, Standing(armed=True, override_c=20.0)), []
        for inputs, now in recorded(events):
            state, decision = enclosure.step(PLAN, state, inputs, now)
            decisions.append(decision)
        runs.append((state, decisions))
    assert runs[0] == runs[1]


@pytest.mark.parametrize("said", [(46.0, 41.0), (41.0, 46.0, 42.0), (46.0, 20.0), (46.0,)])
def test_a_trip_names_the_highest_sample_of_its_tick(said: tuple[float, ...]) -> None:
    """A person reads the value that tripped, not a cooler one that came after it."""
    bed = warm_bed()
    bed.extra = [bed.reading("soil", value) for value in said]
    bed.tick()
    (trip,) = bed.trips
    assert trip.value == 46.0
    assert trip.detail == "soil probe 'soil' reached 46.0 Cel; limit 40.0 Cel"


def test_an_older_sample_told_again_takes_nothing_from_the_value_that_tripped() -> None:
    """It came late and is no longer about now; the second sample over the limit trips, and its own value is told."""
    bed = warm_bed()
    bed.extra = [bed.reading("soil", 42.0)]
    bed.tick()
    bed.extra = [bed.reading("soil", 20.0, taken_ms=bed.now.utc_ms - 9000)]
    bed.tick()
    assert bed.trips == ()
    assert bed.state.probes["soil"].over_highest == 42.0


def test_a_tick_leaves_the_state_it_was_given_alone() -> None:
    """Pure: the state before can be used again, probes included."""
    bed = warm_bed()
    inputs, now = Inputs((bed.reading("soil", 44.0),)), bed.now
    probe = bed.state.probes["soil"]
    said, recent = probe.said, probe.recent
    enclosure.step(bed.plan, bed.state, inputs, now)
    assert bed.state.probes["soil"] is probe
    assert (probe.said, probe.recent) == (said, recent)


@pytest.mark.parametrize("to_c", [25.0, 12.0, 5.0])
def test_a_set_point_request_does_not_jump_the_duty(to_c: float) -> None:
    """Bumpless: the working set point ramps, so the duty moves by less than 0.05 at the next computation."""
    plan = replace(plan_of(), own_gains=Gains(0.5, 10_800.0), ramp_k_per_h=2.0)
    bed = Bed(plan, {"soil": 15.0, "air": 10.0}, Standing(armed=True, override_c=15.5))
    bed.run(1800)
    before = bed.state.duty
    assert 0.1 < before < 0.9
    bed.ask("set-point", set_point_c=to_c)
    duties = [before]
    for _ in range(30):
        bed.run(1)
        duties.append(bed.state.duty)
    assert max(abs(later - earlier) for earlier, later in pairwise(duties)) < 0.05
    assert duties[-1] != before


def test_an_override_ends_when_it_says() -> None:
    """A person's set point until an instant, then the schedule's again."""
    plan = plan_of(schedule=[{"from": "01-01", "set_point": 14.0}])
    standing = Standing(override_c=20.0, override_until_ms=NIGHT_MS)
    assert heating.asked(plan, standing, Moment(0.0, NIGHT_MS - 1)) == (20.0, "person")
    assert heating.asked(plan, standing, Moment(0.0, NIGHT_MS)) == (14.0, "schedule")
    assert heating.asked(plan_of(), Standing(), Moment(0.0, NIGHT_MS)) == (None, "none")


def test_two_soil_probes_control_by_their_median_and_trip_by_either() -> None:
    """Control trusts the middle; safety the hottest."""
    bed = warm_bed(SOIL, SECOND_SOIL, AIR)
    bed.says["soil-two"] = 10.8
    bed.run(20)
    assert bed.state.soil_c == pytest.approx(10.4)
    bed.says["soil-two"] = 46.0
    bed.run(10)
    bed.run(1)
    assert bed.trips[0].name == "soil-over:soil-two"


@pytest.mark.parametrize(("soil_c", "after"), [(39.9, []), (40.0, [11]), (44.9, [11]), (45.0, [1]), (60.0, [1])])
def test_soil_at_its_limits(soil_c: float, after: list[int]) -> None:
    """Just under, at, and over: 40 latches at the second sample, 45 at the first; heat stops at the first of either."""
    bed = warm_bed()
    begun_s, bed.says["soil"] = bed.second, soil_c
    latched: list[int] = []
    for second in range(1, 31):
        bed.tick()
        if bed.trips and not latched:
            latched.append(second)
    assert latched == after
    assert bed.off_after(begun_s) == 0


@pytest.mark.parametrize(("surface_c", "latches"), [(69.9, False), (70.0, True), (124.0, True)])
def test_the_heater_surface_at_its_limit(surface_c: float, latches: bool) -> None:
    """K08 H05 E03: the second sample of 70 Cel latches, whatever the sun does."""
    bed = warm_bed(SOIL, AIR, SURFACE)
    bed.says["case"] = surface_c
    bed.run(5)
    assert bed.on is not latches
    bed.run(10)
    assert [each.kind for each in bed.trips] == ([TripKind.SURFACE_OVER] if latches else [])


@pytest.mark.parametrize(("air_c", "inhibited"), [(44.9, False), (45.0, True), (56.9, True)])
def test_air_at_its_no_heat_limit(air_c: float, inhibited: bool) -> None:
    """From 45 Cel no heat until 5 min below it, and no trip of the fixed limit."""
    bed = Bed(plan_of(), {"soil": 10.0, "air": air_c})
    bed.run(30)
    assert bed.on is not inhibited
    assert bed.trips == ()


def test_a_persons_set_point_is_held_to_a_limit_that_was_tightened_since() -> None:
    """I4: asked and granted at 30 Cel "until changed"; then the settings say 18, and the controller starts anew."""
    plan = plan_of(limits={"highest_set_point": 18.0})
    bed = Bed(plan, {"soil": 18.5, "air": 10.0}, standing=Standing(armed=True, override_c=30.0))
    bed.run(90)
    assert (bed.state.asked_c, bed.state.asked_by, bed.on) == (18.0, "person", False)
    floor = plan_of(limits={"highest_set_point": 4.0})
    assert heating.asked(floor, Standing(), Moment(0.0, 0)) == (4.0, "floor")


def test_tightened_limits_are_the_ones_that_act() -> None:
    """A soil trip of 30 latches at 30, and at once 5 K above it."""
    for soil_c, seconds in ((30.0, 11), (35.0, 1)):
        bed = Bed(plan_of(limits={"soil_trip": 30.0}), {"soil": soil_c, "air": 10.0})
        bed.run(seconds)
        assert bed.trips
        assert bed.trips[0].limit == 30.0


def test_the_order_is_sent_on_change_and_every_5_s() -> None:
    """Renewal is the tick's last act."""
    plan, state, sends = plan_of(), enclosure.start(plan_of(), Standing()), []
    for second in range(21):
        state, decision = enclosure.step(plan, state, Inputs(), Moment(float(second), NIGHT_MS))
        sends.append(decision.send)
    assert [second for second, send in enumerate(sends) if send] == [0, 5, 10, 15, 20]


def test_a_trip_is_journalled_once_with_its_figures() -> None:
    """I5: one entry, however long the cause lasts."""
    bed = warm_bed()
    bed.says["soil"] = 50.0
    bed.run(300)
    (entry,) = [each for each in bed.entries if each.kind == "trip"]
    assert entry.body == {"trip": "soil-over:soil", "probe": "soil", "value": 50.0, "limit": 40.0}
    assert (entry.enclosure, entry.who) == ("larch", "soilward")


def test_a_latched_trip_outlives_a_restart() -> None:
    """I8 C16: standing orders carry it; sound probes do not clear it."""
    held = Trip(TripKind.SOIL_OVER, "soil", 41.0, 40.0, 0, "soil at 41.0 Cel")
    bed = Bed(plan_of(), {"soil": 10.0, "air": 10.0}, Standing(armed=True, override_c=20.0, trips=(held,)))
    bed.run(900)
    assert bed.on_seconds(0) == []
    assert bed.trips == (held,)
    assert bed.orders[-1][2] == "locked off: soil at 41.0 Cel"


def test_one_good_air_probe_is_enough_and_none_is_not() -> None:
    """Where air probes are set, at least one must be heard."""
    bed = warm_bed(SOIL, AIR)
    begun_s, bed.says["air"] = bed.second, None
    bed.run(60)
    assert not bed.on
    assert "air probe 'air' last heard" in bed.orders[-1][2]
    assert bed.off_after(begun_s) <= 35


def test_a_disarm_is_off_at_the_same_tick_and_arming_brings_heat_back() -> None:
    """A person's no is obeyed at once."""
    bed = warm_bed()
    bed.ask("disarm")
    assert (bed.on, bed.state.duty) == (False, 0.0)
    assert bed.orders[-1][2] == "not armed"
    armed_s = bed.second
    bed.ask("arm")
    assert not bed.on, "an opening lasts its 30 s"
    bed.run(40)
    assert bed.on_seconds(armed_s)[0] == armed_s - 1 + 30


@pytest.mark.parametrize(("ago_s", "latches"), [(590, True), (600, True), (601, False), (3600, False)])
def test_hot_air_is_a_fire_while_heat_was_on_in_the_last_10_minutes(ago_s: int, latches: bool) -> None:
    """At noon: what counts is when the contact was last reported closed; just under, at and over."""
    bed = Bed(plan_of(), {"soil": 25.0, "air": None}, Standing(override_c=20.0), begins_ms=NOON_MS, contact=True)
    bed.run(100)
    bed.contact, last_closed_s = False, 99
    bed.run(last_closed_s + ago_s - 10 - bed.second)
    bed.extra = [bed.reading("air", 60.0)]
    bed.run(10)
    bed.extra = [bed.reading("air", 60.0)]
    bed.run(1)
    assert bool(bed.trips) is latches
