"""How far ahead a person's set point may end: within 400 days, and not before now."""

import pytest

from controller.clock import Moment, rfc3339
from controller.requests import answer
from controller.standing import Standing
from controller.store.requests import Request
from tests.core_site import NIGHT_MS, plan_of

LONGEST_MS = 400 * 86_400_000
"""[ms] restated: a season and a bit; a date beyond it is a slip of the pen."""


@pytest.mark.parametrize(
    ("ahead_ms", "done"),
    [
        (-86_400_000, False), (-1, False), (0, False), (1, True), (LONGEST_MS - 1, True), (LONGEST_MS, True),
        (LONGEST_MS + 1, False), (253_402_300_799_999 - NIGHT_MS, False),
    ],
)  # fmt: skip
def test_an_end_is_after_now_and_within_400_days(ahead_ms: int, done: bool) -> None:
    """Just under, at and just over both bounds, and the last instant there is; a refusal leaves what stood."""
    until = rfc3339(NIGHT_MS + ahead_ms)
    request = Request(7, NIGHT_MS, "larch", "set-point", {"set_point_c": 18.0, "until": until}, "Ada", "frost")
    before = Standing(override_c=15.0, override_until_ms=NIGHT_MS + 5)
    result = answer(plan_of(), before, request, {}, Moment(500.0, NIGHT_MS))
    (entry,) = result.entries
    if done:
        assert entry.body["outcome"] == "done"
        assert (result.standing.override_c, result.standing.override_until_ms) == (18.0, NIGHT_MS + ahead_ms)
    else:
        assert entry.body["detail"] == f"refused: until {until} is not within the next 400 days"
        assert result.standing == Standing(override_c=15.0, override_until_ms=NIGHT_MS + 5, answered=7)
