"""`python -m tests.bench control`: every row, seed and controller on both cores, and one table of ratios."""

import argparse
import os
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from statistics import median

for _pool in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_pool, "1")  # one process per core already; must stand before numpy is first imported

from controller.control.contact_life import seasons  # noqa: E402
from tests.bench.control import losing, nights  # noqa: E402
from tests.bench.control.eyes import Eyes  # noqa: E402
from tests.bench.control.pool import Kept, all_of, code_now  # noqa: E402
from tests.bench.control.rows import BLIND, CONTROLLERS, NONE_KH, ROWS, UNPLANNED, Pauses, Score, score  # noqa: E402
from tests.bench.control.weather import FORECASTS, NAMED  # noqa: E402
from tests.bench.table import aligned  # noqa: E402

SEEDS, QUICK_SEEDS = 10, 3
RUNS, BASELINE_RUNS = 3, 6
HEAD = ("row", "controller", "LOOSE", "TIGHT", "worst LOOSE", "over K h", "cycles/day", "by N09", "contact years", "")
Job = tuple[str, int | str, tuple[tuple[str, int], ...], Eyes]
"""Row, seed, controllers with the runs each may take, and what ours sees: one case, worked out once."""
Timed = list[tuple[Score, float]]


def main(arguments: Sequence[str]) -> int:
    """Run the comparison; 1 if ours misses a target."""
    asked = _parser().parse_args(arguments)
    seeds = QUICK_SEEDS if asked.quick and asked.seeds is None else asked.seeds or SEEDS
    weathers = asked.weather.split(",") if asked.weather else []
    which: list[int | str] = [*weathers] or list(range(seeds))
    names, controllers = asked.rows.split(","), asked.controllers.split(",")
    for given, known in ((names, ROWS), (controllers, CONTROLLERS), (weathers, NAMED)):
        unknown = sorted(set(given) - set(known))
        if unknown:
            raise SystemExit(f"unknown: {', '.join(unknown)}; choose from {', '.join(known)}")
    kept = Kept(asked.keep, code_now())
    if asked.eyes or asked.nights:
        _refuse_idle(asked)
        seen = losing.losing(names, which, RUNS, kept) if asked.eyes else nights.told(names, which, kept)
        print("\n".join(seen[0]))
        return 0 if seen[1] else 1
    eyes = Eyes(forecast=asked.forecast)
    jobs: list[Job] = [(row, seed, _runs(row, controllers, names), eyes) for seed in which for row in names]
    scores, took_s = _all(jobs, kept)
    scores += _told_again(scores, names)
    print("\n".join(table(scores, names, controllers)))
    print("; ".join(f"{name} {seconds:.0f} s" for name, seconds in took_s.items()) + " of process time")
    return 1 if any(missed(scores, row) for row in names if "ours" in controllers) else 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m tests.bench control", description=__doc__)
    parser.add_argument("--seeds", type=int, help=f"how many fortnights (default {SEEDS})")
    parser.add_argument("--rows", default=",".join(ROWS), help="rows, by commas")
    parser.add_argument("--controllers", default=",".join(CONTROLLERS), help="controllers, by commas")
    parser.add_argument("--forecast", default="usual", choices=list(FORECASTS))
    parser.add_argument("--weather", help=f'instead of seeds: "{",".join(NAMED)}"')
    instead = parser.add_mutually_exclusive_group()
    instead.add_argument("--eyes", action="store_true", help="what losing each eye costs, beside a plain PI")
    instead.add_argument("--nights", action="store_true", help="the night's coldest, as foreseen at sunset")
    parser.add_argument(
        "--keep", type=Path, metavar="FOLDER", help="keep each case's figures, go on where a run broke off"
    )
    parser.add_argument("--quick", action="store_true", help=f"{QUICK_SEEDS} seeds")
    return parser


def _refuse_idle(asked: argparse.Namespace) -> None:
    """Refuse what would change nothing: eyes and nights choose controllers, forecasts and the eyes' rows themselves."""
    chosen = "--eyes" if asked.eyes else "--nights"
    if asked.forecast != "usual" or asked.controllers != ",".join(CONTROLLERS):
        raise SystemExit(f"{chosen} brings its own controllers and forecasts; leave out --forecast and --controllers")
    if asked.eyes and not set(asked.rows.split(",")) & set(losing.ROWS):
        raise SystemExit(f"--eyes compares in {', '.join(losing.ROWS)}, not in {asked.rows}; give one as --rows")


def _runs(row: str, controllers: Sequence[str], names: Sequence[str]) -> tuple[tuple[str, int], ...]:
    """Return the controllers to run in a row and the runs each may take; ours without its plan only to judge it."""
    twin = _twin(row, names)
    idle = (*(BLIND if twin != row else ()), *((UNPLANNED,) if ROWS[row].preheats else ()))
    wanted = [each for each in controllers if each not in idle]
    return tuple((each, RUNS if each in ("ours", UNPLANNED) else BASELINE_RUNS) for each in wanted)


def _twin(row: str, names: Sequence[str]) -> str:
    """Return the first row with the same plants: itself where there is none before it."""
    return next(each for each in names if ROWS[each].built is ROWS[row].built)


def _told_again(scores: Sequence[Score], names: Sequence[str]) -> list[Score]:
    """Return what the blind have scored in a row's twin, as scores of that row."""
    twins = [(row, twin) for row in names if (twin := _twin(row, names)) != row]
    blind = [each for each in scores if each.controller in BLIND]
    return [replace(each, row=row) for row, twin in twins for each in blind if each.row == twin]


def _timed(job: Job) -> Timed:
    row, seed, controllers, eyes = job
    done: Timed = []
    for each, runs in controllers:
        begun_s = time.process_time()
        done.append((score(row, seed, each, runs, eyes), time.process_time() - begun_s))
    return done


def _all(jobs: list[Job], kept: Kept) -> tuple[list[Score], dict[str, float]]:
    scores, took_s = [], dict.fromkeys(CONTROLLERS, 0.0)
    for found, seconds in (one for many in all_of(_timed, jobs, kept) for one in many):
        scores.append(found)
        took_s[found.controller] += seconds
    return scores, took_s


def table(scores: Sequence[Score], names: Sequence[str], controllers: Sequence[str]) -> list[str]:
    """Return the table, ours last in each row and under it the targets; over may be judged without the plan."""
    lines: list[tuple[str, ...]] = [HEAD]
    for row in names:
        for each in controllers:
            mine = [one for one in scores if (one.row, one.controller) == (row, each)]
            if mine:
                verdict = ("MISSED" if missed(scores, row) else "holds") if each == "ours" else ""
                lines.append((row, each, *_cells(mine), verdict))
        most_kh = most_over_kh(scores, row)
        over = "" if most_kh is None else f"{most_kh:.1f}"
        pauses = {one.seed: one.pauses for one in scores if one.row == row}
        if pauses:
            lines.append((row, "optimum, pausing", *_pausing(list(pauses.values()))))
        lines.append((row, "target", *(f"{each:.3f}" for each in ROWS[row].targets), over, *_kind(row)))
    return aligned(lines)


def _pausing(pauses: Sequence[Pauses]) -> tuple[str, ...]:
    """Return the figures of the optimum that pauses after each half hour of heat, as no controller here can but do."""
    loose, tight = ([each for each in found if each is not None] for found in zip(*pauses, strict=True))
    if not tight or not loose:
        return "out of reach", *[""] * 7
    short = len(pauses) - len(tight)
    note = f" ({short} out of reach)" if short else ""
    return f"{median(loose):.3f}", f"{median(tight):.3f}{note}", f"{max(loose):.3f}", *[""] * 5


def _kind(row: str) -> tuple[str, ...]:
    return f"{ROWS[row].cycles_a_day:.0f}", "", "", ""


def most_over_kh(scores: Sequence[Score], row: str) -> float | None:
    """Return the needless heat [K h] that a row's ours may give beside on/off's in the same run; None without that."""
    theirs = [one.over_kh for one in scores if (one.row, one.controller) == (row, "on/off")]
    return max(ROWS[row].over * median(theirs), NONE_KH) if theirs else None


def _cells(mine: Sequence[Score]) -> tuple[str, ...]:
    loose, tight, worst = _figures(mine)
    reached = sum(one.reached for one in mine)
    cycles = median(one.cycles_a_day for one in mine)
    note = "" if reached == len(mine) else f" ({len(mine) - reached} out of reach)"
    return (
        f"{loose:.3f}",
        f"{tight:.3f}{note}",
        f"{worst:.3f}",
        f"{median(one.over_kh for one in mine):.1f}",
        f"{cycles:.1f}",
        f"{median(one.least_a_day for one in mine):.1f}",
        "-" if (lasts := seasons(cycles)) is None else f"{lasts:.0f}",
    )


def _figures(mine: Sequence[Score]) -> tuple[float, float, float]:
    loose = [one.loose for one in mine]
    return median(loose), median(one.tight for one in mine), max(loose)


def missed(scores: Sequence[Score], row: str) -> bool:
    """Whether ours missed a target of a row, or never came to the shortfalls it is compared at."""
    mine = [one for one in scores if (one.row, one.controller) == (row, "ours")]
    figures = zip(_figures(mine), ROWS[row].targets, strict=True)
    too_much = not all(one.reached for one in mine) or any(found > target for found, target in figures)
    return too_much or _overshoots(scores, row)


def _overshoots(scores: Sequence[Score], row: str) -> bool:
    most_kh, judged = most_over_kh(scores, row), "ours" if ROWS[row].preheats else UNPLANNED
    mine = [one.over_kh for one in scores if (one.row, one.controller) == (row, judged)]
    return bool(mine) and most_kh is not None and median(mine) > most_kh
