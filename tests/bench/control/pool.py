"""Jobs on every core, with a bar that says how far it is."""

import sys
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from multiprocessing import get_context
from typing import TypeVar

Job = TypeVar("Job")
Done = TypeVar("Done")


def all_of(work: Callable[[Job], Done], jobs: Sequence[Job]) -> list[Done]:
    """Return what `work` makes of each job, as they come; a bar on standard error meanwhile."""
    found, begun_s = [], time.monotonic()
    with ProcessPoolExecutor(mp_context=get_context("spawn")) as pool:
        for number, done in enumerate(as_completed([pool.submit(work, job) for job in jobs]), 1):
            found.append(done.result())
            bar = "#" * (30 * number // len(jobs))
            spent_s = time.monotonic() - begun_s
            print(f"\r[{bar:<30}] {number}/{len(jobs)} {spent_s:.0f} s", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    return found
