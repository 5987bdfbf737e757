"""Rows that the pure core's monitors decide: probes that stick, drift, tremble or disagree; nodes that run slow, fall
silent or hold other limits; what people ask for and forget. Beside each fault stands what must not act.
"""

import math
import random
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise
from typing import Any

import pytest

from controller.clock import rfc3339
from controller.control.pid import Gains
from controller.plausibility import STUCK
from controller.report import status_of
from controller.safety.digest import PROGRAMMED
from controller.safety.trip import TripKind
from controller.stamps import CLOCK_STANDS
from controller.standing import Standing
from controller.status import Grade
from tests.core_site import AIR, NIGHT_MS, NOON_MS, SECOND_SOIL, SOIL, SURFACE, Bed, plan_of, warm_bed
from tests.faults.cases import seen
from tests.faults.soon import LEASE_S, off_in_time

BESIDE: dict[str, Any] = {**SECOND_SOIL, "depth_m": 0.1}
AIR_BESIDE: dict[str, Any] = {**AIR, "name": "air-two"}
STEP_K = 0.0625
DUTY_EACH_S = 30.0
"""[s] restated: how often a duty is worked out, and the working set point moves."""


def stuck_bed(*probes: dict[str, Any], **enclosure: Any) -> Bed:
    """Return a bed at work far from its set point, whose probes live until `stuck` is set."""
    bed = warm_bed(*probes) if not enclosure else Bed(plan_of(*probes, **enclosure), {"soil": 10.0, "air": 10.0})
    return bed.run(600)


FAN = {"heater": {"kind": "air-heater", "rated_w": 400.0}}


@pytest.mark.parametrize(
    ("probes", "enclosure", "sticks"),
    [((SOIL, AIR), {}, "soil"), ((SOIL, AIR), FAN, "air"), ((SOIL, AIR, SURFACE), {}, "case")],
    ids=["P10-soil", "P10-air-of-an-air-heater", "P10-heater-surface"],
)
def test_p10_a_probe_that_sticks_while_the_heater_works_ends_heat(
    probes: tuple[dict[str, Any], ...], enclosure: dict[str, Any], sticks: str
) -> None:
    """P10: the same to the last digit for half an hour at work ends heat; one new digit, and it is back."""
    bed = stuck_bed(*probes, **enclosure)
    assert bed.on
    value = 30.0 if sticks == "case" else 10.0
    fault_s, bed.stuck = bed.second, True
    for name in bed.says:
        if name != sticks:
            bed.says[name] = lambda t, lives=bed.says[name]: lives + 1e-9 * (t % 100)  # type: ignore[misc]
    bed.run(2400)
    off_in_time("P10", bed, fault_s)
    assert bed.on_seconds(fault_s + 31 * 60) == []
    assert STUCK in bed.orders[-1][2]
    assert bed.alerts == [], "a pause in heat may yet move it"
    bed.run(1400)
    assert bed.alerts == [f"probe:{sticks}"]
    assert bed.trips == ()
    bed.says[sticks] = value + STEP_K
    assert bed.run(60).on


def test_p10_whatever_the_heater_does_six_hours_are_too_long() -> None:
    """P10: with the heater off, stuck is known after 6 h and not a reading sooner."""
    bed = Bed(plan_of(), {"soil": 25.0, "air": 10.0}, stuck=True)
    bed.run(6 * 3600 + 1)
    assert not any(each.frozen for each in bed.state.probes.values())
    bed.run(10)
    assert all(each.frozen for each in bed.state.probes.values())


def test_p10_steady_soil_under_good_control_is_not_stuck() -> None:
    """P10 must not act: at work near its set point, soil seen in steps of 1/16 K may say one value for hours."""
    plan = replace(plan_of(), own_gains=Gains(0.5, 10_800.0))
    bed = Bed(plan, {"soil": 19.3125, "air": 10.0}, stuck=True)
    bed.run(5 * 3600)
    assert bed.state.duty > 0.2
    assert not any(each.frozen for each in bed.state.probes.values())
    assert bed.alerts == []


def test_p10_a_probe_that_moves_one_step_in_twenty_minutes_is_not_stuck() -> None:
    """P10 must not act: far from its set point too, slow soil moves a step of 1/16 K now and then."""
    bed = warm_bed()
    bed.stuck, bed.says["air"] = True, 3.0
    bed.says["soil"] = lambda t: 10.0 + STEP_K * ((t // 1200) % 2)
    bed.run(3 * 3600)
    assert {why for at, on, why in bed.orders if at > 90 and not on} <= {"no heat wanted now"}


def test_p10_a_silent_probe_is_stale_and_not_stuck() -> None:
    """P10: what says nothing does not say the same thing."""
    bed = stuck_bed(SOIL, AIR)
    bed.says["soil"], bed.stuck = None, True
    bed.run(2400)
    assert not bed.state.probes["soil"].frozen
    assert "gone quiet" in next(each.detail for each in bed.state.alerts if each.name == "probe:soil")


def drift(k_per_h: float, most_k: float, begun_s: int, start: float = 10.0) -> Callable[[float], float]:
    """Return a value that drifts and stays."""
    return lambda t: start + max(-abs(most_k), min(abs(most_k), k_per_h * max(0, t - begun_s) / 3600))


@pytest.mark.parametrize(("apart_k", "noticed"), [(3.3, True), (2.9, False)])
def test_p11_one_of_two_probes_drifts(apart_k: float, noticed: bool) -> None:
    """P11: -3 K apart for ten minutes raises an alert; control takes the warmer, so the soil is never overheated."""
    bed = Bed(plan_of(SOIL, BESIDE, AIR), {"soil": 19.0, "soil-two": 19.0, "air": 10.0})
    bed.run(100)
    bed.says["soil-two"] = drift(-10.0, apart_k, bed.second, 19.0)
    begun_s = bed.second
    bed.run(3600)
    assert ("differ:soil:soil-two" in bed.alerts) is noticed
    assert bed.state.soil_c == pytest.approx(19.0 if noticed else 19.0 - apart_k / 2)
    assert {why for at, on, why in bed.orders if at > begun_s and not on} <= {"no heat wanted now"}
    assert bed.trips == ()


def test_p11_nothing_is_said_before_ten_minutes() -> None:
    """P11: an alert after 600 s, not after 590; a pair at different depths may differ."""
    bed = Bed(plan_of(AIR, AIR_BESIDE, SOIL), {"soil": 15.0, "air": 10.0, "air-two": 10.0})
    bed.run(100)
    bed.says["air-two"] = 13.5
    bed.run(600)
    assert bed.alerts == []
    bed.run(2)
    assert bed.alerts == ["differ:air:air-two"]
    deeper = Bed(plan_of(SOIL, SECOND_SOIL, AIR), {"soil": 10.0, "soil-two": 16.5, "air": 10.0}).run(1500)
    assert (deeper.alerts, deeper.on) == ([], True)


@pytest.mark.parametrize(("apart_k", "acts"), [(6.1, True), (5.9, False)])
def test_p12_two_air_probes_that_disagree_latch(apart_k: float, acts: bool) -> None:
    """P12: more than 6 K for two minutes ends heat within 150 s and latches, air against air."""
    bed = Bed(plan_of(SOIL, AIR, AIR_BESIDE), {"soil": 10.0, "air": 10.0, "air-two": 10.0})
    bed.run(100)
    fault_s, bed.says["air-two"] = bed.second, 10.0 + apart_k
    bed.run(300)
    assert [each.kind for each in bed.trips] == [TripKind.AIR_PROBES_DIFFER] * acts
    if not acts:
        assert bed.on
        return
    off_in_time("P12", bed, fault_s)
    assert "refused" in bed.ask("reset", trip="air-probes-differ")
    bed.says["air-two"] = 10.0
    bed.run(20)
    assert "reset" in bed.ask("reset", trip="air-probes-differ")


def test_p12_two_minutes_of_sun_on_one_air_probe_are_no_fault() -> None:
    """P12 must not act: 110 s apart and together again, over and over."""
    bed = Bed(plan_of(SOIL, AIR, AIR_BESIDE), {"soil": 10.0, "air": 10.0, "air-two": 10.0})
    bed.says["air-two"] = lambda t: 17.0 if t % 130 < 110 else 10.0
    bed.run(3000)
    assert bed.trips == ()


def test_p12_two_soil_probes_that_disagree_end_heat_and_latch_nothing() -> None:
    """P12: soil against soil is a permissive: it comes back when they agree."""
    bed = Bed(plan_of(SOIL, BESIDE, AIR), {"soil": 10.0, "soil-two": 10.0, "air": 10.0})
    bed.run(100)
    begun_s = bed.second
    bed.says["soil-two"] = drift(-48.0, 6.5, begun_s)
    apart_s = begun_s + round(6.0 / 48.0 * 3600)
    bed.run(900)
    # The pair rule sees minutes' means of soil and begins to count late: to the opening that is sent, no lease more.
    seen("P12", bed.off_after(apart_s))
    assert "differ by more than 6 K" in bed.orders[-1][2]
    bed.says["soil-two"] = drift(48.0, 6.5, bed.second, 3.5)
    bed.run(900)
    assert bed.on
    assert bed.trips == ()


@pytest.mark.parametrize("probe", ["soil", "air"])
def test_p21_noise_of_3_k_ends_heat(probe: str) -> None:
    """P21: within 11 min, and for as long as it lasts; never a trip; calm again, it is believed."""
    noise = random.Random(21)
    bed = warm_bed()
    fault_s = bed.second
    bed.says[probe] = lambda _: 10.0 + noise.gauss(0.0, 3.0)
    bed.run(3600)
    off_in_time("P21", bed, fault_s)
    assert bed.on_seconds(fault_s + 11 * 60) == []
    assert f"probe:{probe}" in bed.alerts
    bed.says[probe] = lambda _: 10.0 + noise.gauss(0.0, 0.05)
    bed.run(3000)
    assert bed.on
    assert bed.trips == ()


@pytest.mark.parametrize("hours", [1, pytest.param(3, marks=pytest.mark.whole)])
@pytest.mark.parametrize("shape", ["gauss", "uniform", "to-and-fro"])
@pytest.mark.parametrize("probe", ["soil", "air"])
def test_p21_noise_up_to_1_k_is_not_called_noise(probe: str, shape: str, hours: int) -> None:
    """P21 must not act: rough up to 1 K, of any shape, for hours: it is averaged over ten minutes."""
    noise = random.Random(22)
    wild: dict[str, Callable[[float], float]] = {
        "gauss": lambda _: noise.gauss(0.0, 0.8),
        "uniform": lambda _: noise.uniform(-1.0, 1.0),
        "to-and-fro": lambda t: 1.0 if t // 10 % 2 else -1.0,
    }
    bed = warm_bed()
    bed.says[probe] = lambda t: 10.0 + wild[shape](t)
    bed.run(hours * 3600)
    assert not bed.state.probes[probe].rough


def test_p21_air_that_a_heater_warms_and_lets_cool_is_not_noise() -> None:
    """P21 must not act: a case and its air swing 25 and 12 K with every window, seen once a minute."""
    slow = [{**each, "period_s": 60.0} for each in (SOIL, AIR, SURFACE)]
    bed = Bed(plan_of(*slow, heater={"kind": "air-heater", "rated_w": 400.0}), {})
    swings = {"air": 12.0, "case": 25.0}

    def swinging(probe: str) -> Callable[[int], float]:
        def says(t: float) -> float:
            phase_s = t % 300
            up = 1.0 - math.exp(-min(phase_s, 150) / 90)
            return 10.0 + swings[probe] * (up if phase_s <= 150 else up * math.exp(-(phase_s - 150) / 90))

        return says

    for second in range(7200):
        if second % 60 == 0:
            bed.extra = [
                bed.reading("soil", 10.0 + second * 1e-6),
                *(bed.reading(p, swinging(p)(second)) for p in swings),
            ]
        bed.tick()
    assert not any(each.rough for each in bed.state.probes.values())
    assert bed.alerts == []


@pytest.mark.parametrize(("step_k", "named"), [(0.5, True), (STEP_K, False), (0.1, False)])
def test_p24_a_probe_of_half_kelvins_is_named_and_heats_on(step_k: float, named: bool) -> None:
    """P24: nine changes between whole halves raise an alert; finer steps never do."""
    noise = random.Random(24)
    bed = warm_bed()
    since_s, bed.stuck = bed.second, True
    bed.says["soil"] = lambda t: round((10.0 + t / 3600 + noise.gauss(0.0, 0.2)) / step_k) * step_k
    bed.run(3600)
    assert ("coarse:soil" in bed.alerts) is named
    assert len(bed.on_seconds(since_s)) >= 3600 - 120


@pytest.mark.parametrize(("a_second", "named"), [(100, True), (1, True), (0, False)])
def test_p27_a_probe_that_sends_too_often_is_named(a_second: int, named: bool) -> None:
    """P27: hundredfold or tenfold, refused and named; the tick's own work and heat are as before, and it ends."""
    bed = warm_bed()
    since_s = bed.second
    for _ in range(90):
        bed.extra = [bed.reading("soil", 10.0) for _ in range(a_second)]
        bed.tick()
    assert ("too-often:soil" in bed.alerts) is named
    assert len(bed.on_seconds(since_s)) == 90
    bed.run(300)
    assert bed.alerts == []


@pytest.mark.parametrize("every_s", [10, 11])
def test_p27_a_broker_that_tells_everything_twice_is_no_flood(every_s: int) -> None:
    """P27 must not act: each reading once more, as after a reconnection."""
    bed = warm_bed()
    bed.says["soil"] = None
    for second in range(600):
        if second % every_s == 0:
            bed.extra = [bed.reading("soil", 10.0 + second * 1e-6)] * 2
        bed.tick()
    assert bed.alerts == []
    assert bed.on


@pytest.mark.parametrize("rate", [0.5, 0.85, 1.15, 2.0])
def test_n05_a_node_whose_clock_is_wrong_latches(rate: float) -> None:
    """N05: a clock that counts half the seconds doubles its lease; noticed and off within 75 s."""
    bed = warm_bed()
    fault_s, base_s = bed.second, 1.0 + bed.second
    while not bed.trips and bed.second < fault_s + 200:
        bed.node["uptime_s"] = base_s + (bed.second - fault_s) * rate
        bed.tick()
    assert [each.kind for each in bed.trips] == [TripKind.NODE_CLOCK]
    seen("N05", bed.off_after(fault_s) + LEASE_S / rate)
    assert ("slow" if rate < 1 else "fast") in bed.trips[0].detail
    assert "reset" in bed.ask("reset", trip="node-clock")
    while not bed.trips and bed.second < fault_s + 400:
        bed.node["uptime_s"] = base_s + (bed.second - fault_s) * rate
        bed.tick()
    assert bed.trips, "a reset does not hide it"


@pytest.mark.parametrize("rate", [0.95, 1.0, 1.05])
def test_n05_a_node_whose_clock_is_a_little_off_heats_on(rate: float) -> None:
    """N05 must not act: within a tenth, with reports up to 2 s late, and after restarts of the node."""
    late = random.Random(5)
    bed = warm_bed()
    booted_s, told_s = 0, 0.0
    for second in range(1800):
        if second % 600 == 599:
            booted_s, told_s = bed.second, 0.0
        told_s = max(told_s, (bed.second - booted_s) * rate - late.uniform(0.0, 2.0))
        bed.node["uptime_s"] = told_s
        bed.tick()
    assert bed.trips == ()


def test_n05_reports_that_waited_a_minute_are_not_a_slow_clock() -> None:
    """N05 must not act: a link that stalls and then gives up all its reports, each message a tick of its own."""
    bed = warm_bed()
    waiting: list[float] = []
    for second in range(400):
        now_s = bed.second
        if 100 <= second < 160:
            waiting.append(now_s + 1.0)
            bed.node_speaks = False
            bed.tick()
            continue
        bed.node_speaks = True
        while waiting:
            bed.second, bed.node["uptime_s"] = now_s, waiting.pop(0)
            bed.tick()
        bed.second = now_s
        bed.node.pop("uptime_s", None)
        bed.tick()
    assert bed.trips == ()


def commanded(bed: Bed) -> None:
    """Tick, the shell numbering the commands it sends."""
    sent = bed.state.sent
    bed.tick()
    if bed.state.sent is not sent:
        bed.also["seq"] = bed.also.get("seq", 0) + 1


def test_n07_a_node_that_takes_no_command_is_asked_no_more() -> None:
    """N07: it reports and takes nothing; the order is off within 15 s, and the last lease it took has ended by then."""
    bed = warm_bed()
    taken_s = 0
    for _ in range(30):
        taken_s = bed.second if bed.also.get("seq", 0) != bed.node.get("seq") else taken_s
        bed.node["seq"] = bed.also.get("seq", 0)
        commanded(bed)
    assert bed.on
    fault_s, deaf_at = bed.second, bed.node["seq"]
    for _ in range(60):
        commanded(bed)
    assert bed.also["seq"] > deaf_at
    seen("N07", taken_s + LEASE_S - fault_s)
    assert bed.off_after(fault_s) <= 15
    assert "has not taken a command" in bed.orders[-1][2]
    for _ in range(20):
        bed.node["seq"] = bed.also["seq"]
        commanded(bed)
    assert bed.on
    assert bed.trips == ()


def test_n07_acknowledgements_a_few_seconds_late_heat_on() -> None:
    """N07 must not act: each command is reported 7 s after it was sent."""
    bed = warm_bed()
    told: list[int] = [0] * 7
    for _ in range(600):
        told.append(bed.also.get("seq", 0))
        bed.node["seq"] = told[-7]
        commanded(bed)
        assert bed.on or bed.second < 100


@pytest.mark.parametrize(("limits", "heats"), [("0123456789abcdef", False), (PROGRAMMED, True), ("", True)])
def test_n08_a_node_that_holds_other_limits_gets_no_heat(limits: str, heats: bool) -> None:
    """N08: off at the report that says so, in words; a node that does not say is not asked to."""
    bed = warm_bed()
    fault_s = bed.second
    bed.node["limits"] = limits
    bed.run(30)
    assert bed.on is heats
    if not heats:
        off_in_time("N08", bed, fault_s, unseen_s=0)
        assert "other limits" in bed.orders[-1][2]


def test_a_silent_node_is_unknown_never_off() -> None:
    """R06, B05 and W04: heat ends within 10 s and a lease; after 35 s an urgent alert; its contact is unknown."""
    bed = warm_bed()
    fault_s, bed.node_speaks = bed.second, False
    bed.run(35)
    off_in_time("R06", bed, fault_s, unseen_s=0)
    assert bed.alerts == []
    bed.run(1)
    (alert,) = [each for each in bed.state.alerts if each.name == "node-quiet"]
    assert alert.urgent
    assert (bed.second - fault_s) <= 36
    status = status_of(bed.plan, bed.state, bed.now, 1)
    assert status["heat"]["contact"] is None
    assert "unknown" in alert.detail
    bed.node_speaks = True
    bed.run(2)
    assert bed.alerts == []


@pytest.mark.parametrize(("reports", "amps", "latches"), [(1, 2.0, False), (2, 2.0, True), (5, 0.1, False)])
def test_o04_current_through_an_open_contact_is_seen_by_the_controller_too(
    reports: int, amps: float, latches: bool
) -> None:
    """O04 K01: open by the node's own word, off by ours for longer than a lease, and a current in two reports."""
    bed = Bed(plan_of(), {"soil": 25.0, "air": 10.0})
    bed.run(60)
    bed.node["amps"] = amps
    bed.run(reports)
    bed.node["amps"] = 0.0
    bed.run(5)
    assert [each.name for each in bed.trips] == ["node-fault:current-when-open"] * latches


def test_o04_the_current_of_the_last_lease_is_no_fault() -> None:
    """O04 must not act: for a lease after our opening the contact may still be closed, and its report on its way."""
    bed = warm_bed()
    bed.node["amps"] = 2.0
    bed.contact = False
    bed.says["soil"] = None
    while bed.on:
        bed.tick()
    bed.run(14)
    bed.node["amps"] = 0.0
    bed.run(60)
    assert bed.trips == ()


def test_e08_a_door_opened_is_no_fault_of_the_air_probe() -> None:
    """E08: -10 K in a minute, and back: no fault, no alert, heat as control wants it."""
    bed = warm_bed()
    begun_s = bed.second
    bed.says["air"] = lambda t: 10.0 - 10.0 * min(1.0, (t - begun_s) / 60) if t < begun_s + 900 else 8.0
    bed.run(1500)
    assert bed.alerts == []
    assert bed.trips == ()
    assert len(bed.on_seconds(begun_s)) == 1500
    assert {verdict.grade for reading, verdict in bed.judged if reading.probe == "air"} == {Grade.GOOD}


def test_e10_cold_irrigation_ends_heat_for_half_an_hour_and_latches_nothing() -> None:
    """E10: -4 K in 2 min: off at the first sample a step and a half away, back after half an hour of calm."""
    bed = warm_bed(soil_c=14.0)
    begun_s = bed.second
    bed.says["soil"] = lambda t: 14.0 - 4.0 * (1.0 - 2.7183 ** (-max(0, t - begun_s) / 40))
    step_s = next(t for t in range(begun_s, begun_s + 120, 10) if 14.0 - bed.says["soil"](t) > 1.6)  # type: ignore[operator, misc]
    bed.run(3600)
    off_in_time("E10", bed, step_s)
    assert bed.trips == ()
    back = bed.on_seconds(step_s)
    assert 1800 <= back[0] - step_s <= 2100
    assert "probe:soil" not in bed.alerts


def test_e02_hot_air_by_day_asks_for_open_vents() -> None:
    """E02: above 45 Cel with the heater off: an alert, no trip; over 57 an urgent one: sun or fire."""
    bed = Bed(plan_of(), {"soil": 25.0, "air": 44.9}, begins_ms=NOON_MS)
    bed.run(700)
    assert bed.alerts == []
    bed.says["air"] = lambda t: 45.0 + min(13.0, (t - 700) / 60)
    bed.run(30)
    assert bed.alerts == ["hot-air"]
    bed.run(900)
    assert bed.alerts == ["sun-or-fire", "hot-air"]
    assert next(each for each in bed.state.alerts if each.name == "sun-or-fire").urgent
    assert bed.trips == ()


def test_o03_an_alert_put_aside_comes_back_by_itself() -> None:
    """O03: eight hours are the longest; then it stands as before."""
    bed = Bed(plan_of(SOIL, AIR, AIR_BESIDE), {"soil": 25.0, "air": 10.0, "air-two": 14.0})
    bed.run(700)
    assert "refused" in bed.ask("shelve", alert="differ:air:air-two", hours=8.1)
    assert "put aside" in bed.ask("shelve", alert="differ:air:air-two", hours=8)

    def shelved() -> str | None:
        status = status_of(bed.plan, bed.state, bed.now, 1)
        found: str | None = next(
            each["shelved_until"] for each in status["alerts"] if each["name"] == "differ:air:air-two"
        )
        return found

    put_ms = bed.now.utc_ms - 1000
    assert shelved() == rfc3339(put_ms + 8 * 3_600_000)
    bed.wall_offset_ms += 8 * 3_600_000 - 2000
    assert shelved() is not None
    bed.run(1)
    assert shelved() is None


def test_o03_an_alert_that_needs_somebody_now_cannot_be_put_aside() -> None:
    """O03: the wish is refused, and one put aside before it became urgent is shown again."""
    bed = Bed(plan_of(SOIL, AIR, AIR_BESIDE), {"soil": 25.0, "air": 10.0, "air-two": 14.0})
    bed.run(700)
    bed.ask("shelve", alert="differ:air:air-two", hours=8)
    (alert,) = (each for each in bed.state.alerts if each.name == "differ:air:air-two")
    bed.state = replace(bed.state, alerts=(replace(alert, urgent=True),))
    assert status_of(bed.plan, bed.state, bed.now, 1)["alerts"][0]["shelved_until"] is None
    assert "urgent" in bed.ask("shelve", alert="differ:air:air-two", hours=1)


def test_o03_a_trip_cannot_be_put_aside() -> None:
    """O03: a trip is not an alert."""
    bed = warm_bed()
    bed.says["soil"] = 46.0
    bed.run(20)
    assert "refused" in bed.ask("shelve", alert="soil-over:soil", hours=1)
    assert bed.state.standing.shelved == ()


@pytest.mark.parametrize("minutes", [60, 5])
def test_o06_someone_at_work_gets_no_heat_and_leaves_it_disarmed(minutes: int) -> None:
    """O06: off at once, for at most 60 min; over, it stays off until someone arms it."""
    bed = warm_bed()
    fault_s = bed.second
    assert "disarmed after that" in bed.ask("at-work", minutes=minutes)
    off_in_time("O06", bed, fault_s, unseen_s=0)
    bed.run(minutes * 60 - 2)
    assert bed.state.standing.armed
    bed.run(600)
    assert bed.on_seconds(fault_s) == []
    assert not bed.state.standing.armed
    assert [each.kind for each in bed.entries].count("disarmed") == 1
    assert "armed" in bed.ask("arm")
    assert bed.run(60).on


def test_o06_nobody_is_forgotten_longer_than_an_hour() -> None:
    """O06: 61 min, nothing and nonsense are refused, and heat goes on."""
    bed = warm_bed()
    for minutes in (60.1, 0, -5, "60", True, None, float("nan"), float("inf")):
        assert bed.ask("at-work", minutes=minutes).startswith("refused")
    assert bed.run(5).on


def test_o06_whoever_is_done_early_arms_it() -> None:
    """O06: arming ends the time of work."""
    bed = warm_bed()
    bed.ask("at-work", minutes=60)
    bed.run(30)
    bed.ask("arm")
    assert bed.state.standing.at_work_until_ms is None
    assert bed.run(60).on


@pytest.mark.parametrize(
    ("days", "named", "arms"),
    [(399.9, False, True), (400.1, True, True), (413.9, True, True), (414.1, True, False)],
)
def test_o07_an_overdue_proof_test_is_named_and_then_refuses_arming(days: float, named: bool, arms: bool) -> None:
    """O07: an alert from the day it is due, no new arming from two weeks later; what is armed heats on."""
    proved_ms = NIGHT_MS - round(days * 86_400_000)
    bed = warm_bed(standing=Standing(armed=True, override_c=20.0, proved_ms=proved_ms))
    assert ("proof-test" in [each.name for each in bed.state.alerts]) is named
    assert bed.on
    bed.ask("disarm")
    assert bed.ask("arm").startswith("refused") is not arms
    if not arms:
        bed.state.standing = replace(bed.state.standing, proved_ms=NIGHT_MS)
        assert bed.ask("arm").startswith("armed")


@pytest.mark.parametrize(
    ("closings", "named", "arms"),
    [(79_990, False, True), (80_000, True, True), (100_000, True, True), (100_001, True, False)],
)
def test_k07_a_worn_relay_is_named_and_then_refuses_arming(closings: int, named: bool, arms: bool) -> None:
    """K07: an alert from 80 % of its life, no arming beyond it; a new relay counts from nothing."""
    bed = Bed(plan_of(), {"soil": 25.0, "air": 10.0}, Standing(closings=closings))
    bed.run(20)
    assert ("relay-worn" in bed.alerts) is named
    assert bed.ask("arm").startswith("refused") is not arms
    bed.state.standing = replace(bed.state.standing, fitted_at=bed.state.standing.closings)
    assert bed.state.standing.relay_closings == 0
    bed.run(2)
    assert bed.alerts == []
    assert bed.ask("arm").startswith("armed")


def test_k07_each_closing_is_counted_once() -> None:
    """K07: as the node reports them, not as they are ordered."""
    bed = warm_bed()
    before = bed.state.standing.closings
    for closed in (False, True, True, False, True):
        bed.contact = closed
        bed.run(5)
    assert bed.state.standing.closings == before + 2


def test_d04_a_broken_chain_holds_heat_off_until_a_person_acknowledges_it() -> None:
    """D04: no heat, an urgent alert; another break than the acknowledged one holds it off again."""
    bed = warm_bed()
    bed.also["broken_at"] = 17
    bed.run(5)
    assert not bed.on
    assert bed.alerts == ["journal-broken"]
    assert "acknowledged" in bed.ask("acknowledge", sequence=17)
    assert bed.run(40).on
    bed.also["broken_at"] = 9
    bed.run(5)
    assert not bed.on
    assert "entry 9" in bed.orders[-1][2]


@pytest.mark.parametrize("age_s", [0, 3600])
def test_a08_an_emergency_stop_latches_at_once(age_s: int) -> None:
    """A08: off and K2 open in the tick that sees it, however old the wish; heat waits for a person and 5 min."""
    bed = warm_bed()
    fault_s, bed.wall_offset_ms = bed.second, age_s * 1000
    assert bed.ask("stop").startswith("stopped")
    off_in_time("A08", bed, fault_s, unseen_s=0)
    assert not bed.state.order.armed
    assert [each.kind for each in bed.trips] == [TripKind.STOPPED]
    bed.run(1200)
    bed.ask("arm")
    assert bed.on_seconds(fault_s) == []
    reset_s = bed.second
    assert "reset" in bed.ask("reset", trip="stopped-by-person")
    bed.run(400)
    assert bed.on_seconds(fault_s)[0] - reset_s >= 300


@pytest.mark.parametrize(
    "begins",
    [datetime(2026, 3, 29, 0, 30, tzinfo=UTC), datetime(2026, 10, 25, 0, 30, tzinfo=UTC)],
    ids=["T02-spring-forward", "T02-back-in-autumn"],
)
def test_t02_an_hour_lost_or_given_twice_changes_no_heat(begins: datetime) -> None:
    """T02: through the change of the clocks the orders are those of a plain night, and a ramp goes on as it went."""
    day = begins.strftime("%m-%d")
    plan = plan_of(
        schedule=[{"from": "01-01", "set_point": 10.0}, {"from": day, "set_point": 20.0, "ramp_h": 12.0}],
        control={"gain_per_k": 0.5, "integral_h": 3.0, "ramp_k_per_h": 2.0},
    )
    bed = Bed(plan, {"soil": 9.5, "air": 5.0}, Standing(armed=True), begins_ms=round(begins.timestamp() * 1000))
    asked, working = [], []
    for _ in range(2 * 3600):
        bed.tick()
        asked.append(bed.state.asked_c or 0.0)
        working.append(bed.state.working_c or 0.0)
    moves = [after - before for before, after in pairwise(asked)]
    assert max(moves) <= 10.0 / 12.0 / 3600 * 1.01
    assert min(moves) >= 0.0
    assert asked[-1] - asked[0] == pytest.approx(2 * 10.0 / 12.0, rel=0.01)
    assert max(after - before for before, after in pairwise(working[60:])) <= 2.0 * DUTY_EACH_S / 3600 * 1.01


def test_t05_a_backlog_that_comes_while_all_is_well_changes_nothing() -> None:
    """T05 must not act: an hour of old readings between the new ones, and control goes on with the new."""
    bed = warm_bed()
    since_s = bed.second
    for number in range(300):
        bed.extra = [bed.reading("soil", 4.0, taken_ms=bed.now.utc_ms - 3_600_000 + number * 10_000)]
        bed.tick()
    assert len(bed.on_seconds(since_s)) == 300
    assert bed.state.soil_c == pytest.approx(10.0)


def test_t07_a_probe_whose_clock_stands_still_is_refused() -> None:
    """T07: the same stamp again and again; off within class E, in words, and believed when its clock runs."""
    bed = warm_bed()
    fault_s, bed.says["soil"], stamp_ms = bed.second, None, bed.now.utc_ms
    for second in range(120):
        if second % 10 == 0:
            bed.extra = [bed.reading("soil", 10.0 + second * 1e-6, taken_ms=stamp_ms)]
        bed.tick()
    off_in_time("T07", bed, fault_s, unseen_s=0)
    assert CLOCK_STANDS in bed.orders[-1][2]
    assert [verdict.reason for reading, verdict in bed.judged if reading.probe == "soil"][-10:] == [CLOCK_STANDS] * 10
    bed.says["soil"] = 10.0
    assert bed.run(60).on


def test_t07_a_probe_without_stamps_is_exempt() -> None:
    """T07 must not act: no stamp is no clock that stands."""
    bed = Bed(plan_of(), {"soil": 10.0, "air": 10.0}, stamp=None)
    bed.run(600)
    assert bed.on
    assert bed.alerts == []


@pytest.mark.parametrize("hours", [2, pytest.param(4, marks=pytest.mark.whole)])
@pytest.mark.parametrize("most_k", [0.2, 0.5, 1.0])
def test_c13_noise_up_to_1_k_does_not_chatter(most_k: float, hours: int) -> None:
    """C13 I12: uniform noise on soil that hovers about its set point: at most 30 starts in any hour, none too short."""
    noise = random.Random(13)
    plan = replace(plan_of(), own_gains=Gains(20.0, 1800.0))
    bed = Bed(plan, {"soil": lambda _: 20.0 + noise.uniform(-most_k, most_k), "air": 10.0})
    bed.run(hours * 3600)
    changes = [at for (at, on, _), (_, was, _) in zip(bed.orders[1:], bed.orders, strict=False) if on is not was]
    starts = [at for at, on, _ in bed.orders if on and not bed.orders[at - 1][1]]
    assert len(starts) > 5 or most_k == 1.0
    assert all(sum(start <= each < start + 3600 for each in starts) <= 30 for start in starts)
    assert min(after - before for before, after in pairwise(changes)) >= 10


@pytest.mark.parametrize("most_k", [0.1, 0.2, 0.5, 1.0])
def test_c13_noise_about_the_warmest_soil_that_is_heated_does_not_chatter(most_k: float) -> None:
    """C13 I12: where soil 2 K above its set point is heated no more, but frost asks for heat: at most 30 starts."""
    noise = random.Random(1)
    outside = {"name": "outside", "quantity": "outside", "height_m": 1.5}
    plan = plan_of(SOIL, AIR, outside, control={"gain_per_k": 0.02, "integral_h": 100.0, "window_s": 300.0})
    bed = Bed(plan, {"soil": lambda _: 22.0 + noise.uniform(-most_k, most_k), "air": 10.0, "outside": -10.0})
    bed.run(2 * 3600)
    starts = [at for (at, on, _), (_, was, _) in zip(bed.orders[1:], bed.orders, strict=False) if on and not was]
    assert len(starts) > 5
    assert all(sum(start <= each < start + 3600 for each in starts) <= 30 for start in starts)
