"""`python -m tests.bench [NAME ...]`: measure, and print one table. Exit status 1 if a bound is missed."""

import argparse
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from tests.bench import days, flow, many, processes, reaction, record, season
from tests.bench.table import Row, lines

BENCHES: dict[str, Callable[[Path], Iterator[Row]]] = {
    "flow": flow.rows,
    "reaction": reaction.rows,
    "load": reaction.loaded_rows,
    "days": days.rows,
    "memory": processes.memory,
    "start-up": processes.start_up,
    "record": record.rows,
    "season": season.rows,
    "many": many.rows,
}


def main() -> int:
    """Run the benches asked for, all of them by default but the comparison of control, which takes its own options."""
    if sys.argv[1:2] == ["control"]:
        from tests.bench.control import section  # it pins numpy's threads, which others need not

        return section.main(sys.argv[2:])
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("name", nargs="*", choices=[*BENCHES, []], help="which to run (default: all)")
    names = parser.parse_args().name or list(BENCHES)
    found: list[Row] = []
    for number, name in enumerate(names, 1):
        begun_s = time.monotonic()
        print(f"[{number}/{len(names)}] {name} ...", end="", file=sys.stderr, flush=True)
        with tempfile.TemporaryDirectory(prefix="soilward-bench-") as folder:
            found += BENCHES[name](Path(folder))
        print(f" {time.monotonic() - begun_s:.0f} s", file=sys.stderr, flush=True)
    print("\n".join(lines(found)))
    return 1 if any(row.holds is False for row in found) else 0


if __name__ == "__main__":
    sys.exit(main())
