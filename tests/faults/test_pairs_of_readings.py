"""Rows of what probes say and when, each with one benign fault more: the reaction and its time still hold."""

import random
from collections.abc import Callable
from typing import Any

import pytest

from controller.safety.trip import TripKind
from controller.standing import Standing
from tests.core_site import AIR, NOON_MS, SECOND_SOIL, SOIL, SURFACE, Says, plan_of
from tests.faults.trouble import EVERY_TROUBLE, Each, Pair, Trouble, TroubledBed, troubled_bed

D_S, E_S = 30, 60
"""[s] classes of the hazard table, restated."""
BESIDE: dict[str, Any] = {**SECOND_SOIL, "depth_m": 0.1}
AIR_BESIDE: dict[str, Any] = {**AIR, "name": "air-two"}
SOIL_OVER, FIRE = frozenset({TripKind.SOIL_OVER}), frozenset({TripKind.AIR_FIRE})
RISE, CASE_OVER = frozenset({TripKind.AIR_RISE}), frozenset({TripKind.SURFACE_OVER})


def says(probe: str, value: Says, still: bool = False) -> Callable[[TroubledBed], None]:
    """Return what makes a probe say something else."""

    def begin(bed: TroubledBed) -> None:
        bed.says[probe] = value
        bed.still |= {probe} if still else set()

    return begin


def moves(probe: str, path: Callable[[float], float]) -> Callable[[TroubledBed], None]:
    """Return what makes a probe follow a path in the seconds since the fault."""

    def begin(bed: TroubledBed) -> None:
        begun_s = bed.second
        bed.says[probe] = lambda t: path(t - begun_s)

    return begin


def sticks(bed: TroubledBed) -> None:
    """Let soil say the same to the last digit; air lives."""
    bed.stuck, bed.still = True, {"soil"}
    bed.says["air"] = lambda t: 10.0 + 1e-9 * (t % 100)


def stamped(offset_s: float) -> Callable[[TroubledBed], None]:
    """Return what shifts the probes' stamps."""
    return lambda bed: setattr(bed, "stamp", offset_s)


def clock_stands(bed: TroubledBed) -> Each:
    """Let the soil probe give the same stamp again and again."""
    stamp_ms, bed.says["soil"] = bed.now.utc_ms, None

    def each() -> None:
        if bed.second % 10 == 0:
            bed.extra = [bed.reading("soil", 10.0 + bed.second * 1e-6, taken_ms=stamp_ms)]

    return each


def two_senders(bed: TroubledBed) -> Each:
    """Let two nodes tell the same probe, five seconds apart."""
    bed.says["soil"] = None

    def each() -> None:
        if bed.second % 5 == 0:
            one = bed.second % 10 == 0
            bed.extra = [bed.reading("soil", 10.0 if one else 4.0, "node-one" if one else "node-two")]

    return each


def floods(bed: TroubledBed) -> Each:
    """Let soil be told a hundred times a second."""
    return lambda: bed.extra.extend(bed.reading("soil", 10.0) for _ in range(100))


def coarse(bed: TroubledBed) -> None:
    """Let soil be told in half kelvins."""
    noise, bed.stuck, bed.still = random.Random(24), True, {"soil"}
    bed.says["soil"] = lambda t: round((10.0 + t / 3600 + noise.gauss(0.0, 0.2)) * 2) / 2


def rough(bed: TroubledBed) -> None:
    """Let soil tremble by 3 K."""
    noise = random.Random(21)
    bed.says["soil"] = lambda _: 10.0 + noise.gauss(0.0, 3.0)


def forged(bed: TroubledBed) -> Each:
    """Let one probe be made to lie cold, and the soil at the other grow too hot."""
    bed.says["soil"], bed.says["soil-two"] = 10.0, 42.0
    return lambda: None


def on(*probes: dict[str, Any], **parts: Any) -> Callable[[Trouble], TroubledBed]:
    """Return what makes a bed with these probes."""
    return lambda trouble: troubled_bed(trouble, *probes, **parts)


def unheated(**values: float) -> Callable[[Trouble], TroubledBed]:
    """Return what makes a bed at noon that is warmer than asked for."""

    def bed_of(trouble: Trouble) -> TroubledBed:
        standing = Standing(armed=True, override_c=20.0)
        bed = TroubledBed(plan_of(), {"soil": 25.0, "air": 20.0, **values}, standing, NOON_MS, trouble=trouble)
        bed.troubled = True
        bed.run(700)
        return bed

    return bed_of


TWO_SOILS, TWO_AIRS, WITH_CASE = on(SOIL, BESIDE, AIR), on(SOIL, AIR, AIR_BESIDE), on(SOIL, AIR, SURFACE)
SILENCE = "P01-P02-P03-P07-P08-P09-P18-P19-P20-P28-W05-silence"
WARM = Standing(armed=True, override_c=30.0)

PAIRS = [
    pytest.param(Pair(says("soil", None), E_S), id=SILENCE),
    pytest.param(Pair(says("soil", 127.94), E_S), id="P05-low-supply"),
    pytest.param(Pair(says("soil", -127.0), E_S), id="P06-absent"),
    pytest.param(Pair(says("case", None), E_S, bed=WITH_CASE), id="P29-surface-lost"),
    pytest.param(Pair(two_senders, E_S), id="P25-two-senders"),
    pytest.param(Pair(stamped(3600.0), E_S), id="T04-an-hour-ahead"),
    pytest.param(Pair(stamped(-600.0), E_S), id="T05-ten-minutes-old"),
    pytest.param(Pair(clock_stands, E_S), id="T07-clock-stands"),
    pytest.param(Pair(says("soil", 85.0), D_S, "soil", SOIL_OVER), id="P04-genuine-85"),
    pytest.param(Pair(says("soil", 0.0), D_S, "soil", lasts_s=1500), id="P13-into-the-cold"),
    pytest.param(Pair(says("soil", 25.0), D_S, "soil"), id="P15-on-the-cable"),
    pytest.param(
        Pair(says("soil", 41.5), D_S, "soil", SOIL_OVER, bed=on(SOIL, AIR, soil_c=26.0, standing=WARM)),
        id="P15-on-the-hot-cable",
    ),
    pytest.param(Pair(says("soil", 68.0), D_S, "soil", SOIL_OVER), id="P17-fahrenheit"),
    pytest.param(Pair(says("air", 60.0), D_S, "air", FIRE, may_latch=RISE), id="P22-hot-air-again"),
    pytest.param(Pair(forged, D_S, "soil-two", SOIL_OVER, bed=TWO_SOILS), id="R09-forged-cold"),
    pytest.param(Pair(says("case", 72.0), D_S, "case", CASE_OVER, bed=WITH_CASE), id="K08-H05-E03-hot-surface"),
    pytest.param(Pair(moves("soil", lambda s: 10.0 - min(4.0, s / 30)), 120 + D_S), id="E10-cold-irrigation"),
    pytest.param(Pair(sticks, 31 * 60, lasts_s=2000), id="P10-stuck"),
    pytest.param(Pair(rough, 11 * 60, lasts_s=1800, told=frozenset({"probe:soil"})), id="P21-noise-of-3-K"),
    pytest.param(
        Pair(says("air-two", 18.0), 150, "air-two", frozenset({TripKind.AIR_PROBES_DIFFER}), RISE, bed=TWO_AIRS),
        id="P12-air-against-air",
    ),
    pytest.param(
        Pair(moves("soil-two", lambda s: 10.0 - min(8.0, s / 225)), 1800 + 150, bed=TWO_SOILS, lasts_s=2400),
        id="P12-soil-against-soil",
    ),
    pytest.param(
        Pair(moves("soil-two", lambda s: 10.0 - min(4.5, s / 400)), None, bed=TWO_SOILS, lasts_s=3000,
             told=frozenset({"differ:soil:soil-two"})),
        id="P11-drift",
    ),
    pytest.param(Pair(coarse, None, told=frozenset({"coarse:soil"}), lasts_s=1800), id="P24-half-kelvins"),
    pytest.param(Pair(floods, None, told=frozenset({"too-often:soil"}), lasts_s=120), id="P27-flood"),
    pytest.param(Pair(moves("air", lambda s: 10.0 - min(10.0, s / 6)), None), id="E08-door"),
    pytest.param(
        Pair(moves("air", lambda s: 20.0 + s / 6), 0.0, latches=RISE, may_latch=FIRE, lasts_s=120, bed=unheated()),
        id="E04-fire",
    ),
    pytest.param(
        Pair(says("air", 52.0), 0.0, told=frozenset({"hot-air"}), lasts_s=900, bed=unheated(air=48.0)), id="E02-sun"
    ),
]  # fmt: skip


@EVERY_TROUBLE
@pytest.mark.parametrize("pair", PAIRS)
def test_a_fault_of_the_readings_and_a_benign_one_more(pair: Pair, trouble: Trouble) -> None:
    """Off in the time of the row, latched or not as it says, told; and no heat without news of the soil."""
    pair.holds(trouble)


@EVERY_TROUBLE
def test_one_hot_sample_and_a_benign_fault_more_end_heat_for_minutes_and_latch_nothing(trouble: Trouble) -> None:
    """P22: off at the first that comes, one alone; back within seven minutes."""
    bed = troubled_bed(trouble)
    fault_s, bed.says["air"] = bed.second, 60.0
    while bed.state.probes["air"].over_count == 0:
        bed.tick()
        assert bed.second < fault_s + 120
    heard_s, bed.says["air"] = bed.second - 1, 10.0
    bed.run(480)
    assert bed.heard_s(fault_s, "air") == heard_s
    assert bed.on_seconds(heard_s, heard_s + 300) == []
    assert bed.on_seconds(heard_s + 300)
    assert bed.trips == ()


@EVERY_TROUBLE
def test_a_probe_that_speaks_every_200_s_and_a_benign_fault_more(trouble: Trouble) -> None:
    """P26: heat only while it is fresh, whatever of it comes through."""
    bed = troubled_bed(trouble)
    fault_s = bed.second
    bed.says["soil"] = lambda t: 10.0 if (t - fault_s) % 200 == 0 else None
    bed.run(1000)
    assert len(bed.on_seconds(fault_s)) < 1000 / 4
    assert bed.trips == ()
