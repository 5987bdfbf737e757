"""At which air temperature to act, by stage and place."""

import pytest
from pydantic import ValidationError

from api.season.alarm import ALARMS, Alarms, Basis, Place, Stage, leaves_colder, own_alarms, stage_of
from controller.season_settings import Frost


@pytest.mark.parametrize(
    ("bbch", "stage"),
    [
        (0, Stage.DORMANT),
        (1, Stage.SWELLING),
        (6, Stage.SWELLING),
        (7, Stage.OPENING),
        (9, Stage.OPENING),
        (10, Stage.LEAFED),
        (95, Stage.LEAFED),
        (97, Stage.DORMANT),
    ],
)
def test_a_stage_follows_from_its_code(bbch: int, stage: Stage) -> None:
    """The bud swells, opens, is a leaf; from 97 on the leaves are gone."""
    assert stage_of(bbch) is stage


def test_every_stage_at_every_place_has_its_alarm_and_its_ground() -> None:
    """None is left to chance, and the further awake a plant is, the sooner it is warned of."""
    assert set(ALARMS) == {(stage, place) for stage in Stage for place in Place}
    for place in Place:
        warnings = [ALARMS[stage, place].air_c for stage in Stage]
        assert warnings == sorted(warnings)
    assert all(each.words for each in ALARMS.values())


def test_what_nobody_measured_is_called_an_assumption() -> None:
    """Buds that swell or open: no figure on fig is published."""
    for stage in (Stage.SWELLING, Stage.OPENING):
        assert {ALARMS[stage, place].basis for place in Place} == {Basis.ASSUMPTION}


@pytest.mark.parametrize(
    ("stage", "place", "clear", "wanted_c"),
    [
        (Stage.LEAFED, Place.GROUND, False, 2.0),
        (Stage.LEAFED, Place.GROUND, True, 4.0),
        (Stage.LEAFED, Place.CONTAINER, True, 4.0),
        (Stage.LEAFED, Place.COVER, True, 1.0),
        (Stage.DORMANT, Place.GROUND, True, -10.0),
        (Stage.SWELLING, Place.GROUND, False, -3.0),
        (Stage.OPENING, Place.GROUND, False, -2.0),
        (Stage.DORMANT, Place.CONTAINER, False, -3.0),
    ],
)
def test_a_clear_calm_night_warns_of_leaves_in_the_open(
    stage: Stage, place: Place, clear: bool, wanted_c: float
) -> None:
    """Leaves see the sky; buds and what stands under cover are warned of as ever."""
    assert Alarms(clear_calm_dry=clear).of(stage, place).air_c == wanted_c


@pytest.mark.parametrize(
    ("wind_m_s", "cloud", "most_k", "words"),
    [
        (None, None, 3.0, "taken as clear and calm"),
        (1.99, 0.29, 3.0, "clear and calm"),
        (2.0, 0.0, 0.0, "wind of 2 m/s"),
        (0.0, 0.3, 0.0, "cloud over 30 % of the sky"),
        (0.0, None, 3.0, "not known to be windy or cloudy"),
    ],
)
def test_leaves_are_colder_than_air_when_it_is_clear_and_calm(
    wind_m_s: float | None, cloud: float | None, most_k: float, words: str
) -> None:
    """What is not known counts as the worse case, and is said."""
    found = leaves_colder(wind_m_s, cloud)
    assert found.most_k == most_k
    assert words in found.words


def test_settings_replace_any_limit_by_name() -> None:
    """Each of the thirteen names one stage and place; what is left out keeps its default and what that rests on."""
    asked = Frost.model_validate({"swelling_cover": -1.5, "leafed_ground": "34.7 F", "leafed_clear": 3.0})
    alarms = Alarms(own_alarms(asked))
    assert alarms.of(Stage.SWELLING, Place.COVER).air_c == -1.5
    assert alarms.of(Stage.LEAFED, Place.GROUND).air_c == pytest.approx(1.5)
    assert alarms.of(Stage.LEAFED, Place.GROUND).basis is Basis.OWN
    assert alarms.of(Stage.LEAFED, Place.CONTAINER) == ALARMS[Stage.LEAFED, Place.CONTAINER]
    assert Alarms(own_alarms(asked), clear_calm_dry=True).of(Stage.LEAFED, Place.CONTAINER).air_c == 3.0
    every = Frost.model_validate(dict.fromkeys(Frost.model_fields, 1.0))
    assert len(own_alarms(every)) == 13
    with pytest.raises(ValidationError, match="leafed_gound"):
        Frost.model_validate({"leafed_gound": 1.0})
    with pytest.raises(ValidationError, match="less than or equal to 10"):
        Frost.model_validate({"leafed_ground": 34.7})
