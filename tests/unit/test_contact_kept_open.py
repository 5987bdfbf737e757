"""Heat is ordered and the node keeps its contact open: the status says so, once it has lasted half a minute."""

import pytest

from controller.clock import rfc3339
from controller.explain import explain
from controller.report import status_of
from controller.status import Words
from tests.core_site import NIGHT_MS, Bed, warm_bed

VERDICT = "Heat is ordered, but the node keeps its contact open."


def words_of(bed: Bed) -> Words:
    """Return what a bed's status, as its readers get it, says of itself."""
    return Words(**status_of(bed.plan, bed.state, bed.now, 1)["words"])


def test_a_contact_that_stays_open_under_an_order_is_said_with_what_to_do() -> None:
    """The order stands and the node is heard, so nothing else would tell; when it closes, the words go."""
    bed = warm_bed()
    assert words_of(bed).verdict != VERDICT
    bed.contact = False
    bed.run(20)
    assert words_of(bed).verdict != VERDICT, "a node may take a moment"
    bed.run(20)
    assert bed.on
    assert words_of(bed) == Words(VERDICT, "Soil 10.0 °C, asked 20.0 °C.", "", "Look at the node.")
    bed.contact = None
    bed.run(1)
    assert words_of(bed).verdict != VERDICT


@pytest.mark.parametrize(
    ("ordered", "contact", "open_ms", "said"),
    [
        (True, False, 30_000, False), (True, False, 30_001, True), (True, False, 86_400_000, True),
        (True, False, None, False), (True, True, 86_400_000, False), (True, None, 86_400_000, False),
        (False, False, 86_400_000, False),
    ],
)  # fmt: skip
def test_it_is_said_only_of_an_order_that_is_not_obeyed(
    ordered: bool, contact: bool | None, open_ms: int | None, said: bool
) -> None:
    """At 30 s and just over; not of a closed or an unknown contact, nor of one that nobody wants closed."""
    status = status_of(warm_bed().plan, warm_bed().state, warm_bed().now, 1)
    since = None if open_ms is None else rfc3339(NIGHT_MS - open_ms)
    status |= {"at_ms": NIGHT_MS}
    status["heat"] |= {"ordered": ordered, "contact": contact, "contact_since": since}
    assert (explain(status, fahrenheit=False).verdict == VERDICT) is said
