"""`python -m tests.faults`: inject every fault, and print the table with what was seen and how soon."""

from collections import defaultdict

import pytest

from tests.faults import cases
from tests.faults.not_here import ELSEWHERE
from tests.faults.rows import ROWS, Row


class Watcher:
    """Notes each test's outcome under the rows it carries."""

    def __init__(self) -> None:
        self.outcomes: dict[str, list[str]] = defaultdict(list)
        self._docstrings: dict[str, str] = {}

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        """Remember what each test says it carries."""
        for item in items:
            function = getattr(item, "function", None)
            self._docstrings[item.nodeid] = (function.__doc__ or "") if function else ""

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """Take one outcome: the call, or a set-up that failed."""
        if report.when == "call" or report.failed:
            for each in cases.ids_of(report.nodeid, self._docstrings.get(report.nodeid, "")):
                self.outcomes[each].append(report.outcome)


def line(row: Row, outcomes: list[str]) -> str:
    """Return one row of the table."""
    if not outcomes:
        state = "elsewhere" if row.id in ELSEWHERE else "NO CASE"
    else:
        state = "as required" if all(each == "passed" for each in outcomes) else "FAILED"
    times = cases.measured.get(row.id)
    seconds = f"{max(times):.1f} s" if times else ""
    return (
        f"{row.id}  {row.hazard_class:<16} {seconds:>8}  {state:<12} {len(outcomes):>3}  {row.fault} => {row.reaction}"
    )


def main() -> int:
    """Print the table and the diagnostic coverage; returns 1 if any row failed or has no case."""
    watcher = Watcher()
    pytest.main(["-q", "--no-header", "-p", "no:cacheprovider", str(cases.FOLDER)], plugins=[watcher])
    print(f"\n{'row':<4} {'class':<16} {'worst':>8}  {'reaction':<12} {'n':>3}  fault => required")
    for row in ROWS:
        print(line(row, watcher.outcomes[row.id]))
    dangerous = [row for row in ROWS if row.dangerous]
    good = [row for row in dangerous if watcher.outcomes[row.id] and set(watcher.outcomes[row.id]) == {"passed"}]
    # In the manner of ISO 13849-1, annex E: detected dangerous failures over all dangerous failures, each row one.
    print(f"\ndiagnostic coverage: {len(good)} of {len(dangerous)} dangerous rows, {len(good) / len(dangerous):.0%}")
    for row_id, reason in ELSEWHERE.items():
        print(f"not injected here: {row_id}: {reason}")
    bad = [row.id for row in ROWS if row.id not in ELSEWHERE and set(watcher.outcomes[row.id]) != {"passed"}]
    if bad:
        print(f"rows to look at: {', '.join(bad)}")
    return 1 if bad else 0


if __name__ == "__main__":
    raise SystemExit(main())
