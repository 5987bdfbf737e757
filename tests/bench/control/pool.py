"""Jobs on every core, with a bar that says how far it is; what is done can be kept, and a broken-off run goes on."""

import hashlib
import pickle
import sys
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from multiprocessing import get_context
from pathlib import Path
from typing import TypeVar

import controller

Job = TypeVar("Job")
Done = TypeVar("Done")
BAR = 30
MEASURED_BY = ("control", "planning", "plant", "safety")
"""Rooms of the controller, besides its top level, whose code decides what a job finds."""


class Kept:
    """What jobs have found, a file each in a folder, by the job and by the code that found it; no folder keeps nothing.

    Pickles of our own making: a folder from elsewhere must not be given.
    """

    def __init__(self, folder: Path | None, code: str = "") -> None:
        self._folder, self._code = folder, code
        if folder is not None:
            folder.mkdir(parents=True, exist_ok=True)

    def _file(self, folder: Path, work: Callable[[Job], Done], job: Job) -> Path:
        named = f"{self._code} {work.__module__} {work.__qualname__} {job!r}"
        return folder / f"{hashlib.sha256(named.encode()).hexdigest()[:24]}.pickle"

    def of(self, work: Callable[[Job], Done], job: Job) -> list[Done]:
        """Return what was found, in a list; an empty one where nothing was."""
        if self._folder is None or not (file := self._file(self._folder, work, job)).exists():
            return []
        return [pickle.loads(file.read_bytes())]

    def put(self, work: Callable[[Job], Done], job: Job, done: Done) -> None:
        """Keep what was found; whole or not at all."""
        if self._folder is not None:
            file = self._file(self._folder, work, job)
            file.with_suffix(".part").write_bytes(pickle.dumps(done))
            file.with_suffix(".part").replace(file)


def code_now() -> str:
    """Return a digest of everything that decides what a job finds."""
    top = Path(controller.__file__).parent
    folders = (top, *(top / each for each in MEASURED_BY), Path(__file__).parent)
    files = sorted(file for folder in folders for file in folder.glob("*.py"))
    return hashlib.sha256(b"".join(file.name.encode() + file.read_bytes() for file in files)).hexdigest()[:16]


NOTHING_KEPT = Kept(None)


def all_of(work: Callable[[Job], Done], jobs: Sequence[Job], kept: Kept = NOTHING_KEPT) -> list[Done]:
    """Return what `work` makes of each job, as they come; a bar on standard error meanwhile."""
    known = {place: kept.of(work, job) for place, job in enumerate(jobs)}
    found, begun_s = [each for many in known.values() for each in many], time.monotonic()
    with ProcessPoolExecutor(mp_context=get_context("spawn")) as pool:
        asked = {pool.submit(work, jobs[place]): jobs[place] for place, many in known.items() if not many}
        for future in as_completed(asked):
            found.append(future.result())
            kept.put(work, asked[future], found[-1])
            bar = "#" * (BAR * len(found) // len(jobs))
            spent_s = time.monotonic() - begun_s
            print(f"\r[{bar:<{BAR}}] {len(found)}/{len(jobs)} {spent_s:.0f} s", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    return found
