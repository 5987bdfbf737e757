"""`python -m tests.faults`: inject every fault, and print the table with what was seen and how soon.

`--wire --times N` plays the rows that cross the wire N times.
"""

import argparse
from collections.abc import Iterable

from tests.faults import cases
from tests.faults.many import everything, repeat
from tests.faults.not_here import ELSEWHERE
from tests.faults.noting import Noting
from tests.faults.rows import ROWS, Row

HEAD = f"{'row':<4} {'class':<16} {'worst':>8} {'of':>8}  {'reaction':<12} {'n':>4}  fault => required"


def line(row: Row, outcomes: list[str]) -> str:
    """Return one row of the table."""
    failed = sum(each != "passed" for each in outcomes)
    state = "as required" if not failed else f"{failed} FAILED"
    if not outcomes:
        state = "elsewhere" if row.id in ELSEWHERE else "NO CASE"
    worst = cases.worst(row.id)
    times = f"{worst.seconds:>6.1f} s {worst.bound_s:>6g} s" if worst else " " * 17
    return f"{row.id}  {row.hazard_class:<16} {times}  {state:<12} {len(outcomes):>4}  {row.fault} => {row.reaction}"


def print_table(rows: Iterable[Row], noting: Noting) -> None:
    """Print rows, and what failed in words."""
    print(f"\n{HEAD}")
    for row in rows:
        print(line(row, noting.outcomes[row.id]))
    for each in noting.failures:
        print(f"FAILED {each}")


def play_wire(times: int, jobs: int, which: str) -> int:
    """Play what crosses the wire; returns 1 if anything failed."""
    noting = repeat(times, jobs, which)
    print_table([row for row in ROWS if noting.outcomes[row.id]], noting)
    played = sum(len(each) for each in noting.outcomes.values())
    found = [each for row in ROWS for each in cases.measured[row.id]]
    late = sum(each.seconds > each.bound_s for each in found)
    print(f"\n{times} times: {played} rows played, {len(noting.failures)} tests failed")
    print(f"{len(found)} times measured at the node, {late} of them over the bound")
    return 1 if noting.failures or not played else 0


def play_all(jobs: int) -> int:
    """Play every row once; returns 1 if any failed, has no case, or has a bound and no time."""
    noting = everything(jobs)
    print_table(ROWS, noting)
    dangerous = [row for row in ROWS if row.dangerous]
    good = [row for row in dangerous if noting.outcomes[row.id] and set(noting.outcomes[row.id]) == {"passed"}]
    timed = [row for row in dangerous if cases.worst(row.id) is not None]
    # In the manner of ISO 13849-1, annex E: detected dangerous failures over all dangerous failures, each row one.
    print(f"\ndiagnostic coverage: {len(good)} of {len(dangerous)} dangerous rows, {len(good) / len(dangerous):.0%}")
    print(f"with a measured time, each within its bound: {len(timed)} of {len(dangerous)}")
    for row_id, reason in ELSEWHERE.items():
        print(f"not injected here: {row_id}: {reason}")
    here = [row for row in ROWS if row.id not in ELSEWHERE]
    bad = [row.id for row in here if set(noting.outcomes[row.id]) != {"passed"} or (row.dangerous and row not in timed)]
    if bad:
        print(f"rows to look at: {', '.join(bad)}")
    return 1 if bad else 0


def main() -> int:
    """Play what is asked for."""
    parser = argparse.ArgumentParser(prog="python -m tests.faults", description=__doc__)
    parser.add_argument("--wire", action="store_true", help="only the rows that cross the wire")
    parser.add_argument("--times", type=int, default=1, help="how often, with --wire")
    parser.add_argument("--jobs", type=int, default=4, help="files at once")
    parser.add_argument("-k", dest="which", default="", help="which of them, as pytest's -k, with --wire")
    asked = parser.parse_args()
    return play_wire(asked.times, asked.jobs, asked.which) if asked.wire else play_all(asked.jobs)


if __name__ == "__main__":
    raise SystemExit(main())
