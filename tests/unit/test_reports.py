"""Which node reports say something new about now."""

from dataclasses import replace
from typing import Any

import pytest

from controller.reports import is_repeat
from controller.state import NodeReport

LAST = NodeReport(100.0, 100_000, True, True, 5.0, 2.0, 0, 50.0, epoch=3, seq=7)


@pytest.mark.parametrize(
    ("changes", "repeat"),
    [
        ({}, True),
        ({"uptime_s": 49.9}, True),
        ({"seq": 6, "uptime_s": 60.0}, True),
        ({"uptime_s": 50.1}, False),
        ({"on": False}, False),
        ({"seq": 8, "uptime_s": 0.5}, False),
        ({"seq": 0, "uptime_s": 0.5}, False),
        ({"seq": 0, "uptime_s": 9.0}, False),
        ({"seq": 0, "uptime_s": 9.1}, True),
        ({"seq": 0, "uptime_s": 60.0}, True),
        ({"seq": 3, "uptime_s": 0.5}, True),
        ({"epoch": 4, "seq": 1, "uptime_s": 1.0}, False),
    ],
)
def test_a_copy_or_an_older_report_is_no_news(changes: dict[str, Any], repeat: bool) -> None:
    """The same again, or older, whenever it comes; a contact that opened, or a node that booted, is news.

    Booted it has if it has obeyed nothing yet and began after the last report, one second on its way allowed.
    """
    report = replace(LAST, arrived_s=108.0, arrived_ms=108_000, **changes)
    assert is_repeat(report, LAST) is repeat
    assert not is_repeat(report, None)
