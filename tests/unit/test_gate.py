"""The gate: its whole truth table, and that no order of doubts gets past it."""

from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.safety.gate import decide
from controller.safety.interlock import Permissive, held, lost
from controller.safety.trip import Trip, TripKind

TRIP = Trip(TripKind.SOIL_OVER, "soil", 41.0, 40.0, 0, "soil at 41.0 Cel")
HELD, LOST = held("node heard"), lost("node heard", "the node is silent", "when it reports")


@pytest.mark.parametrize(
    ("wanted", "armed", "permissives", "trips"),
    list(product([True, False], [True, False], [(), (HELD,), (LOST,), (HELD, LOST), (LOST, HELD)], [(), (TRIP,)])),
)
def test_heat_needs_every_reason_at_once(
    wanted: bool, armed: bool, permissives: tuple[Permissive, ...], trips: tuple[Trip, ...]
) -> None:
    """Of the forty rows one is on, and K2 may close in just one more: everything permits it but no heat is wanted."""
    order = decide(wanted, armed, permissives, trips)
    permitted = armed and permissives == (HELD,) and not trips
    assert order.armed is permitted
    assert order.on is (permitted and wanted)


@pytest.mark.parametrize(
    ("wanted", "armed", "permissives", "trips", "because"),
    [
        (True, False, (LOST,), (TRIP,), "locked off: soil at 41.0 Cel"),
        (True, False, (LOST,), (), "not armed"),
        (True, True, (), (), "nothing was examined"),
        (True, True, (HELD, LOST), (), "the node is silent"),
        (False, True, (HELD,), (), "no heat wanted now"),
        (True, True, (HELD,), (), "heat wanted and everything permits it"),
    ],
)
def test_the_weightiest_doubt_is_the_one_named(
    wanted: bool, armed: bool, permissives: tuple[Permissive, ...], trips: tuple[Trip, ...], because: str
) -> None:
    """A trip before disarmed, disarmed before a permissive, the first missing one before no want."""
    assert decide(wanted, armed, permissives, trips).because == because


def test_of_several_trips_the_first_is_named() -> None:
    """The first reason is the one that counts; what followed from it comes after."""
    second = Trip(TripKind.AIR_FIRE, "air", 60.0, 57.0, 1, "air at 60.0 Cel")
    assert decide(True, True, (HELD,), (TRIP, second)).because == "locked off: soil at 41.0 Cel"


PERMISSIVES = st.lists(
    st.builds(Permissive, st.text(max_size=4), st.booleans(), st.just("why"), st.just("")), max_size=8
)


@given(st.booleans(), st.booleans(), PERMISSIVES, st.lists(st.just(TRIP), max_size=3))
def test_the_gate_is_never_on_past_a_doubt(
    wanted: bool, armed: bool, permissives: list[Permissive], trips: list[Trip]
) -> None:
    """For any inputs: on means armed, wanted, untripped, and at least one permissive, all of which hold."""
    order = decide(wanted, armed, permissives, trips)
    every = bool(permissives) and all(each.holds for each in permissives)
    assert order.on is (wanted and armed and not trips and every)
    assert order.armed or not order.on
    assert order.because


def test_a_permissive_says_what_is_wrong_only_when_it_is() -> None:
    """Held has no words; lost has what is wrong and what ends it."""
    assert Permissive("node heard", True, "", "") == HELD
    assert Permissive("node heard", False, "the node is silent", "when it reports") == LOST
