"""What latches heat off and when a person may reset it; limits restated, never imported."""

import pytest

from controller.safety.trip import Heat, Trip, TripKind, latch, new_trips, reset_refusal

DAY_MS = 86_400_000


def heat(quantity: str, over_count: int, value: float = 58.0, rise: float | None = None, rises: int = 0) -> Heat:
    """Return one probe's heat, named after its quantity."""
    return Heat(quantity, quantity, value, 57.0, over_count, rise, rises)


def trip(kind: TripKind = TripKind.SOIL_OVER, probe: str = "soil", detail: str = "first") -> Trip:
    """Return a trip."""
    return Trip(kind, probe, 41.0, 40.0, 5, detail)


@pytest.mark.parametrize(
    ("quantity", "over_count", "fire_not_sun", "rises", "kinds"),
    [
        ("soil", 0, True, 0, []),
        ("soil", 1, True, 0, []),
        ("soil", 2, False, 0, [TripKind.SOIL_OVER]),
        ("soil", 3, True, 9, [TripKind.SOIL_OVER]),
        ("heater-surface", 1, True, 0, []),
        ("heater-surface", 2, False, 0, [TripKind.SURFACE_OVER]),
        ("air", 1, True, 0, []),
        ("air", 2, False, 0, []),
        ("air", 2, True, 0, [TripKind.AIR_FIRE]),
        ("air", 2, False, 1, []),
        ("air", 2, False, 2, [TripKind.AIR_RISE, TripKind.AIR_FIRE]),
        ("air", 0, False, 1, []),
        ("air", 0, False, 2, [TripKind.AIR_RISE]),
        ("air", 0, True, 3, [TripKind.AIR_RISE]),
    ],
)
def test_the_second_sample_latches(
    quantity: str, over_count: int, fire_not_sun: bool, rises: int, kinds: list[TripKind]
) -> None:
    """Two samples in a row latch; hot air in the sun with the heater off does not, unless it rose like a fire."""
    found = new_trips([heat(quantity, over_count, rise=12.0, rises=rises)], fire_not_sun, 77)
    assert [each.kind for each in found] == kinds
    assert all(each.probe == quantity and each.at_ms == 77 for each in found)


def test_a_trip_keeps_value_limit_and_words() -> None:
    """What a person reads later: which probe, what it showed, what the limit was."""
    (over,) = new_trips([heat("soil", 2, 41.25)], True, 1)
    assert (over.value, over.limit) == (41.25, 57.0)
    assert over.detail == "soil probe 'soil' reached 41.2 Cel; limit 57.0 Cel"
    (rise,) = new_trips([heat("air", 0, rise=12.04, rises=2)], True, 1)
    assert (rise.value, rise.limit) == (12.04, 8.33)
    assert rise.detail == "air at 'air' rose 12.0 K a minute; limit 8.33 K a minute"


def test_every_probe_that_is_hot_trips() -> None:
    """Two probes give two trips: the second is not hidden by the first."""
    assert len(new_trips([heat("soil", 2), heat("heater-surface", 2)], False, 0)) == 2


def test_a_probe_that_does_not_trip_hides_none_behind_it() -> None:
    """One sample over, or the sun on the air, and the next probe is looked at all the same."""
    (found,) = new_trips([heat("soil", 1), heat("heater-surface", 2)], False, 0)
    assert found.kind is TripKind.SURFACE_OVER
    (found,) = new_trips([heat("air", 2), heat("soil", 2)], False, 0)
    assert found.kind is TripKind.SOIL_OVER


def test_a_trip_is_named_by_kind_and_probe() -> None:
    """The name is the handle for a reset; a trip without a probe is its kind alone."""
    assert trip().name == "soil-over:soil"
    assert trip(TripKind.INTERNAL, "").name == "internal-fault"


def test_a_latched_trip_keeps_its_first_reason() -> None:
    """Another of the same name adds nothing; another probe's is added once."""
    first, again, other = trip(), trip(detail="second"), trip(probe="two")
    trips, added = latch((), [first, again])
    assert trips == added == (first,)
    trips, added = latch(trips, [again, other, other])
    assert trips == (first, other)
    assert added == (other,)
    assert latch(trips, []) == (trips, ())


def test_resets_after_now_do_not_count_however_small_the_clock() -> None:
    """A clock that fell back to 1970: nothing lately is what lies ahead of it."""
    assert reset_refusal([trip()], "soil-over:soil", True, [2000, 3000, 4000], 1000) is None


def test_an_unknown_trip_is_404_and_names_what_is_latched() -> None:
    """A reset of nothing says what there is."""
    refusal = reset_refusal([], "soil-over:soil", True, [], 0)
    assert refusal is not None
    assert (refusal.status, "latched now: none" in refusal.detail) == (404, True)
    assert reset_refusal([trip()], "zzz", True, [], 0) is not None, "a name that sorts behind"
    refusal = reset_refusal([trip(), trip(probe="two")], "air-fire", True, [], 0)
    assert refusal is not None
    assert "'soil-over:soil', 'soil-over:two'" in refusal.detail


def test_a_cause_still_there_is_409() -> None:
    """However often it was reset."""
    refusal = reset_refusal([trip()], "soil-over:soil", False, [], 0)
    assert refusal is not None
    assert refusal.status == 409


@pytest.mark.parametrize(
    ("ages_ms", "refused"),
    [
        ([], False),
        ([1, 2], False),
        ([0, 1, 2], True),
        ([1, 2, DAY_MS - 1], True),
        ([1, 2, DAY_MS], False),
        ([1, 2, 3, 4], True),
        ([1, 2, -1], False),
        ([-1, -2, -3], False),
        ([-6 * DAY_MS, -7 * DAY_MS, -8 * DAY_MS], False),
        ([DAY_MS, DAY_MS + 1, 2 * DAY_MS], False),
        ([DAY_MS + 1, DAY_MS + 2, 2 * DAY_MS], False),
    ],
)
def test_three_resets_in_a_day_are_the_most(ages_ms: list[int], refused: bool) -> None:
    """The fourth within 24 h is 429; a reset stamped in the future, by a clock since set back, does not count."""
    now_ms = 10 * DAY_MS
    refusal = reset_refusal([trip()], "soil-over:soil", True, [now_ms - age for age in ages_ms], now_ms)
    assert (refusal is not None) is refused
    assert refusal is None or (refusal.status, "24 h" in refusal.detail) == (429, True)
