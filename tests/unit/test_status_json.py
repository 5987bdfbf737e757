"""A status as JSON: what the standard library gives, made in one go."""

import json
from dataclasses import asdict

from controller.report import plain
from controller.safety.interlock import Permissive
from controller.safety.trip import TripKind
from controller.status import AlertNow, ControlNow, Grade, HeatNow, ProbeNow, SetPointNow, Status, TermsNow, TripNow


def test_plain_is_what_the_standard_library_says() -> None:
    """Tuples of dataclasses, dicts, enums, whole numbers, None and all; `at` beside them is RFC 3339."""
    probe = ProbeNow("soil-10", "soil", "Cel", 0.1, 17.25, 3.0, True, Grade.GOOD, "")
    trip = TripNow("a", TripKind.SOIL_OVER, "c", 57, "Cel", 57.0, "2026-03-01T04:00:00Z", 1, False, 2, "too hot")
    one = Status(
        "larch", 1_772_000_000_000, 3, True, None, SetPointNow(16.0, 15, "schedule", None),
        HeatNow(0.1, False, None, None, None, None, 1.0, None, 0.0),
        tuple(Permissive(name, name == "armed", "why", "how") for name in ("armed", "clock")), (trip,),
        (probe, probe), {"payload": 2}, {"a/topic": "{"}, (AlertNow("hot-air", "\u00b0", "then", True, None),),
        control=ControlNow(0.5, TermsNow(0.1, 0.2, 0.3, -0.1), 0.25, True, "because"),
    )  # fmt: skip
    assert plain(one) == {**json.loads(json.dumps(asdict(one))), "at": "2026-02-25T06:13:20.000Z"}
    assert list(plain(one)) == [*asdict(one), "at"]
