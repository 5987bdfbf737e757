"""Hazard rows decided by the pure core: what the order did, second by second, and that the contact opens in time.

The opening that is sent may be lost; then the lease opens the contact 15 s after the last order that was on. So the
order must be off 15 s before the time a row's class allows.
"""

import logging
import math
import random
from dataclasses import replace
from pathlib import Path
from typing import Any, cast

import pytest

from controller import enclosure, heating, keeper
from controller.clock import Moment
from controller.control.pid import Gains
from controller.errors import SettingsError
from controller.heater_log import HeaterLog
from controller.load_settings import check
from controller.node.sensors import Fault, ds18b20_c
from controller.probe import Reading
from controller.safety.trip import TripKind
from controller.standing import Kept, Standing, as_text, recall
from controller.state import Inputs, NodeReport
from controller.status import Grade
from tests.core_site import AIR, NOON_MS, SECOND_SOIL, SOIL, SURFACE, Bed, plan_of, raw_settings, warm_bed
from tests.faults.cases import seen
from tests.faults.soon import LEASE_S, never_on, off_at_once, off_in_time


@pytest.mark.parametrize(
    ("row", "says", "why"),
    [
        pytest.param("P03", None, "", id="P03-power-on-code-refused-at-the-probe"),
        pytest.param("P05", 127.94, "outside the possible", id="P05-low-supply"),
        pytest.param("P06", -127.0, "outside the possible", id="P06-absent"),
        pytest.param("P28", None, "", id="P28-all-probes-lost"),
        pytest.param("P05", 125.1, "outside the possible", id="P05-beyond-the-sensor"),
        pytest.param("P06", -40.1, "outside the possible", id="P06-below-the-sensor"),
    ],
)
def test_a_probe_that_says_nothing_possible_goes_stale_and_heat_ends(row: str, says: float | None, why: str) -> None:
    """P03 P05 P06 P28: refused, never used, never a trip; off within class E, counted from the first bad sample."""
    bed = warm_bed()
    fault_s, bed.says["soil"] = bed.second, says
    bed.run(300)
    off_in_time(row, bed, fault_s)
    assert bed.on_seconds(fault_s + 45) == []
    assert bed.trips == ()
    assert bed.state.soil_c is None
    assert why in bed.state.probes["soil"].reason


def test_p03_the_power_on_scratchpad_is_no_reading() -> None:
    """P03: 85.0 with byte 6 = 0C is a fault at the probe, so the controller hears nothing."""
    assert ds18b20_c(bytes.fromhex("50054B467FFF0C101C")) is Fault.POWER_ON


@pytest.mark.parametrize("probes", [(SOIL, AIR), (SOIL, SECOND_SOIL, AIR)], ids=["one-probe", "two-probes"])
def test_p04_a_genuine_85_latches_at_once(probes: tuple[dict[str, object], ...]) -> None:
    """P04: a hot reading that control doubts is compared with the trip first, and one is enough from 45 Cel."""
    bed = warm_bed(*probes)
    fault_s, bed.says["soil"] = bed.second, 85.0
    bed.run(1)
    off_at_once("P04", bed, fault_s)
    assert [each.name for each in bed.trips] == ["soil-over:soil"]
    assert (bed.trips[0].value, bed.trips[0].limit) == (85.0, 40.0)
    bed.says["soil"] = 10.0
    bed.run(3600)
    assert bed.on_seconds(fault_s) == []
    assert len(bed.trips) == 1


def test_p04_hot_beyond_the_working_range_is_still_compared() -> None:
    """P04: 85.1 to 125 is doubted for control and latches all the same."""
    bed = warm_bed()
    bed.says["soil"] = 110.0
    bed.run(1)
    assert bed.trips[0].kind is TripKind.SOIL_OVER
    assert bed.judged[-2][1].grade is Grade.DOUBTED


def test_p06_a_sentinel_is_never_averaged() -> None:
    """P06: -127 of one probe leaves the other's value alone, and heat goes on."""
    bed = warm_bed(SOIL, SECOND_SOIL, AIR)
    bed.says["soil-two"] = -127.0
    fault_s = bed.second
    bed.run(200)
    assert bed.state.soil_c == 10.0
    assert len(bed.on_seconds(fault_s)) == 200


def test_p13_a_probe_pulled_into_the_cold_ends_heat_at_the_first_step() -> None:
    """P13: a 10 K drop would ask for full heat; the first such sample ends it, and calm of half an hour is wanted."""
    bed = warm_bed()
    fault_s, bed.says["soil"] = bed.second, 0.0
    bed.run(2400)
    off_at_once("P13", bed, fault_s)
    back = bed.on_seconds(fault_s)
    assert back, "believed again in the end"
    assert 1800 <= back[0] - fault_s <= 1880
    assert bed.trips == ()


@pytest.mark.parametrize(("step_k", "believed"), [(0.9, True), (-0.9, True), (1.2, False), (-1.2, False)])
def test_p13_a_small_step_that_stays_is_a_fault_all_the_same(step_k: float, believed: bool) -> None:
    """P13: more than 1 K within a minute, too little to be seen at its first sample; less is soil."""
    bed = warm_bed()
    bed.says["soil"] = 10.0 + step_k
    bed.run(120)
    assert ("soil" in bed.state.usable) is believed
    assert believed or not bed.on
    assert (bed.state.probes["soil"].quarantined_until_s > bed.now.mono_s) is not believed


def test_p13_each_new_step_starts_the_half_hour_again() -> None:
    """P13: a probe swinging in the wind is not believed between its swings."""
    bed = warm_bed()
    fault_s, bed.says["soil"] = bed.second, lambda t: 0.0 if (t // 900) % 2 else 6.0
    bed.run(9000)
    assert bed.on_seconds(fault_s) == []


@pytest.mark.parametrize(("soil_c", "latches"), [(10.0, False), (26.0, True)])
def test_p15_a_probe_laid_on_the_cable(soil_c: float, latches: bool) -> None:
    """P15: +15 K ends heat at once as a step; from 40 Cel on it latches at the second sample."""
    bed = warm_bed(soil_c=soil_c, standing=Standing(armed=True, override_c=30.0))
    fault_s, bed.says["soil"] = bed.second, soil_c + 15.0
    bed.run(1)
    off_at_once("P15", bed, fault_s)
    assert bed.trips == ()
    bed.run(10)
    assert bool(bed.trips) is latches
    bed.run(600)
    assert bed.on_seconds(fault_s) == []


def test_p16_soil_and_air_probes_swapped_while_it_heats_are_a_step() -> None:
    """P16: the cables changed over in the box: each name leaps to the other's value, and that ends heat at once."""
    bed = warm_bed(air_c=2.0)
    fault_s, bed.says["soil"], bed.says["air"] = bed.second, 2.0, 10.0
    bed.run(600)
    off_at_once("P16", bed, fault_s)
    assert bed.on_seconds(fault_s) == []


@pytest.mark.parametrize("says", [50.0, 59.0, 68.0])
def test_p17_fahrenheit_taken_for_celsius_fails_safe(says: float) -> None:
    """P17: 10, 15 and 20 Cel in Fahrenheit are all at or above 45, so the first sample latches."""
    bed = warm_bed()
    fault_s, bed.says["soil"] = bed.second, says
    bed.run(60)
    off_at_once("P17", bed, fault_s)
    assert bed.trips[0].kind is TripKind.SOIL_OVER


def test_p17_fahrenheit_near_frost_is_a_step() -> None:
    """P17: 36 F taken for 36 Cel is under every trip but no step soil can take: off, not latched."""
    bed = warm_bed(soil_c=2.2)
    fault_s, bed.says["soil"] = bed.second, 36.0
    bed.run(60)
    off_at_once("P17", bed, fault_s)
    assert bed.trips == ()


def test_p22_one_spike_of_hot_air_ends_heat_and_does_not_latch() -> None:
    """P22: off at the sample; heat is back after 5 min under 45 Cel; no trip, not even of the rate of rise."""
    bed = warm_bed()
    fault_s = bed.second
    bed.says["air"] = lambda t: 60.0 if t == fault_s else 10.0
    bed.run(400)
    off_at_once("P22", bed, fault_s)
    assert bed.trips == ()
    assert 300 <= bed.on_seconds(fault_s)[0] - fault_s <= 302


def test_p22_the_second_hot_sample_latches() -> None:
    """P22: two samples over 57 Cel with heat lately on are a fire."""
    bed = warm_bed()
    fault_s = bed.second
    bed.says["air"] = lambda t: 57.0 if fault_s <= t <= fault_s + 10 else 10.0
    bed.run(10)
    assert bed.trips == ()
    bed.run(1)
    assert TripKind.AIR_FIRE in {each.kind for each in bed.trips}  # type: ignore[var-annotated]
    bed.run(1200)
    assert bed.on_seconds(fault_s) == []


def test_p22_a_hot_sample_is_not_outdone_by_a_cool_one_of_the_same_tick() -> None:
    """P22: two samples of a probe in one message, or a backlog behind a hot one: off at that tick all the same."""
    bed = warm_bed(SOIL, AIR, SURFACE)
    bed.run(5)
    fault_s = bed.second
    bed.extra = [bed.reading("case", value) for value in (71.0, 30.0)]
    bed.run(3)
    off_at_once("P22", bed, fault_s)
    assert "'case' reads 71.0 Cel" in bed.orders[fault_s][2]
    assert bed.trips == ()


@pytest.mark.parametrize("said", [(41.0, 10.0, 41.0, 10.0), (46.0, 10.0)])
def test_p22_what_latches_does_so_though_a_cool_sample_of_the_same_tick_follows(said: tuple[float, ...]) -> None:
    """P22: a second one in a row or not, or one far over."""
    bed = warm_bed()
    bed.extra = [bed.reading("soil", value) for value in said]
    bed.run(1)
    assert TripKind.SOIL_OVER in {each.kind for each in bed.trips}


@pytest.mark.parametrize(("again_s", "latches"), [(1800, True), (3700, False)])
def test_p22_a_limit_is_no_thermostat(again_s: int, latches: bool) -> None:
    """P22: hot air once more within the hour latches, in a row or not; later it is a first again."""
    bed = warm_bed()
    fault_s = bed.second
    bed.says["air"] = lambda t: 60.0 if t in {fault_s, fault_s + again_s} else 10.0
    bed.run(again_s + 60)
    assert bool(bed.trips) is latches


def test_p25_two_senders_of_one_probe_are_both_refused() -> None:
    """P25: a second sender makes both unbelievable; off within class E and no value of either is used."""
    bed = warm_bed()
    bed.says["soil"] = None
    for _ in range(6):
        bed.extra = [bed.reading("soil", 10.0, "node-one")]
        bed.run(10)
    assert bed.on
    fault_s = bed.second
    for _ in range(60):
        bed.extra = [bed.reading("soil", 10.0, "node-one")]
        bed.run(5)
        bed.extra = [bed.reading("soil", 4.0, "node-two")]
        bed.run(5)
    off_in_time("P25", bed, fault_s)
    assert bed.on_seconds(fault_s + 45) == []
    grades = {verdict.grade for reading, verdict in bed.judged if reading.probe == "soil" and reading.arrived_s > 1180}
    assert grades == {Grade.REFUSED}
    for _ in range(6):
        bed.extra = [bed.reading("soil", 10.0, "node-one")]
        bed.run(10)
    assert bed.on, "one alone is believed again"


def test_p26_a_probe_that_speaks_every_200_s_heats_only_while_it_is_fresh() -> None:
    """P26: 35 s after each word the value is stale, whatever it was."""
    bed = warm_bed()
    fault_s = bed.second
    bed.says["soil"] = lambda t: 10.0 if (t - fault_s) % 200 == 0 else None
    bed.run(800)
    off_in_time("P26", bed, fault_s, unseen_s=0)
    assert {(at - fault_s) % 200 for at in bed.on_seconds(fault_s)} == set(range(36))


def test_p26_no_probe_however_slow_counts_beyond_120_s() -> None:
    """P26: a probe set to a minute is stale after 120 s, not after 185 s."""
    bed = warm_bed({**SOIL, "period_s": 60.0}, AIR)
    last_s, bed.says["soil"] = bed.second - 10, None
    bed.run(300)
    assert max(bed.on_seconds(0)) - last_s == 120


def test_p27_a_flood_is_thinned_and_the_tick_goes_on() -> None:
    """P27: of 100 samples a second few enter; the rest are refused with words, and heat is as before."""
    bed = warm_bed()
    fault_s = bed.second
    for _ in range(60):
        bed.extra = [bed.reading("soil", 10.0) for _ in range(100)]
        bed.tick()
    assert len(bed.on_seconds(fault_s)) == 60
    flood = [verdict for reading, verdict in bed.judged if reading.probe == "soil"][9:]
    assert sum(verdict.grade is Grade.GOOD for verdict in flood) <= 60 / 2.5 + 1
    assert sum("too soon" in verdict.reason for verdict in flood) > 5900
    assert len(bed.state.probes["soil"].recent) < 50


def test_p27_a_flood_does_not_hide_a_rise_of_air() -> None:
    """P27 with E04: 20 samples a second of air that rises 10 K/min latch as ten a minute do."""
    bed = warm_bed()
    for second in range(100):
        bed.extra = [bed.reading("air", 10.0 + second / 6) for _ in range(20)]
        bed.says["air"] = None
        bed.tick()
    assert TripKind.AIR_RISE in {each.kind for each in bed.trips}


def test_p29_heat_does_not_run_without_its_surface_probe() -> None:
    """P29: a heater-surface probe that is configured must be heard; off within class E, back when it speaks."""
    bed = warm_bed(SOIL, AIR, SURFACE)
    fault_s, bed.says["case"] = bed.second, None
    bed.run(120)
    off_in_time("P29", bed, fault_s)
    assert "case" in bed.orders[-1][2]
    bed.says["case"] = 30.0
    bed.run(20)
    assert bed.on
    assert bed.trips == ()


def a_keeper(gains: Gains | None = None, armed: bool = True) -> keeper.Keeper:
    """Return a keeper whose soil is cold and whose node was heard."""
    plan = plan_of()
    plan = plan if gains is None else replace(plan, own_gains=gains)
    return keeper.Keeper(
        plan, enclosure.start(plan, Standing(armed=armed, override_c=20.0)), HeaterLog("larch", 450.0, 230.0)
    )


def feed(one: keeper.Keeper, now: Moment) -> enclosure.Decision:
    """Tick a keeper with sound readings and a report."""
    one.readings = [Reading("larch", probe, 10.0, now.utc_ms, now.utc_ms, now.mono_s) for probe in one.plan.watches]
    one.reports = [NodeReport(now.mono_s, now.utc_ms, False, True, 10.0, None, 0, now.mono_s)]
    return one.tick(Inputs(), now)


def test_c03_an_exception_in_one_enclosure_opens_latches_and_leaves_the_other(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """C03: off at that very tick, sent, latched as internal, journalled; the other enclosure heats on."""
    bad, good, now = a_keeper(), a_keeper(), Moment(1000.0, NOON_MS)
    assert feed(bad, now).order.on
    assert feed(good, now).order.on
    sound = enclosure.step

    def step(plan, state, inputs, at):  # type: ignore[no-untyped-def]
        if state is bad.state:
            raise ZeroDivisionError("seeded")
        return sound(plan, state, inputs, at)

    monkeypatch.setattr(enclosure, "step", step)
    with caplog.at_level(logging.CRITICAL):
        decision = feed(bad, now.later(1))
    seen("C03", LEASE_S if not decision.order.on else math.inf)
    assert (decision.order.on, decision.order.armed, decision.send) == (False, False, True)
    assert [each.kind for each in bad.state.standing.trips] == [TripKind.INTERNAL]
    assert [(each.kind, "seeded" in each.why) for each in decision.entries] == [("trip", True)]
    assert feed(good, now.later(1)).order.on
    monkeypatch.setattr(enclosure, "step", sound)
    assert not feed(bad, now.later(2)).order.on


def test_c06_two_hours_of_silence_leave_no_wind_up() -> None:
    """C06: the integral is gone after stale readings; the first duty is at most bias + gain times error."""
    plan = replace(plan_of(), own_gains=Gains(0.1, 600.0), ramp_k_per_h=20.0)
    bed = Bed(plan, {"soil": 10.0, "air": 10.0})
    bed.run(3000)
    assert bed.state.integral > 0.3
    bed.says["soil"] = None
    bed.run(7200)
    assert (bed.state.duty, bed.state.integral) == (0.0, 0.0)
    bed.says["soil"] = 10.0
    back_s = bed.second
    bed.run(11)
    assert bed.orders[back_s][0] == back_s
    assert bed.state.working_c is not None
    assert bed.state.duty <= 0.1 * (bed.state.working_c - 10.0) + 0.01


@pytest.mark.parametrize("pause_s", [4, 61])
def test_c05_a_pause_of_the_process_starts_afresh(pause_s: int) -> None:
    """C05: after a gap of more than 3 s old values do not count, however young; heat waits for new ones."""
    bed = warm_bed()
    bed.run(1)
    bed.pause(pause_s)
    back_s = bed.second
    bed.run(60)
    assert bed.orders[-60][1] is False
    assert back_s < bed.on_seconds(back_s)[0] <= back_s + 30
    assert bed.on


def test_c07_a_duty_that_is_no_number_is_off_and_a_fault(caplog: pytest.LogCaptureFixture) -> None:
    """C07: no order is ever on, and the fault is latched for a person."""
    one, now = a_keeper(), Moment(1000.0, NOON_MS)
    assert all(feed(one, now.later(second)).order.on for second in range(30))
    one.plan = replace(one.plan, own_gains=Gains(float("nan"), 3600.0))
    with caplog.at_level(logging.CRITICAL):
        on = [feed(one, now.later(second)).order.on for second in range(30, 60)]
    # The duty is a sum of every tenth second: until then the last one stands, and it was a number.
    first_off = on.index(False)
    assert first_off <= 10
    seen("C07", LEASE_S if not any(on[first_off:]) else math.inf)
    assert [each.kind for each in one.state.standing.trips] == [TripKind.INTERNAL]
    assert one.state.duty == 0.0


@pytest.mark.parametrize("value", [60.0, 40.1])
def test_c08_settings_that_loosen_a_limit_are_refused(value: float) -> None:
    """C08: the file is refused with the limit's name; nothing of it is used."""
    with pytest.raises(SettingsError) as fault:
        check(raw_settings(limits={"soil_trip": value}), Path("soilward.toml"))
    assert "limits.soil_trip" in fault.value.faults[0]
    assert "never loosened" in fault.value.faults[0]


def test_c09_a_loop_gone_wrong_never_heats_and_latches(monkeypatch: pytest.MonkeyPatch) -> None:
    """C09: heat asked for 5 K above the set point is refused at once, and latched the second time running."""
    control = heating.control
    monkeypatch.setattr("controller.heating.control", lambda *given: control(*given) or True)
    bed = Bed(plan_of(), {"soil": 15.0, "air": 10.0}, Standing(armed=True, override_c=10.0))
    bed.tick()
    assert bed.orders[0] == (0, False, "heat was asked for above the set point")
    assert bed.trips == ()
    bed.run(60)
    never_on("C09", bed)
    assert [each.kind for each in bed.trips] == [TripKind.INVERTED]  # type: ignore[var-annotated]


@pytest.mark.parametrize("asked_c", [10.0, None])
def test_c09_a_loop_gone_wrong_is_not_believed_before_it_has_taken_up_the_soil(
    monkeypatch: pytest.MonkeyPatch, asked_c: float | None
) -> None:
    """C09: soil that is heard late is compared with what is asked; where nothing is, heat is wrong whatever it is."""
    control = heating.control
    monkeypatch.setattr("controller.heating.control", lambda *given: control(*given) or True)
    bed = Bed(plan_of(), {"soil": None, "air": 10.0}, Standing(armed=True, override_c=asked_c))
    bed.run(30)
    bed.says["soil"] = 15.0
    bed.run(60)
    never_on("C09", bed)
    assert [each.kind for each in bed.trips] == [TripKind.INVERTED]


def test_c14_new_settings_mid_cycle_are_off_until_the_first_full_look() -> None:
    """C14: standing orders are kept, heat waits until probes and node have spoken to the new plan."""
    bed = warm_bed()
    renewed = Bed(plan_of(control={"floor": 6.0}), {"soil": None, "air": None}, bed.state.standing)
    renewed.node_speaks = False
    renewed.run(30)
    renewed.node_speaks = True
    renewed.run(30)
    assert renewed.on_seconds(0) == []
    renewed.says = {"soil": 10.0, "air": None}
    renewed.run(30)
    never_on("C14", renewed, held_s=LEASE_S)
    renewed.says["air"] = 10.0
    renewed.run(30)
    assert renewed.state.standing.armed


@pytest.mark.parametrize("jump_s", [3600, -3600])
@pytest.mark.parametrize("both", [True, False], ids=["both-clocks", "ours-alone"])
def test_t01_a_jump_of_the_wall_clock_changes_no_order(jump_s: int, both: bool) -> None:
    """T01: leases, ages and cycles are monotonic; the orders are those of a run without the jump."""
    calm, jumped = warm_bed(), warm_bed()
    jumped.wall_offset_ms = jump_s * 1000
    if not both:
        jumped.stamp = -float(jump_s)
    jumped.run(900)
    calm.run(900)
    assert jumped.orders == calm.orders
    for bed in (calm, jumped):
        bed.says["soil"] = None
        bed.run(100)
    assert jumped.orders == calm.orders


def test_t03_a_dead_clock_holds_only_the_floor() -> None:
    """T03: in 1970 the schedule waits; without a person's set point the floor is asked for."""
    plan = plan_of(
        schedule=[{"from": "01-01", "set_point": 25.0}],
        control={"floor": 5.0, "gain_per_k": 20.0, "ramp_k_per_h": 20.0},
    )
    for begins_ms, soil_c, asked in ((0, 10.0, 5.0), (NOON_MS, 10.0, 25.0), (0, 3.0, 5.0)):
        bed = Bed(plan, {"soil": soil_c, "air": 10.0}, Standing(armed=True), begins_ms=begins_ms)
        bed.run(120)
        assert bed.state.asked_c == asked
        assert bed.on is (soil_c < asked)


def test_t04_stamps_an_hour_ahead_are_refused() -> None:
    """T04: beyond 60 s ahead nothing is believed; off within class E."""
    bed = warm_bed()
    fault_s, bed.stamp = bed.second, 3600.0
    bed.run(120)
    off_in_time("T04", bed, fault_s)
    assert bed.on_seconds(fault_s + 45) == []
    assert "in the future" in bed.state.probes["soil"].reason


def test_t04_stamps_half_a_minute_ahead_are_filed_at_our_own_time() -> None:
    """T04: from 5 s on our receipt takes the stamp's place, and heat goes on."""
    bed = Bed(plan_of(), {"soil": 10.0, "air": 10.0}, stamp=30.0)
    bed.run(90)
    assert bed.on
    assert all(verdict.taken_ms == reading.arrived_ms for reading, verdict in bed.judged)
    near = Bed(plan_of(), {"soil": 10.0, "air": 10.0}, stamp=4.0)
    near.run(20)
    assert all(verdict.taken_ms == reading.taken_ms for reading, verdict in near.judged)


def test_t05_a_backlog_is_history_and_never_heats() -> None:
    """T05: stamps ten minutes old are kept as history; off within class E, and the fresh value comes after."""
    bed = warm_bed()
    fault_s, bed.stamp = bed.second, -600.0
    bed.run(120)
    off_in_time("T05", bed, fault_s)
    assert bed.on_seconds(fault_s + 45) == []
    late = [verdict.grade for reading, verdict in bed.judged if reading.arrived_s >= 1000 + fault_s]
    assert set(late) == {Grade.HISTORY}


def test_t05_a_whole_backlog_at_once_is_history_too() -> None:
    """T05: sixty old samples in one tick give no control value, though the last one is nearly fresh."""
    bed = Bed(plan_of(), {"soil": None, "air": 10.0})
    bed.run(60)
    now_ms = bed.now.utc_ms
    bed.extra = [bed.reading("soil", 10.0, taken_ms=now_ms - 1000 * (700 - 10 * each)) for each in range(60)]
    bed.run(5)
    assert bed.state.soil_c is None
    assert bed.on_seconds(0) == []


def test_o01_a_set_point_in_fahrenheit_is_refused() -> None:
    """O01: 75 is above 32; the set point stays and the answer names the bound."""
    bed = warm_bed()
    assert "32.0 Cel" in bed.ask("set-point", set_point_c=75.0)
    assert bed.state.standing.override_c == 20.0


@pytest.mark.parametrize("value", [80.0, -300.0, float("inf"), float("nan"), True, "20", [18.0]])
def test_a01_the_controller_refuses_what_the_api_should_have(value: object) -> None:
    """A01: an impossible set point changes nothing, even if it was filed."""
    bed = warm_bed()
    assert bed.ask("set-point", set_point_c=value).startswith("refused")
    assert bed.state.standing.override_c == 20.0


@pytest.mark.parametrize("kind", ["on", "heat", "force-on", "duty"])
def test_a06_a_wish_to_force_heat_is_refused_and_closes_nothing(kind: str) -> None:
    """A06: filed past the interface, over soil warm enough: the controller knows no such wish and heats no second."""
    bed = Bed(plan_of(), {"soil": 25.0, "air": 10.0})
    bed.run(90)
    assert bed.ask(cast(Any, kind), minutes=10, set_point_c=32.0).startswith("refused")
    bed.run(1200)
    never_on("A06", bed)


def test_a02_a_trip_whose_cause_is_present_stays_latched() -> None:
    """A02: refused while the soil is hot, and while the probe is silent; done once it reads cool."""
    bed = warm_bed()
    fault_s, bed.says["soil"] = bed.second, 46.0
    bed.run(20)
    assert bed.ask("reset", trip="soil-over:soil").startswith("refused")
    bed.says["soil"] = None
    bed.run(60)
    assert bed.ask("reset", trip="soil-over:soil").startswith("refused")
    never_on("A02", bed, fault_s)
    bed.says["soil"] = 10.0
    bed.run(20)
    assert bed.ask("reset", trip="soil-over:soil").startswith("trip 'soil-over:soil' reset")
    assert bed.trips == ()


def test_a02_air_that_tripped_must_be_under_the_no_heat_limit() -> None:
    """A02: after a fire trip 45 Cel is still too warm to reset; just under it may be reset."""
    bed = warm_bed()
    bed.says["air"] = 60.0
    bed.run(20)
    assert bed.trips
    bed.says["air"] = 45.0
    bed.run(120)
    for each in bed.trips:
        assert bed.ask("reset", trip=each.name).startswith("refused")
    bed.says["air"] = 44.9
    bed.run(120)
    for each in bed.trips:
        assert "reset; heat may return" in bed.ask("reset", trip=each.name)
    assert bed.trips == ()


def test_a03_the_fourth_reset_in_a_day_is_refused() -> None:
    """A03: three resets of one trip in 24 h; then it waits until a day has passed since the first."""
    bed = warm_bed()
    bed.says["soil"] = lambda t: 46.0 if t % 2000 == 0 else 10.0
    outcomes = []
    for _ in range(4):
        while not bed.trips:
            bed.tick()
        bed.run(30)
        outcomes.append(bed.ask("reset", trip="soil-over:soil").split(":")[0])
    assert outcomes[3] == "refused"
    assert "refused" not in outcomes[:3]
    refused_s, bed.says["soil"] = bed.second, 10.0
    bed.run(3600)
    never_on("A03", bed, refused_s)
    bed.pause(86_400)
    bed.run(30)
    assert bed.ask("reset", trip="soil-over:soil").startswith("trip")


def test_o02_a_reset_without_a_remedy_gives_no_heat_for_5_minutes() -> None:
    """O02: heat returns 300 s after a reset, not before."""
    bed = warm_bed()
    spike_s = bed.second
    bed.says["soil"] = lambda t: 46.0 if t == spike_s else 10.0
    bed.run(60)
    reset_s = bed.second
    bed.ask("reset", trip="soil-over:soil")
    bed.run(2400)
    assert bed.on_seconds(spike_s)[0] - reset_s >= 300
    while bed.second % 10:
        bed.tick()
    again_s, bed.says["soil"] = bed.second, 46.0
    bed.run(2400)
    off_in_time("O02", bed, again_s)
    assert bed.on_seconds(again_s) == []
    assert [each.name for each in bed.trips] == ["soil-over:soil"], "the cause was there, so it latches again"


def test_b01_without_the_broker_there_is_no_heat_and_no_trip() -> None:
    """B01: inhibited at the tick that knows; back by itself once the session stands and probes have spoken."""
    bed = warm_bed()
    fault_s, bed.connected = bed.second, False
    bed.says = {"soil": None, "air": None}
    bed.run(60)
    off_at_once("B01", bed, fault_s, unseen_s=0)
    bed.connected, bed.resumed_s = True, bed.now.mono_s
    bed.run(60)
    assert bed.on_seconds(fault_s) == []
    bed.says = {"soil": 10.0, "air": 10.0}
    bed.run(60)
    assert bed.on
    assert bed.trips == ()


def test_b01_what_waited_in_the_broker_is_not_believed() -> None:
    """B01 B02: unstamped messages that come in a burst after a reconnection are history."""
    bed = Bed(plan_of(), {"soil": None, "air": 10.0}, stamp=None, resumed_s=1000.0)
    for _ in range(3):
        bed.extra = [bed.reading("soil", 10.0) for _ in range(5)]
        bed.tick()
    assert bed.state.soil_c is None
    assert bed.on_seconds(0) == []


def test_r06_a_node_that_is_not_heard_for_10_s_loses_its_lease() -> None:
    """R06: no report for 10 s, no more orders to heat; C + 10 s in all."""
    bed = warm_bed()
    fault_s, bed.node_speaks = bed.second, False
    bed.run(60)
    assert bed.off_after(fault_s) <= 10
    assert bed.on_seconds(fault_s + 10) == []


def test_d01_without_a_journal_there_is_no_heat() -> None:
    """D01 D02 D06: what cannot be recorded is not done; it returns with the journal."""
    bed = warm_bed()
    fault_s, bed.journal_ok = bed.second, False
    bed.run(60)
    assert bed.off_after(fault_s) == 0
    bed.journal_ok = True
    assert bed.run(10).on


@pytest.mark.parametrize("damage", ["byte", "checksum", "empty", "cut", "gone"])
def test_d03_a_damaged_latch_file_is_latched(damage: str, tmp_path: Path) -> None:
    """D03: whatever is wrong with the file, every enclosure starts latched and nothing heats until a person resets."""
    path = tmp_path / "standing.json"
    text = as_text(Kept(3, {"larch": Standing(armed=True, override_c=20.0)}))
    damaged = {"byte": text.replace("20.0", "30.0"), "checksum": "0" + text, "empty": "", "cut": text[:90]}
    if damage in damaged:
        path.write_text(damaged[damage], encoding="utf-8")
    kept = recall(path, ("larch",), first_start=False, now_ms=NOON_MS)
    standing = kept.enclosures["larch"]
    assert [each.kind for each in standing.trips] == [TripKind.LATCHES_LOST]
    assert kept.epoch > 3
    bed = Bed(plan_of(), {"soil": 10.0, "air": 10.0}, replace(standing, armed=True, override_c=20.0)).run(600)
    never_on("D03", bed)


def test_e02_a_shut_tunnel_in_the_sun_is_inhibited_and_not_latched() -> None:
    """E02: 50 and even 60 Cel with the heater long off and the sun up forbid heat and latch nothing."""
    bed = Bed(plan_of(), {"soil": 10.0, "air": 50.0}, Standing(armed=True, override_c=20.0), begins_ms=NOON_MS)
    bed.run(1200)
    bed.says["air"] = lambda t: min(60.0, 50.0 + (t - 1200) / 30)
    bed.run(600)
    assert bed.state.probes["air"].over_count > 10
    assert bed.trips == ()
    never_on("E02", bed)
    lost = [each.name for each in bed.state.permissives if not each.holds]
    assert "air below its no-heat limit" in lost
    bed.says["air"] = 30.0
    cool_s = bed.second
    bed.run(280)
    assert "air below its no-heat limit" in [each.name for each in bed.state.permissives if not each.holds]
    bed.run(60)
    assert all(each.holds for each in bed.state.permissives), cool_s


@pytest.mark.parametrize(("begins_ms", "contact"), [(NOON_MS, True), (NOON_MS - 12 * 3_600_000, False)])
def test_e02_the_same_air_by_night_or_with_heat_on_latches(begins_ms: int, contact: bool) -> None:
    """E02 against E04: 60 Cel with the contact closed, or in the dark, is a fire whatever was ordered."""
    bed = Bed(plan_of(), {"soil": 25.0, "air": 60.0}, Standing(override_c=20.0), begins_ms=begins_ms, contact=contact)
    bed.run(10)
    assert bed.trips == ()
    bed.run(1)
    assert [each.kind for each in bed.trips] == [TripKind.AIR_FIRE]  # type: ignore[var-annotated]


def test_e04_a_fire_latches_within_d_and_a_minute() -> None:
    """E04: 10 K/min from 20 Cel by day with the heater off latches in 90 s less the lease, far from any limit."""
    bed = Bed(plan_of(), {"soil": 25.0, "air": 20.0}, Standing(armed=True, override_c=20.0), begins_ms=NOON_MS)
    bed.run(700)
    fire_s = bed.second
    bed.says["air"] = lambda t: 20.0 + max(0, t - fire_s) / 6
    while not bed.trips:
        bed.tick()
    assert [each.kind for each in bed.trips] == [TripKind.AIR_RISE]
    seen("E04", bed.second - fire_s + LEASE_S)


def test_e04_the_first_sample_of_a_rise_ends_heat_and_the_second_latches() -> None:
    """E04 P22: one may be a spike, so it only ends heat; the words say what is seen."""
    bed = warm_bed()
    begun_s = bed.second
    bed.says["air"] = lambda t: 10.0 if t < begun_s else 30.0
    bed.run(1)
    assert (bed.on, bed.trips) == (False, ())
    assert "20.0 K a minute" in bed.orders[-1][2]
    bed.run(10)
    assert [each.kind for each in bed.trips] == [TripKind.AIR_RISE]
    assert bed.ask("reset", trip="air-rise:air").startswith("refused")
    bed.run(70)
    assert "heat may return" in bed.ask("reset", trip="air-rise:air")


@pytest.mark.parametrize("rate", [8.0, -10.0])
def test_air_that_rises_at_8_k_a_minute_or_falls_is_no_fire(rate: float) -> None:
    """E08 and the limit of 8.33 K/min: neither direction nor a slower rise latches."""
    bed = Bed(plan_of(), {"soil": 25.0, "air": 20.0}, Standing(armed=True), begins_ms=NOON_MS)
    bed.run(100)
    begun_s = bed.second
    bed.says["air"] = lambda t: 20.0 + rate * max(0, t - begun_s) / 60
    bed.run(150)
    assert bed.trips == ()


def test_one_spike_on_soil_does_not_trip_or_end_the_day() -> None:
    """A single sample of +8 K costs one shortest opening, no latch, no half hour."""
    bed = warm_bed()
    spike_s = bed.second
    bed.says["soil"] = lambda t: 18.0 if t == spike_s else 10.0
    bed.run(200)
    assert bed.trips == ()
    assert 10 <= 200 - len(bed.on_seconds(spike_s)) <= 32


@pytest.mark.parametrize("hours", [4, pytest.param(24, marks=pytest.mark.whole)])
@pytest.mark.parametrize(("sigma_k", "believed"), [(0.1, True), (0.3, True), (1.0, False)])
def test_hours_of_soil_noise_latch_nothing(sigma_k: float, believed: bool, hours: int) -> None:
    """I12 and the must-not-trip side: noise for a day latches nothing and starts heat at most 30 times an hour."""
    noise = random.Random(20260301)
    plan = replace(plan_of(), own_gains=Gains(0.5, 10_800.0))
    bed = Bed(plan, {"soil": lambda _: 19.5 + noise.gauss(0.0, sigma_k), "air": 10.0})
    bed.run(hours * 3600)
    assert bed.trips == ()
    assert (bed.state.probes["soil"].quarantined_until_s == float("-inf")) is believed
    starts = [at for (at, on, _), (_, before, _) in zip(bed.orders[1:], bed.orders, strict=False) if on and not before]
    assert all(sum(hour <= at < hour + 3600 for at in starts) <= 30 for hour in range(0, hours * 3600, 3600))
    assert starts or not believed


def test_a_restart_is_off_until_probes_and_node_are_heard() -> None:
    """I8: what was armed stays armed, but the first order is off without news, and latched stays latched."""
    plan = plan_of()
    state = enclosure.start(plan, Standing(armed=True, override_c=20.0))
    _, decision = enclosure.step(plan, state, Inputs(), Moment(1000.0, NOON_MS))
    assert (decision.order.on, decision.order.armed, decision.send) == (False, False, True)
