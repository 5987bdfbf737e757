"""Growth stages: their words, and how tender a plant is at each."""

import pytest

from api.season.alarm import Stage
from api.season.bbch import RIPE, Scale, StageError, codes, frost_stage, stage_words


@pytest.mark.parametrize(
    ("code", "stage"),
    [
        (0, Stage.DORMANT),
        (1, Stage.SWELLING),
        (5, Stage.SWELLING),
        (7, Stage.OPENING),
        (9, Stage.OPENING),
        (10, Stage.LEAFED),
        (87, Stage.LEAFED),
        (95, Stage.LEAFED),
        (97, Stage.DORMANT),
    ],
)
def test_each_code_is_as_tender_as_its_half_of_the_swelling_says(code: int, stage: Stage) -> None:
    """Edges just under and at: 00, 01-05, 07-09, 10 on, leafless from 97."""
    assert frost_stage(code) is stage


def test_a_fig_is_spoken_of_in_its_own_words_and_rests_in_general_ones() -> None:
    """07 differs between the scales; 00 and 97 come from the general one."""
    assert stage_words(7, Scale.FIG) == "buds long"
    assert stage_words(7, Scale.GENERAL) == "buds break"
    assert stage_words(0, Scale.FIG) == "dormant"
    assert stage_words(97, Scale.FIG) == "leafless"


def test_an_unknown_code_is_refused_with_its_neighbours() -> None:
    """The codes of the same principal stage are named."""
    with pytest.raises(StageError, match=r"stage 88: the fig scale has no such code; write one of .*87 ripe for pick"):
        stage_words(88, Scale.FIG)
    with pytest.raises(StageError, match="81 fruit begins to ripen"):
        stage_words(87, Scale.GENERAL)


@pytest.mark.parametrize("scale", list(Scale))
def test_every_scale_can_say_that_fruit_is_ripe(scale: Scale) -> None:
    """Its code is one of its own."""
    assert "ripe" in codes(scale)[RIPE[scale]]
