"""Rows of heat that goes astray, each with noise of 0.3 K on every probe, or with a fifth of the readings lost."""

import random
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

import pytest

from controller.plant.construction import TEXTURES
from controller.safety.trip import TripKind
from tests.faults.test_heat_rows import Lagging, creeping, hard_from_s, in_the_air, latched, swapped
from tests.faults.trouble import LEASE_S, Trouble
from tests.heat_site import AIR, CABLE, DEEP, OUTSIDE, SOIL, Bed, Outdoors

MINUTE_S, MOST_IN_A_ROW = 60, 3
COLD: dict[str, Any] = {"weather": Outdoors(lambda _: 2.0), "before": (24.0, 0.0)}
LIVELY_K = 0.03
"""[K] A probe of 1/16 K that is any quieter says one value for half an hour in soil that full heat cannot move."""
LEVELS: dict[str, Any] = {"probes": (SOIL, DEEP, AIR, OUTSIDE), "before": (24.0, 0.3)}
EVERY_TROUBLE = pytest.mark.parametrize(
    "trouble",
    [
        pytest.param(Trouble(noise_k=0.3), id="noise"),
        pytest.param(Trouble(lost_readings=0.2), id="readings-lost"),
        pytest.param(Trouble(lost_readings=0.2, seed=2), id="readings-lost-again", marks=pytest.mark.long),
    ],
)
Says = Callable[[dict[str, float]], float | None]


def troubled(trouble: Trouble, instead: Mapping[str, Says] | None = None, **parts: Any) -> Bed:
    """Return an enclosure in trouble."""
    chance, own = random.Random(trouble.seed), instead or {}

    def heard(name: str) -> Says:
        lost = 0

        def told(real: dict[str, float]) -> float | None:
            nonlocal lost
            value = own[name](real) if name in own else real[name]
            # These probes speak every 30 s, the usual ones every 10 s: more in a row would be no such benign fault.
            lost = lost + 1 if lost < MOST_IN_A_ROW and chance.random() < trouble.lost_readings else 0
            return None if lost else value

        return told

    probes: tuple[dict[str, Any], ...] = parts.pop("probes", (SOIL, AIR, OUTSIDE))
    says = {str(each["name"]): heard(each["name"]) for each in probes}
    return Bed(probes=probes, says=says, noise_k=trouble.noise_k or LIVELY_K, **parts)


def off_in_time(bed: Bed, from_s: int, most_min: float) -> None:
    """The last order that was on is a lease before the time that the row allows."""
    last_s = max([each for each in bed.on_s if each > from_s], default=from_s)
    assert last_s - from_s + LEASE_S <= most_min * MINUTE_S


def creeps(trouble: Trouble) -> Bed:
    """Return an enclosure whose soil probe comes out into the air."""
    box: list[Bed] = []
    parts: dict[str, Any] = {"weather": Outdoors(lambda _: 7.0), "soil_c": 10.0, "before": (72.0, 0.3), "asked_c": 10.5}
    box.append(troubled(trouble, {"soil": creeping(box, 2.0, 1.0)}, **parts))
    return box[0].run(2)


def swaps(trouble: Trouble) -> Bed:
    """Return an enclosure whose soil and air probes are swapped."""
    says: dict[str, Says] = {"soil": lambda real: swapped(real, "soil"), "air": lambda real: swapped(real, "air")}
    return troubled(trouble, says, **COLD)


def elsewhere(trouble: Trouble) -> Bed:
    """Return an enclosure whose relay heats another."""
    return troubled(trouble, heats=lambda _: False, **COLD)


def slow(trouble: Trouble) -> Bed:
    """Return such an enclosure with a probe ten times as slow."""
    return troubled(trouble, {"soil": Lagging()}, heats=lambda _: False, **COLD)


def bare(trouble: Trouble) -> Bed:
    """Return an enclosure whose cable lies in the air."""
    bed = troubled(trouble, weather=Outdoors(lambda _: 2.0), soil_c=12.0, before=(24.0, 0.0), asked_c=4.0,
                   made=in_the_air)  # fmt: skip
    bed.run(1)
    bed.ask(20.0)
    return bed


@EVERY_TROUBLE
@pytest.mark.parametrize(
    ("made", "kind", "most_min"),
    [
        pytest.param(creeps, TripKind.NO_RESPONSE, 180, id="P14-creeps-out"),
        pytest.param(swaps, TripKind.NO_RESPONSE, 180, id="P16-swapped"),
        pytest.param(elsewhere, TripKind.NO_RESPONSE, 180, id="C10-elsewhere"),
        pytest.param(slow, TripKind.NO_RESPONSE, 180, id="P23-slow-probe"),
        pytest.param(bare, TripKind.EXPOSED, 60, id="H06-bare-cable"),
    ],
)
def test_heat_that_goes_astray_and_a_benign_fault_more(
    made: Callable[[Trouble], Bed], kind: TripKind, most_min: float, trouble: Trouble
) -> None:
    """Latched by name within the row's time of hard heating."""
    bed = made(trouble)
    hard_s = hard_from_s(bed)
    bed.run(most_min / 60 + 0.1)
    assert latched(bed) == [kind]
    off_in_time(bed, hard_s, most_min)


@EVERY_TROUBLE
def test_a_welded_relay_and_a_benign_fault_more(trouble: Trouble) -> None:
    """K02: soil that rises in the dark, heater off, latches within 200 min."""
    bed = troubled(trouble, weather=Outdoors(lambda _: 2.0), soil_c=12.0, before=(24.0, 0.3), asked_c=5.0)
    bed.run(2)
    welded_s, bed.heats = bed.second, lambda _: True
    while not bed.trips and bed.second - welded_s <= 200 * MINUTE_S:
        bed.tick()
    assert latched(bed) == [TripKind.UNASKED]


def torn(bed: Bed, _: float) -> None:
    """Leave the film open to the wind."""
    bed.plant.vent = 150.0


@EVERY_TROUBLE
@pytest.mark.parametrize(
    ("parts", "alert"),
    [
        pytest.param({"soil_c": 8.0, "before": (24.0, 1.0), "happens": torn}, "cannot-hold", id="E01-torn-film"),
        pytest.param({"heater": CABLE | {"rated_w": 250.0}, "before": (24.0, 0.6)}, "cannot-hold", id="H07-too-weak"),
        pytest.param({**LEVELS, "made": lambda made: replace(made, texture=TEXTURES["peat-wet"])}, "", id="E05-flood"),
        pytest.param(
            {**LEVELS, "made": lambda made: replace(made, texture=TEXTURES["peat-dry"])}, "", id="E06-dry-peat"
        ),
        pytest.param({"soil_c": 3.0}, "", id="E07-clear-night"),
    ],
)
def test_hard_weather_and_a_benign_fault_more_latch_nothing(
    parts: dict[str, Any], alert: str, trouble: Trouble
) -> None:
    """E01 H07 E05 E06 E07: full heat that does not suffice is said after 6 h; nothing latches."""
    weather = Outdoors(lambda _: -2.0, cloud=0.0 if not alert else 0.7)
    bed = troubled(trouble, weather=weather, asked_c=24.0 if alert else 14.0, **parts).run(10 if alert else 6)
    assert bed.trips == ()
    assert alert in {each.name for each in bed.state.alerts} | {""}
