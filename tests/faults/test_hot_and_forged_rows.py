"""Hazard rows of hot surfaces, forged messages, long pauses and heaters too strong: what each one ends in."""

import json
import time
from pathlib import Path

import pytest

from controller.errors import SettingsError
from controller.load_settings import check
from controller.node.sensors import Fault, ds18b20_c
from controller.safety.lease import Order
from controller.wire.relay import encode_command
from tests.core_site import AIR, SECOND_SOIL, SOIL, SURFACE, raw_settings, warm_bed
from tests.faults.cases import seen
from tests.faults.soon import LEASE_S, never_on, off_at_once, off_in_time
from tests.wire.kit import KEY, STARTS_S, Bench, until

CASE = {**SURFACE, "name": "case"}


@pytest.mark.parametrize("row", ["K08", "H05", "E03"])
def test_a_hot_surface_ends_heat_at_once_and_latches_at_its_second_sample(row: str) -> None:
    """K08 H05 E03: relay box, heater case or film on the heater, each with a surface probe: 70 Cel and no more."""
    bed = warm_bed(SOIL, AIR, CASE)
    fault_s, bed.says["case"] = bed.second, 70.0
    bed.run(1)
    off_at_once(row, bed, fault_s)
    assert bed.trips == ()
    bed.run(10)
    assert [each.name for each in bed.trips] == ["heater-surface-over:case"]  # type: ignore[var-annotated]
    bed.says["case"] = 20.0
    bed.run(3600)
    assert bed.on_seconds(fault_s) == []


def test_a_warm_surface_ends_nothing() -> None:
    """The must-not-act side of K08, H05 and E03: 69.9 Cel is a working heater."""
    bed = warm_bed(SOIL, AIR, CASE)
    fault_s, bed.says["case"] = bed.second, 69.9
    bed.run(600)
    assert len(bed.on_seconds(fault_s)) == 600
    assert bed.trips == ()


def test_t06_eight_hours_of_suspend_start_afresh() -> None:
    """T06: what was believed before it counts no more; heat waits for readings of today."""
    bed = warm_bed()
    bed.pause(8 * 3600)
    woke_s = bed.second
    bed.says["soil"] = None
    bed.run(60)
    never_on("T06", bed, woke_s, held_s=LEASE_S)
    assert bed.state.soil_c is None
    bed.says["soil"] = 10.0
    bed.run(60)
    assert bed.on


def test_e09_a_heater_too_strong_for_its_air_is_refused_by_figure() -> None:
    """E09: 1500 W in 1.9 m3 could rise 39 K/min, and the settings do not load; 300 W do."""
    tunnel = {"length_m": 6.0, "width_m": 0.9, "height_m": 0.45}
    with pytest.raises(SettingsError, match="39 K/min, above the hard limit 25 K/min"):
        check(raw_settings(heater={"kind": "air-heater", "rated_w": 1500.0}, shape=tunnel), Path("soilward.toml"))
    check(raw_settings(heater={"kind": "air-heater", "rated_w": 300.0}, shape=tunnel), Path("soilward.toml"))


@pytest.mark.parametrize(
    ("scratchpad", "fault"),
    [("50054B467FFF0C101C", Fault.POWER_ON), ("000000000000000000", Fault.ALL_ZERO)],
    ids=["W05-power-on-85", "W05-zeros"],
)
def test_w05_a_rippling_supply_gives_no_85_and_no_zero(scratchpad: str, fault: Fault) -> None:
    """W05: both values of a probe that has just been reset are refused at the probe; silence then ends heat (P28)."""
    assert ds18b20_c(bytes.fromhex(scratchpad)) is fault
    bed = warm_bed()
    fault_s, bed.says["soil"] = bed.second, None
    bed.run(100)
    off_in_time("W05", bed, fault_s)


def test_r09_a_forged_cold_reading_ends_heat_rather_than_asking_for_it() -> None:
    """R09: a stranger says 10 Cel over soil of 25: a leap, then two senders; no order to heat follows from it."""
    bed = warm_bed(soil_c=19.0)
    bed.says["soil"] = 25.0
    bed.run(2400)
    forged_s = bed.second
    for _ in range(30):
        bed.extra.append(bed.reading("soil", 10.0, source="stranger"))
        bed.run(10)
    never_on("R09", bed, forged_s)


def test_r09_where_a_forger_cannot_be_told_the_second_probe_still_trips() -> None:
    """R09: one probe is made to lie cold for good; the soil at the other reaches 40 Cel and latches."""
    bed = warm_bed(SOIL, SECOND_SOIL, AIR)
    bed.says["soil"] = 10.0
    bed.says["soil-two"] = 40.0
    begun_s = bed.second
    bed.run(11)
    assert [each.name for each in bed.trips] == ["soil-over:soil-two"]
    off_at_once("R09", bed, begun_s)


FORGERIES: tuple[tuple[bytes | None, int, str], ...] = (
    (b"guessed", 10**9, "unsigned"), (None, 10**9, "unsigned"), (KEY.encode(), 0, "older-epoch"),
)  # fmt: skip
"""Another key, no key, and ours from before: key, epoch, and why the node refuses it."""


def test_r08_a_forged_order_is_refused_and_people_are_told(tmp_path: Path) -> None:
    """R08: nothing closes, the node counts it, and an urgent alert names it; our own orders go on being obeyed."""
    with Bench(tmp_path) as bench:
        until("the node obeys us", lambda: bench.node.core.epoch > 0, STARTS_S)
        until("the controller hears it", lambda: bench.spy.holds("node heard"), 10.0)
        for key, epoch, reason in FORGERIES:
            before = bench.node.core.refused[reason]
            forged = encode_command(Order(True, True, ""), 15.0, epoch, 1, time.time_ns() // 1_000_000, "stranger", key)
            assert json.loads(forged)["on"] is True
            bench.spy.publish("soilward/larch/heater/command", forged)
            seen("R08", bench.closed_for(2.0))
            assert not bench.closed
            assert bench.node.core.refused[reason] == before + 1
        until("people are told", lambda: "foreign-commands" in bench.spy.alerts(), 10.0)
        bench.heat()


@pytest.mark.parametrize(("drops", "rests"), [(1, True), (0, False)])
def test_r10_a_lease_that_lapsed_is_an_opening_and_is_rested_from(drops: int, rests: bool) -> None:
    """R10: the contact that opened by itself closes no sooner than 30 s after it, as after an opening of ours."""
    bed = warm_bed()
    bed.node["drops"] = drops
    lapsed_s = bed.second
    bed.run(120)
    assert (bed.off_after(lapsed_s) if rests else bed.on) == (0 if rests else True)
    again = bed.on_seconds(lapsed_s)
    assert again[0] - lapsed_s == (30 if rests else 0)
