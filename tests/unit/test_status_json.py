"""A status as JSON: what the standard library gives, without its copies."""

from dataclasses import asdict

from controller import status
from controller.safety.interlock import Permissive
from controller.status import Grade, HeatNow, ProbeNow, SetPointNow, Status, TripNow, plain


def test_plain_is_what_the_standard_library_says() -> None:
    """Tuples of dataclasses, dicts, None and all; `at` beside them is RFC 3339."""
    probe = ProbeNow("soil-10", "soil", "Cel", 0.1, 17.25, 3.0, True, Grade.GOOD, "")
    trip = TripNow("a", "b", "c", 57.5, "Cel", 57.0, "2026-03-01T04:00:00Z", 1, False, 2, "too hot")
    one = Status(
        "larch", 1_772_000_000_000, 3, True, None, SetPointNow(16.0, 15.5, "schedule", None),
        HeatNow(0.1, False, None, None, None, None, 1.0, None, 0.0),
        tuple(Permissive(name, name == "armed", "why", "how") for name in ("armed", "clock")), (trip,),
        (probe, probe), {"payload": 2}, {"a/topic": "{"},
    )  # fmt: skip
    assert plain(one) == asdict(one)
    assert one.as_json() == {**asdict(one), "at": "2026-02-25T06:13:20.000Z"}


def test_plain_copies_nothing_that_cannot_change() -> None:
    """Text and numbers are the same objects; dicts are not, for they can change."""
    said = {"reason": "long text"}
    found = status.plain((said, "long text"))
    assert found[0] is not said
    assert found[0]["reason"] is said["reason"]
