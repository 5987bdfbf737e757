"""A status is JSON as it is made: nothing in it but JSON's own types, and every field that its description names."""

import json
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
