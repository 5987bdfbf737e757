"""Why this much heat, in words."""

from typing import Any

import pytest

from controller.duty_words import duty_words


def control(duty: float, feedback: float, outside: float, sun: float, plan: float, below_k: float) -> dict[str, Any]:
    """Return what a status carries."""
    terms = {"feedback": feedback, "outside": outside, "sun": sun, "plan": plan}
    return {"duty": duty, "terms": terms, "below_k": below_k, "planned": bool(plan), "words": ""}


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (
            control(0.41, 0.12, 0.33, -0.04, 0.0, 0.4),
            "41 %: 12 for the soil being 0.4 K low, 33 for the cold outside, 4 less for the sun.",
        ),
        (
            control(1.0, 0.0, 0.5, 0.0, 0.5, 0.0),
            "100 %: 50 for the cold outside, 50 to be ready for the hours ahead.",
        ),
        (
            control(0.0, -0.2, 0.1, -0.3, 0.0, -0.8),
            "0 %: 20 less for the soil being 0.8 K high, 10 for the cold outside, 30 less for the sun; so none.",
        ),
        (
            control(1.0, 0.9, 0.4, 0.0, 0.0, 2.0),
            "100 %: 90 for the soil being 2.0 K low, 40 for the cold outside; more than all there is.",
        ),
        (
            control(0.0, -0.1, 0.3, 0.0, 0.0, -2.1),
            "0 %: 10 less for the soil being 2.1 K high, 30 for the cold outside; but soil so warm is not heated.",
        ),
        (
            control(1.0, 0.07, 0.43, -0.99, 1.0, 0.1),
            "100 %: 100 to be ready for the hours ahead; without that none (7 for the soil being 0.1 K low, "
            "43 for the cold outside, 99 less for the sun).",
        ),
        (
            control(0.3, 0.9, 0.4, 0.0, -0.7, 2.0),
            "30 %: 70 less because the hours ahead bring warmth enough; without that all there is "
            "(90 for the soil being 2.0 K low, 40 for the cold outside).",
        ),
        (control(0.1, 0.1, 0.0, 0.0, 0.0, -0.3), "10 %: 10 for the soil having been low."),
        (control(0.0, 0.0, 0.0, 0.0, 0.0, 0.0), "0 %: nothing asks for heat."),
    ],
)
def test_each_cause_has_its_share(given: dict[str, Any], said: str) -> None:
    """A grower can add it up."""
    assert duty_words(given) == said


def test_heat_that_outlasts_its_reason_is_explained() -> None:
    """The page shows a cable that is on beside a duty of nothing: it says why."""
    now = control(0.0, -0.1, 0.0, 0.0, 0.0, -0.4) | {"on": True}
    assert duty_words(now).endswith("so none. Heat begun before runs its time, which spares the contacts.")
    assert duty_words(now | {"on": False}).endswith("so none.")
    assert "begun" not in duty_words(now | {"duty": 0.3})


def test_kelvin_are_fahrenheit_for_who_reads_them() -> None:
    """0.5 K are 0.9 degrees Fahrenheit."""
    assert "0.9 °F low" in duty_words(control(0.2, 0.2, 0.0, 0.0, 0.0, 0.5), fahrenheit=True)


@pytest.mark.parametrize(
    "terms", [(-0.6, 0.3, 0.0, 0.8, -2.8), (-0.2, 1.0, 0.0, -0.3, -2.8), (0.4, 0.9, 0.0, 0.0, -2.1)]
)
def test_soil_too_warm_to_be_heated_is_said_whatever_asked_for_heat(
    terms: tuple[float, float, float, float, float],
) -> None:
    """A plan that stores heat, one that takes some off, more than all there is: a duty of nothing is explained."""
    assert duty_words(control(0.0, *terms)).endswith("; but soil so warm is not heated.")
