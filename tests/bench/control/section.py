"""`python -m tests.bench control`: every row, seed and controller on both cores, and one table of ratios."""

import argparse
import os
import sys
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from multiprocessing import get_context
from statistics import median

for _pool in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_pool, "1")  # one process per core already; must stand before numpy is first imported

from tests.bench.control.rows import CONTROLLERS, ROWS, Score, score  # noqa: E402
from tests.bench.control.weather import FORECASTS  # noqa: E402

SEEDS, RUNS = 10, 4
QUICK_SEEDS, QUICK_RUNS = 3, 3
BASELINE_RUNS = 9
HEAD = ("row", "controller", "LOOSE", "TIGHT", "worst LOOSE", "over K h", "cycles/day", "")
Job = tuple[str, int | str, str, int, str]


def main(arguments: Sequence[str]) -> int:
    """Run the comparison; 1 if ours misses a target."""
    asked = _parser().parse_args(arguments)
    seeds = QUICK_SEEDS if asked.quick and asked.seeds is None else asked.seeds or SEEDS
    runs = QUICK_RUNS if asked.quick else RUNS
    which: list[int | str] = list(asked.weather.split(",")) if asked.weather else list(range(seeds))
    names, controllers = asked.rows.split(","), asked.controllers.split(",")
    for given, known in ((names, ROWS), (controllers, CONTROLLERS)):
        unknown = sorted(set(given) - set(known))
        if unknown:
            raise SystemExit(f"unknown: {', '.join(unknown)}; choose from {', '.join(known)}")
    # The long ones first, so that no core waits for the other at the end.
    jobs: list[Job] = [
        (row, seed, each, runs if each == "ours" else BASELINE_RUNS, asked.forecast)
        for each in sorted(controllers, key=lambda name: name != "ours")
        for row in names
        for seed in which
    ]
    scores, took_s = _all(jobs)
    print("\n".join(table(scores, names, controllers)))
    print("; ".join(f"{name} {seconds:.0f} s" for name, seconds in took_s.items()) + " of process time")
    return 1 if any(missed(scores, row) for row in names if "ours" in controllers) else 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m tests.bench control", description=__doc__)
    parser.add_argument("--seeds", type=int, help=f"how many fortnights (default {SEEDS})")
    parser.add_argument("--rows", default=",".join(ROWS), help="rows, by commas")
    parser.add_argument("--controllers", default=",".join(CONTROLLERS), help="controllers, by commas")
    parser.add_argument("--forecast", default="usual", choices=list(FORECASTS))
    parser.add_argument("--weather", help='instead of seeds: "hot,freezing,newark"')
    parser.add_argument("--quick", action="store_true", help=f"{QUICK_SEEDS} seeds and fewer runs each")
    return parser


def _timed(job: Job) -> tuple[Score, float]:
    begun_s = time.process_time()
    return score(*job), time.process_time() - begun_s


def _all(jobs: list[Job]) -> tuple[list[Score], dict[str, float]]:
    scores, took_s, begun_s = [], dict.fromkeys(CONTROLLERS, 0.0), time.monotonic()
    with ProcessPoolExecutor(mp_context=get_context("spawn")) as pool:
        for number, done in enumerate(as_completed([pool.submit(_timed, job) for job in jobs]), 1):
            found, seconds = done.result()
            scores.append(found)
            took_s[found.controller] += seconds
            bar = "#" * (30 * number // len(jobs))
            spent_s = time.monotonic() - begun_s
            print(f"\r[{bar:<30}] {number}/{len(jobs)} {spent_s:.0f} s", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    return scores, took_s


def table(scores: Sequence[Score], names: Sequence[str], controllers: Sequence[str]) -> list[str]:
    """Return the table, ours last in each row and beside it the targets."""
    lines: list[tuple[str, ...]] = [HEAD]
    for row in names:
        for each in controllers:
            mine = [one for one in scores if (one.row, one.controller) == (row, each)]
            if mine:
                verdict = ("MISSED" if missed(scores, row) else "holds") if each == "ours" else ""
                lines.append((row, each, *_cells(mine), verdict))
        lines.append((row, "target", *(f"{each:.3f}" for each in ROWS[row].targets), "", "", ""))
    widths = [max(len(line[column]) for line in lines) for column in range(len(HEAD))]
    return ["  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip() for line in lines]


def _cells(mine: Sequence[Score]) -> tuple[str, str, str, str, str]:
    loose, tight, worst = _figures(mine)
    reached = sum(one.reached for one in mine)
    note = "" if reached == len(mine) else f" ({len(mine) - reached} out of reach)"
    return (
        f"{loose:.3f}",
        f"{tight:.3f}{note}",
        f"{worst:.3f}",
        f"{median(one.over_kh for one in mine):.1f}",
        f"{median(one.cycles_a_day for one in mine):.1f}",
    )


def _figures(mine: Sequence[Score]) -> tuple[float, float, float]:
    loose = [one.loose for one in mine]
    return median(loose), median(one.tight for one in mine), max(loose)


def missed(scores: Sequence[Score], row: str) -> bool:
    """Whether ours missed a target of a row, or never came to the shortfalls it is compared at."""
    mine = [one for one in scores if (one.row, one.controller) == (row, "ours")]
    figures = zip(_figures(mine), ROWS[row].targets, strict=True)
    return not all(one.reached for one in mine) or any(found > target for found, target in figures)
