"""What three days of readings teach about an enclosure that geometry has guessed wrong."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from controller.control.model_of import model_of
from controller.control.stepping import rise_k
from controller.control.thermal import ThermalModel
from controller.planning.learning import learn
from controller.plant.construction import TEXTURES, Construction, HeaterKind
from controller.plant.identify import FREE, NotExcitedError, identify, lacking
from tests.identified_site import enclosed, logged
from tests.thermal_site import AIR, CABLE, facts, lived, with_gaps

BOTH = pytest.mark.parametrize("guess", [CABLE, AIR], ids=["cable", "air"])


def other(guess: ThermalModel) -> ThermalModel:
    """Return an enclosure that geometry has guessed wrong by 20 to 50 %."""
    return replace(
        guess,
        loss_w_k=guess.loss_w_k * 1.4,
        upper_bed_w_k=guess.upper_bed_w_k * 0.75,
        bed_j_k=guess.bed_j_k * 1.2,
        bed_lower_w_k=guess.bed_lower_w_k * 1.5,
        soil_sun_m2=guess.soil_sun_m2 * 0.7,
    )


@BOTH
def test_what_control_needs_is_found_where_geometry_was_wrong(guess: ThermalModel) -> None:
    """Rise by a day of full heat: within 10 % of the truth, where the guess was off by more; most intervals hold."""
    true = other(guess)
    found = identify(lived(true, 3.0), guess)
    wanted, guessed = rise_k(true, 1800.0, 48).sum(), rise_k(guess, 1800.0, 48).sum()
    assert found.figures["rise_24h_k"].value == pytest.approx(wanted, rel=0.1)
    assert abs(guessed / wanted - 1.0) > 0.12
    assert found.soil_misfit_k < 0.2
    inside = [found.figures[name].low <= getattr(true, name) <= found.figures[name].high for name in FREE]
    assert sum(inside) >= 0.8 * len(inside)


def test_gaps_in_the_readings_do_no_harm() -> None:
    """Every fourth reading of soil and air missing."""
    true, log = other(CABLE), lived(other(CABLE), 3.0)
    gone = replace(log, soil_c=with_gaps(log.soil_c, 4), air_c=with_gaps(log.air_c, 4))
    wanted = rise_k(true, 1800.0, 48).sum()
    assert identify(gone, CABLE).figures["rise_24h_k"].value == pytest.approx(wanted, rel=0.1)


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"soil_c": np.full(432, 15.0)}, "let it heat and cool once"),
        ({"air_c": np.full(432, np.nan)}, "air readings for 0 % of the time; 70 % are needed"),
    ],
)
def test_what_is_missing_is_said_in_words_a_grower_can_act_on(changed: dict[str, Any], said: str) -> None:
    """One reason each."""
    with pytest.raises(NotExcitedError) as refused:
        identify(replace(lived(CABLE, 3.0), **changed), CABLE)
    assert said in str(refused.value)
    assert len(refused.value.missing) == 1
    assert lacking(lived(CABLE, 3.0)) == ()


def test_the_first_lesson_is_taken_whole_and_a_poor_record_teaches_nothing() -> None:
    """From geometry straight to what was found; a day of record changes nothing."""
    log = lived(other(CABLE), 3.5)
    first = learn(facts(), CABLE, CABLE, log)
    assert first is not None
    assert first.model == identify(log.latest(3 * 86_400), CABLE).model
    assert learn(facts(), CABLE, CABLE, log.latest(86_400)) is None


def test_probes_that_were_exchanged_teach_no_more_than_ten_times_geometry() -> None:
    """Soil read as air and air as soil: the loss was taken for 35 times geometry's at once."""
    bed = enclosed(2, HeaterKind.SOIL_CABLE)
    log, geometry = logged(bed)[0], model_of(bed.told, bed.depth_m)
    known = facts(floor_m2=bed.told.floor_m2, built=bed.told, depth_m=bed.depth_m, has_light=False)
    lesson = learn(known, geometry, geometry, replace(log, soil_c=log.air_c, air_c=log.soil_c))
    assert lesson is not None
    assert lesson.figures["loss_w_k"][0] > 30.0 * geometry.loss_w_k
    times = {name: getattr(lesson.model, name) / getattr(geometry, name) for name in FREE if name != "lag_s"}
    assert max(times.values()) == pytest.approx(10.0)
    assert min(times.values()) == pytest.approx(0.1)


def test_without_a_light_probe_the_model_that_is_sought_gives_the_light() -> None:
    """The warmth of the air stands in: the day's rise is still found within a fifth."""
    true = other(CABLE)
    log = replace(lived(true, 3.5), light_w_m2=np.full(round(3.5 * 144), np.nan))
    lesson = learn(facts(has_light=False), CABLE, CABLE, log)
    assert lesson is not None
    wanted = rise_k(true, 1800.0, 48).sum()
    assert lesson.figures["rise_24h_k"][0] == pytest.approx(wanted, rel=0.2)


def test_a_light_probe_that_died_teaches_as_if_there_were_none() -> None:
    """Silent for the last third of three days, or for all of them: darkness by day is no lesson."""
    log = lived(other(CABLE), 3.5)
    for heard in (0, 300):
        light = log.light_w_m2.copy()
        light[heard:] = np.nan
        died = replace(log, light_w_m2=light)
        lesson = learn(facts(built=Construction()), CABLE, CABLE, died)
        assert lesson is not None
        assert lesson == learn(facts(has_light=False), CABLE, CABLE, log)


def test_geometry_of_other_soil_is_led_to_the_same_answer() -> None:
    """Starting from wet clay or from moist sand, the day's rise found differs by less than an eighth."""
    log = lived(other(CABLE), 3.0)
    sand = model_of(Construction(texture=TEXTURES["sand-moist"]), 0.1)
    rises = [identify(log, start).figures["rise_24h_k"].value for start in (CABLE, sand)]
    assert rises[0] == pytest.approx(rises[1], rel=0.12)
