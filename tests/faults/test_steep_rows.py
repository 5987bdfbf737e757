"""Rows of air that rises as its heater cannot make it: fires slower than the fixed limit, and what is no fire.

An enclosure with an air heater, proved: its steepest minute was measured. The physics of a simulated one under the real
tick where nature is to make nothing of it.
"""

import math
from dataclasses import replace
from typing import Any

import pytest

from controller.plan import plan_for
from controller.plant.construction import Construction
from controller.proving.commissioned import Answer, judged_by
from controller.safety.trip import TripKind
from controller.standing import Standing
from tests import core_site
from tests.faults.cases import seen
from tests.heat_site import AIR, FAN, GLASS, NOON_MS, OUTSIDE, SOIL, Bed, Outdoors

STEEPEST_K_PER_MIN = 1.5
PROVED = Answer(80.0, FAN["rated_w"] / 230.0, STEEPEST_K_PER_MIN)
"""How this heater's pulse is answered in this glasshouse, by simulation: so 6.0 K/min are too much with heat on."""

RIDGE: dict[str, Any] = {"name": "ridge", "quantity": "air", "height_m": 1.9}
LEASE_S = 15


def heated(answer: Answer | None, rate: float, begins_ms: int = core_site.NIGHT_MS) -> core_site.Bed:
    """Return an enclosure at full heat whose air begins to rise [K/min] at its second 700."""
    settings = core_site.settings_of(SOIL, AIR, heater=FAN, shape=GLASS)
    plan = judged_by(plan_for(settings, settings.enclosure[0]), settings.enclosure[0], answer)
    rising: dict[str, core_site.Says] = {"soil": 10.0, "air": lambda t: 10.0 + rate * max(0, t - 700) / 60}
    bed = core_site.Bed(plan, rising, Standing(armed=True, override_c=20.0), begins_ms=begins_ms)
    bed.run(700)
    assert bed.on
    return bed


@pytest.mark.parametrize("begins_ms", [core_site.NIGHT_MS, core_site.NOON_MS], ids=["night", "noon"])
@pytest.mark.parametrize("rate", [6.1, 8.0])
def test_e04_a_fire_slower_than_the_fixed_limit_latches_where_the_heater_is_proved(rate: float, begins_ms: int) -> None:
    """E04: with heat on, 6.1 K/min ends it at the first value and latches at the second, by day as by night."""
    bed = heated(PROVED, rate, begins_ms)
    while bed.on:
        bed.tick()
    off_s = bed.second - 700
    assert bed.trips == ()
    assert "which is not the heater" in bed.orders[-1][2]
    bed.run(10)
    (latched,) = bed.trips  # type: ignore[misc]
    assert (latched.kind, latched.limit) == (TripKind.AIR_RISE, 6.0)
    seen("E04", off_s + LEASE_S)
    bed.run(600)
    assert not bed.on


@pytest.mark.parametrize(("answer", "rate"), [(None, 8.0), (PROVED, 5.9)], ids=["never-proved", "under-the-limit"])
def test_the_same_air_latches_nothing_under_the_limit_that_holds(answer: Answer | None, rate: float) -> None:
    """Without a proof test the fixed limit alone stands; and up to its own limit a proved heater is believed."""
    bed = heated(answer, rate)
    bed.run(240)
    assert bed.trips == ()


def shut(built: Construction) -> Construction:
    """Nobody opens it and it has no vent: dark, dry mulch, as hot in the sun as one gets."""
    return replace(built, vent_opens_c=None, contents_light=0.75, soil_light=0.2, wet_fraction=0.0)


def sun_rises(hours: float) -> float:
    """From dawn to 900 W/m2 within four hours."""
    return 900.0 * math.sin(min(hours / 4.0, 1.0) * math.pi / 2.0)


def clouds_pass(hours: float) -> float:
    """Out of shade into 950 W/m2, every quarter of an hour."""
    return 950.0 if int(hours * 8) % 2 else 100.0


def door(bed: Bed, hours: float) -> None:
    """Wide open for ten minutes in every two hours, then for an hour."""
    bed.plant.vent = 100.0 if hours % 2.0 < 1 / 6 or 5.0 < hours < 6.0 else 0.0


NATURE: dict[str, dict[str, Any]] = {
    "sun-on-a-shut-house": {"weather": Outdoors(lambda _: 2.0, sun_rises), "made": shut},
    "clouds": {"weather": Outdoors(lambda _: 2.0, clouds_pass), "made": shut},
    "door": {"weather": Outdoors(lambda _: -8.0), "happens": door},
    "door-and-clouds": {"weather": Outdoors(lambda _: 2.0, clouds_pass), "happens": door, "made": shut},
    "cold-start": {"weather": Outdoors(lambda _: -15.0), "soil_c": 4.0, "before": (24.0, 0.0)},
}


@pytest.mark.parametrize("nature", NATURE)
@pytest.mark.parametrize(
    ("rated_w", "shape", "slope"),
    [
        (1500.0, GLASS, 1.5),
        pytest.param(500.0, GLASS, 0.6, marks=pytest.mark.whole),
        (1500.0, {"length_m": 6.0, "width_m": 3.0, "height_m": 2.0}, 0.55),
        pytest.param(
            400.0,
            {"kind": "store", "cover": "opaque", "length_m": 4.0, "width_m": 3.0, "height_m": 2.2},
            0.25,
            marks=pytest.mark.whole,
        ),
    ],
    ids=["strong", "weak", "tunnel", "store"],
)
def test_what_a_sound_heater_sun_and_doors_do_is_no_fire(
    nature: str, rated_w: float, shape: dict[str, Any], slope: float
) -> None:
    """The sun on a shut house, clouds that pass, a door, a start from cold: with heat on all the while, no trip."""
    bed = Bed(
        heater={**FAN, "rated_w": rated_w}, shape=shape, probes=(SOIL, AIR, RIDGE, OUTSIDE), start_ms=NOON_MS,
        asked_c=28.0, noise_k=0.06, answer=Answer(100.0, rated_w / 230.0, slope), **NATURE[nature],
    )  # fmt: skip
    assert bed.plan.steepest_k_per_min is not None
    bed.run(8)
    assert bed.trips == ()
    assert len(bed.on_s) > 0.4 * 8 * 120, "it was not heated"
