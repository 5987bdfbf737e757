"""Probes that should agree: which they are, and for how long they have not."""

import pytest

from controller.pairs import differing, pairs_of, since_when
from controller.probe import Quantity
from controller.probe_state import Watch


def watch(name: str, quantity: Quantity, level_m: float | None) -> Watch:
    """Return a probe at a level."""
    return Watch(name, quantity, level_m, 10.0, 35.0, None, None)


A = watch("a", Quantity.SOIL, -0.10)
B = watch("b", Quantity.SOIL, -0.12)


@pytest.mark.parametrize(
    ("other", "is_pair"),
    [
        (watch("o", Quantity.SOIL, -0.12), True),
        (watch("o", Quantity.SOIL, -0.08), True),
        (watch("o", Quantity.SOIL, -0.122), False),
        (watch("o", Quantity.SOIL, None), False),
        (watch("o", Quantity.AIR, -0.10), False),
    ],
)
def test_a_pair_is_one_quantity_at_one_level(other: Watch, is_pair: bool) -> None:
    """Within 2 cm, same quantity, level known."""
    assert bool(pairs_of([A, other])) is is_pair


def test_only_soil_and_air_are_paired() -> None:
    """Two heater cases or two outside probes may differ as they like."""
    for quantity in (Quantity.OUTSIDE, Quantity.HEATER_SURFACE, Quantity.HUMIDITY, Quantity.LIGHT):
        assert pairs_of([watch("x", quantity, 0.5), watch("y", quantity, 0.5)]) == ()
    assert len(pairs_of([watch(name, Quantity.AIR, 0.5) for name in "xyz"])) == 3


@pytest.mark.parametrize(
    ("apart_k", "limits_k"), [(3.0, []), (3.01, [3.0]), (6.0, [3.0]), (6.01, [3.0, 6.0]), (-6.01, [3.0, 6.0])]
)
def test_what_differs_is_noted_at_each_limit(apart_k: float, limits_k: list[float]) -> None:
    """Just at and over 3 and 6 K, either way round."""
    since = since_when([(A, B)], lambda each: apart_k if each is A else 0.0, {}, 50.0)
    assert since == {("a", "b", limit_k): 50.0 for limit_k in limits_k}


def test_since_when_is_kept_and_ends_with_agreement_or_silence() -> None:
    """A pair with a probe missing is left out: two are needed to differ."""
    values: dict[str, float | None] = {"a": 10.0, "b": 20.0}
    first = since_when([(A, B)], lambda each: values[each.name], {}, 50.0)
    later = since_when([(A, B)], lambda each: values[each.name], first, 169.9)
    assert differing(later, 6.0, 120.0, 169.9) == []
    assert differing(later, 6.0, 120.0, 170.0) == [("a", "b")]
    values["b"] = None
    assert since_when([(A, B)], lambda each: values[each.name], later, 180.0) == {}
    values["b"] = 10.0
    assert since_when([(A, B)], lambda each: values[each.name], later, 180.0) == {}
