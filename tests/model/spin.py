"""Spin at work on the dead-man: the code's constants in ticks, a search of every state, a run told at random."""

import math
import re
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

from controller.safety import limits, node_limits

MODEL = Path(__file__).with_name("dead_man.pml")
REMEDY = "install it with: apt-get install spin gcc libc6-dev (tests/run does so)"
DEEPEST = 400_000
MOST_MB = 900


class SpinError(RuntimeError):
    """Spin or the compiler is missing, or one of them failed; the text says which and what to do."""


@dataclass(frozen=True, slots=True)
class Scale:
    """How finely time is counted, and how crowded the network may be.

    Parameters
    ----------
    tick_s
        [s]
    held
        Commands under way at once.
    """

    tick_s: float
    held: int

    @property
    def constants(self) -> dict[str, int]:
        """The model's constants, from the code's.

        Notes
        -----
        Clocks may err by the drift when the lease is counted, and by twice the drift when lateness is judged: there the
        node allows for it, and its clock may lie the other way. A part of a tick counts as a whole one.
        """
        err_s = 3 * node_limits.CLOCK_DRIFT * limits.LONGEST_LEASE_S
        return {
            "LEASE": self._ticks("lease", limits.LONGEST_LEASE_S),
            "RENEW": self._ticks("time between renewals", limits.RENEW_EVERY_S),
            "DRIFT": math.ceil(err_s / self.tick_s),
            "HELD": self.held,
        }

    def _ticks(self, what: str, span_s: float) -> int:
        ticks = span_s / self.tick_s
        if ticks != int(ticks):
            raise ValueError(
                f"the {what} of {span_s} s is no whole number of ticks of {self.tick_s} s; change the tick"
            )
        return int(ticks)


@dataclass(frozen=True, slots=True)
class Search:
    """What a search found.

    Parameters
    ----------
    complaint
        The first property violated, in spin's words, or "".
    finished
        Whether every state was visited: not cut short by depth, memory or a complaint.
    unreached
        "process: statement" of each statement that no run executes.
    """

    complaint: str
    finished: bool
    states: int
    depth: int
    memory_mb: float
    unreached: frozenset[str]


def search(folder: Path, scale: Scale, *flags: str, deepest: int = DEEPEST) -> Search:
    """Visit every state of the model, or stop at the first complaint.

    Parameters
    ----------
    folder
        Where spin and the compiler write.
    flags
        BROKEN_... or STALE_FIRST.

    Raises
    ------
    SpinError
        If spin or the compiler is missing or fails.
    """
    _run(folder, "spin", "-a", *_defines(scale.constants, flags), str(MODEL))
    # A broken model is soon found out: compiling it well would take longer than running it.
    effort = "-O0" if flags else "-O2"
    _run(folder, "gcc", effort, "-w", "-DSAFETY", f"-DMEMLIM={MOST_MB}", "-o", "pan", "pan.c")
    return _read(_run(folder, "./pan", f"-m{deepest}", "-w23"))


def tell(folder: Path, scale: Scale, seed: int, steps: int) -> list[list[str]]:
    """Return the words of each line that a random run without drift prints: hear, tick, boot, contact."""
    told = _run(
        folder,
        "spin",
        "-T",
        f"-n{seed}",
        f"-u{steps}",
        *_defines(scale.constants | {"DRIFT": 0}, ("TOLD",)),
        str(MODEL),
    )
    lines = [line.split() for line in told.splitlines()]
    return [words for words in lines if words and words[0] in {"hear", "tick", "boot", "contact"}]


def _defines(constants: dict[str, int], flags: tuple[str, ...]) -> list[str]:
    return [*(f"-D{name}={value}" for name, value in constants.items()), *(f"-D{flag}" for flag in flags)]


def _run(folder: Path, program: str, *arguments: str) -> str:
    if not program.startswith("./") and shutil.which(program) is None:
        raise SpinError(f"'{program}' is not installed, so the dead-man's model cannot be checked; {REMEDY}")
    done = subprocess.run([program, *arguments], cwd=folder, capture_output=True, text=True, check=False, timeout=250)
    if done.returncode:
        raise SpinError(f"'{program}' failed with {done.returncode}: {(done.stdout + done.stderr)[-600:]}; {REMEDY}")
    return done.stdout


def _read(text: str) -> Search:
    complaint = re.search(r"^pan:\d+: (.+) \(at depth", text, re.MULTILINE)
    cut_short = ("Search not completed", "max search depth too small", "reached -DMEMLIM", "out of memory")
    return Search(
        complaint.group(1) if complaint else "",
        not any(each in text for each in cut_short),
        int(_figure(r"(\d+) states, stored", text)),
        int(_figure(r"depth reached (\d+)", text)),
        float(_figure(r"([\d.]+)\s+total actual memory usage", text)),
        _unreached(text),
    )


def _figure(pattern: str, text: str) -> str:
    found = re.search(pattern, text)
    if found is None:
        raise SpinError(f"the search printed no {pattern!r}: {text[-600:]}")
    return found.group(1)


def _unreached(text: str) -> frozenset[str]:
    process, found = "", set()
    for line in text.splitlines():
        if line.startswith("unreached in proctype "):
            process = line.split()[-1]
        # No process ever ends, so "-end-" is never reached.
        elif (statement := re.search(r'state \d+, "(.+)"', line)) and statement.group(1) != "-end-":
            found.add(f"{process}: {statement.group(1)}")
    return frozenset(found)
