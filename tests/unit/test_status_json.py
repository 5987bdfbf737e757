"""A status is JSON as it is made: nothing in it but JSON's own types, and every field that its description names."""

import json
from dataclasses import replace
from typing import Any, get_type_hints

import pytest
from pydantic_core import to_json

from controller.report import status_of
from controller.status import (
    AlertNow,
    ControlNow,
    HeatNow,
    PermissiveNow,
    ProbeNow,
    SetPointNow,
    Status,
    TermsNow,
    TripNow,
    WordsNow,
)
from tests.core_site import Bed, plan_of, warm_bed


def told(bed: Bed) -> dict[str, Any]:
    """Return what goes over the wire, read as any JSON is."""
    status: dict[str, Any] = json.loads(to_json(status_of(bed.plan, bed.state, bed.now, 3, 12.5, {"payload": 2})))
    return status


def locked_off() -> Bed:
    """Return a bed that has latched on a hot probe, with an alert of another that is silent."""
    bed = Bed(plan_of(), {"soil": 50.0, "air": None})
    bed.run(120)
    return bed


def in_service() -> Bed:
    """Return a bed that is being warmed."""
    bed = warm_bed()
    bed.run(60)
    return bed


@pytest.mark.parametrize("make", [locked_off, in_service])
def test_what_is_made_is_what_is_read(make: Any) -> None:
    """A tuple, an enumeration's member or a dataclass would be read as something else."""
    bed = make()
    status = status_of(bed.plan, bed.state, bed.now, 3, 12.5, {"payload": 2})
    assert told(bed) == status
    assert json.loads(json.dumps(status)) == status
    assert {type(each) for part in (*status["readings"], *status["trips"]) for each in part.values()} <= {
        str, int, float, bool, type(None),
    }  # fmt: skip


def test_every_part_has_the_fields_of_its_description_in_their_order() -> None:
    """A reader finds what is described, and nothing else."""
    hot, warm = told(locked_off()), told(in_service())
    for part, kind in (
        (hot, Status), (warm["set_point"], SetPointNow), (warm["heat"], HeatNow),
        (hot["permissives"][0], PermissiveNow),
        (hot["trips"][0], TripNow), (hot["readings"][0], ProbeNow), (hot["alerts"][0], AlertNow),
        (warm["control"], ControlNow), (warm["control"]["terms"], TermsNow), (hot["words"], WordsNow),
    ):  # fmt: skip
        assert list(part) == list(get_type_hints(kind)), kind


@pytest.mark.parametrize(("ahead_h", "shelved"), [(-0.1, False), (0.1, True), (8.0, True), (8.1, False), (24.0, False)])
def test_nothing_is_put_aside_for_longer_than_a_shift_by_a_clock_that_was_set_back(
    ahead_h: float, shelved: bool
) -> None:
    """O03 T01: put aside by a clock a day ahead, an alert would have been out of sight for a day and a shift."""
    bed = Bed(plan_of(), {"soil": 10.0, "air": None})
    bed.run(120)
    until_ms = bed.now.utc_ms + round(ahead_h * 3_600_000)
    bed.state.standing = replace(bed.state.standing, shelved=(("probe:air", until_ms),))
    (alert,) = told(bed)["alerts"]
    assert (alert["name"], alert["shelved_until"] is not None) == ("probe:air", shelved)
