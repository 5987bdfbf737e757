"""`python -m tests.mutation`: change one thing at a time in `controller/safety`, and see that a test notices.

Works on a copy of the tree, one copy for each core (or `--jobs`). A mutant that no test notices must stand in
`survivors.toml` with a reason; any other fails the run. `--only limits,trip` changes these modules alone, and so can
`ground`, `steep` and `commissioned`, which judge outside that room; `--monitors` takes every monitor of the controller
and the node away instead, one at a time (invariant I13).
"""

import argparse
import compileall
import json
import os
import shutil
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Iterable, Iterator, Set
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from py_compile import PycInvalidationMode

from tests.mutation import monitors

ROOT = Path(__file__).parents[2]
SAFETY = "controller/safety"
TESTS = (
    "unit/test_gate",
    "unit/test_lease",
    "unit/test_trip",
    "unit/test_safety_words",
    "unit/test_node_limits",
    "reference/test_limits",
)
BEYOND = {
    "controller/ground.py": "unit/test_ground",
    "controller/steep.py": "unit/test_steep",
    "controller/proving/commissioned.py": "unit/test_commissioned",
}
"""What is changed only where it is named, and by which tests it is noticed."""
PYTEST = "pytest -x -q -p no:cacheprovider --noconftest --assert=plain"
"""The tests of this room need no fixture, and a failure here is only counted: so each run begins in half the time."""
TIMEOUT_S = 180.0
"""[s] On a busy machine the tests of this room, 5 s of work, took more than a minute."""


@dataclass(frozen=True, slots=True)
class Mutant:
    """One change: where, which kind, and what became of it (killed, survived or another word of the tool's)."""

    module: str
    operator: str
    line: int
    text: str
    outcome: str
    diff: str

    @property
    def name(self) -> str:
        """Its handle in `survivors.toml`: the text of its line, not its number, which moves."""
        return f"{self.module}: {self.operator}: {self.text}"


def modules(only: str) -> list[str]:
    """Return the modules that are changed, the longest first: all, or those named with commas between them."""
    named = {name for name in only.split(",") if name}
    room = [each for each in (ROOT / SAFETY).glob("*.py") if each.stat().st_size and (not named or each.stem in named)]
    found = [*room, *(ROOT / each for each in BEYOND if Path(each).stem in named)]
    return [str(each.relative_to(ROOT)) for each in sorted(found, key=lambda each: -each.stat().st_size)]


def tests_of(part: list[str]) -> str:
    """Return the files of tests that must notice a change in these modules."""
    here = (
        *(TESTS if any(each.startswith(SAFETY) for each in part) else ()),
        *(BEYOND[p] for p in part if p in BEYOND),
    )
    return " ".join(f"tests/{each}.py" for each in here)


def copied(folder: Path) -> Path:
    """Copy what the tests need, compiled; a compiled file counts by the hash of its source, so never for a mutant."""
    for each in ("controller", "api", "tests", "pyproject.toml"):
        source = ROOT / each
        if source.is_dir():
            shutil.copytree(source, folder / each, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            shutil.copy(source, folder / each)
    compileall.compile_dir(folder, quiet=1, invalidation_mode=PycInvalidationMode.CHECKED_HASH)
    return folder


def run_part(part: list[str], number: int) -> list[Mutant]:
    """Mutate some modules in a copy of their own."""
    with tempfile.TemporaryDirectory(prefix="soilward-mutation-") as name:
        folder = copied(Path(name))
        paths = ", ".join(f'"{each}"' for each in part)
        command = f"{sys.executable} -m {PYTEST} {tests_of(part)}"
        (folder / "session.toml").write_text(
            f"[cosmic-ray]\nmodule-path = [{paths}]\ntimeout = {TIMEOUT_S}\nexcluded-modules = []\n"
            f'test-command = "{command}"\n[cosmic-ray.distributor]\nname = "local"\n'
        )
        tool = [sys.executable, "-m", "cosmic_ray.cli"]
        session = ["session.toml", "session.db"]
        for step in (["baseline", "session.toml"], ["init", *session], ["exec", *session]):
            done = subprocess.run(
                [*tool, *step], cwd=folder, env=_environment(folder), capture_output=True, text=True, check=False
            )
            if done.returncode:
                raise SystemExit(f"part {number}, {step[0]}: {done.stdout[-2000:]}{done.stderr[-2000:]}")
        dumped = subprocess.run([*tool, "dump", "session.db"], cwd=folder, capture_output=True, text=True, check=True)
        return list(_mutants(dumped.stdout, folder))


def _environment(folder: Path) -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(folder), "PYTHONDONTWRITEBYTECODE": "1"}


def _mutants(dumped: str, folder: Path) -> Iterator[Mutant]:
    for line in dumped.splitlines():
        item, result = json.loads(line)
        for mutation in item["mutations"]:
            module, number = mutation["module_path"], mutation["start_pos"][0]
            text = (folder / module).read_text().splitlines()[number - 1].strip()
            outcome = "none" if result is None else str(result["test_outcome"])
            yield Mutant(module, mutation["operator_name"], number, text, outcome, (result or {}).get("diff") or "")


def parts(jobs: int, only: str) -> list[list[str]]:
    """Return the modules dealt out over the copies."""
    return [part for part in (modules(only)[start::jobs] for start in range(jobs)) if part]


def main() -> int:
    """Mutate as asked; returns 1 if anything went unnoticed."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutation", description=__doc__)
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, help="copies at work at once")
    parser.add_argument("--only", default="", help="modules, with commas (default: all of controller/safety)")
    parser.add_argument("--monitors", action="store_true", help="take every monitor away instead")
    asked = parser.parse_args()
    jobs = max(1, asked.jobs)
    return monitors.main(jobs) if asked.monitors else mutate(jobs, asked.only)


def mutate(jobs: int, only: str) -> int:
    """Change `controller/safety` and print what survived; returns 1 if anything did without a reason."""
    excused = tomllib.loads((Path(__file__).parent / "survivors.toml").read_text())["survivor"]
    reasons = {each["mutant"]: each["reason"] for each in excused}
    with ThreadPoolExecutor() as pool:
        found = [each for part in pool.map(run_part, parts(jobs, only), range(99)) for each in part]
    survivors = [each for each in found if "survived" in each.outcome.lower() or each.outcome == "none"]
    unexcused = [each for each in survivors if each.name not in reasons]
    for each in unexcused:
        print(f"SURVIVED {each.module}:{each.line} {each.operator}\n{each.diff}\n")
    idle = idle_reasons(reasons, found, {each.name for each in survivors})
    for name in idle:
        print(f"no longer survives, take it off the list: {name}")
    print(f"{len(found)} mutants, {len(survivors)} survived, {len(survivors) - len(unexcused)} of them with a reason")
    return 1 if unexcused or idle else 0


def idle_reasons(reasons: Iterable[str], found: Iterable[Mutant], survived: Set[str]) -> list[str]:
    """Return the mutants with a reason that survive no more, of the modules that were changed this time."""
    changed = {each.module for each in found}
    return [name for name in reasons if name.split(":")[0] in changed and name not in survived]


if __name__ == "__main__":
    raise SystemExit(main())
