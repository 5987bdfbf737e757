"""What losing an eye costs: our controller with each eye shut beside a PI by SIMC, at equal shortfall."""

from collections.abc import Sequence
from statistics import median

from tests.bench.control.eyes import EYES
from tests.bench.control.pool import Kept, all_of
from tests.bench.control.rows import Score, score
from tests.bench.table import aligned

ROWS = ("cable-ample", "air-ample")
MOST_WORSE = 1.02
"""Ours with an eye shut may take so many times a PI's energy (the project's own bound)."""
Job = tuple[str, int | str, int]
Eyed = tuple[str, Score]


def _of(job: Job) -> list[Eyed]:
    """Score a PI and ours with every set of eyes in one case."""
    row, seed, runs = job
    plain = ("plain PI", score(row, seed, "SIMC PI", 2 * runs))
    return [plain, *((name, score(row, seed, "ours", runs, eyes)) for name, eyes in EYES.items())]


def losing(names: Sequence[str], seeds: Sequence[int | str], runs: int, kept: Kept) -> tuple[list[str], bool]:
    """Return the table of those of `ROWS` that are named, and whether every bound holds."""
    rows = [row for row in ROWS if row in names]
    jobs = [(row, seed, runs) for seed in seeds for row in rows]
    scored = [one for many in all_of(_of, jobs, kept) for one in many]
    cells, holds = [("row", "eyes", "LOOSE", "TIGHT", "LOOSE over PI", "")], True
    for row in rows:
        plain = {one.seed: one for name, one in scored if (name, one.row) == ("plain PI", row)}
        for name in ("plain PI", *EYES):
            mine = [one for each, one in scored if (each, one.row) == (name, row)]
            over = median(one.loose / plain[one.seed].loose for one in mine)
            fits = over <= MOST_WORSE
            holds = holds and fits
            figures = (f"{median(one.loose for one in mine):.3f}", f"{median(one.tight for one in mine):.3f}")
            cells.append((row, name, *figures, f"{over:.3f}", "holds" if fits else "MISSED"))
    return aligned(cells), holds
