"""The files of cases, each in a pytest of its own and several at once, for they mostly wait."""

import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from pathlib import Path
from typing import Any

from tests.faults import cases
from tests.faults.noting import FILE, Noting

WIRE = (
    ("test_wire_rows.py", ""),
    ("test_broker_rows.py", ""),
    ("test_shell_rows.py", ""),
    ("test_lossy_rows.py", ""),
    ("test_hot_and_forged_rows.py", "r08"),
    ("test_api_rows.py", "a08"),
)
"""The files, and which of each: a real broker on loopback, a real controller, a node with the real dead-man."""


def repeat(times: int, jobs: int, which: str) -> Noting:
    """Play what crosses the wire `times` times."""
    keys = [(file, " and ".join(f"({each})" for each in (key, which) if each)) for file, key in WIRE]
    return _all([(number, *each) for number in range(times) for each in keys], jobs)


def everything(jobs: int) -> Noting:
    """Play every file once, those that wait longest first."""
    first = [file for file, _ in WIRE]
    files = sorted({each.name for each in cases.FOLDER.glob("test_*.py")} - set(first))
    return _all([(0, file, "") for file in (*first, *files)], jobs)


def _all(parts: Sequence[tuple[int, str, str]], jobs: int) -> Noting:
    """Play (number, file, key) of each, `jobs` at once; the times seen are added to `cases.measured`."""
    noting = Noting()
    with tempfile.TemporaryDirectory(prefix="soilward-faults-") as name, ThreadPoolExecutor(jobs) as pool:
        played = [pool.submit(_play, Path(name), *each) for each in parts]
        for done, each in enumerate(as_completed(played), 1):
            _add(each.result(), noting)
            print(f"{done} of {len(played)} files played, {len(noting.failures)} failures", file=sys.stderr, flush=True)
    return noting


def _play(folder: Path, number: int, file: str, key: str) -> dict[str, Any]:
    found, kept = folder / f"{number}-{file}.json", folder / f"{number}-{file}"
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-p", "tests.faults.noting"]
    command += ["-m", cases.AT_LENGTH]
    command += [f"--basetemp={kept}", *(("-k", key) if key else ()), str(cases.FOLDER / file)]
    done = subprocess.run(
        command, env={**os.environ, FILE: str(found)}, cwd=cases.FOLDER.parents[1], capture_output=True, text=True,
        check=False,
    )  # fmt: skip
    if not found.exists():
        return {"outcomes": {}, "failures": [f"{file}: {line}" for line in _last(done)], "seen": {}}
    return dict(json.loads(found.read_text(encoding="utf-8")))


def _last(done: "subprocess.CompletedProcess[str]") -> Iterator[str]:
    yield f"pytest ended with {done.returncode}: {(done.stdout + done.stderr).strip()[-500:]}"


def _add(found: dict[str, Any], noting: Noting) -> None:
    noting.failures += found["failures"]
    for row, outcomes in found["outcomes"].items():
        noting.outcomes[row] += outcomes
    for row, times in found["seen"].items():
        cases.measured[row] += [cases.Seen(*each) for each in times]
