"""Which rows a test carries, read from its name, its parameter's id and its docstring; and what it measured."""

import ast
import re
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from tests.faults.rows import ROWS

FOLDER = Path(__file__).parent
_ID = re.compile(r"\b([PNRBCTDAOKHEW]\d\d)\b")
_IN_NAME = re.compile(r"(?<![a-z0-9])([pnrbctdaokhew]\d\d)(?![a-z0-9])")
_BEGINS = re.compile(r"^((?:[PNRBCTDAOKHEW]\d\d(?:, | and |, and | )?)+):")
_LEADING = re.compile(r"(?:[PNRBCTDAOKHEW]\d\d[-,: ]*)+")

AT_LENGTH = "not long"
"""Which cases the table plays: also those that are as long as their row says and too long for every check."""

LOOK_S = 1.0
"""[s] allowed for looking on the wire: the node's loop turns each 0.25 s, and the machine may be busy."""
_CLASS_S = {row.id: row.bound_s for row in ROWS}


@dataclass(frozen=True, slots=True)
class Seen:
    """A time [s] from fault to open contact, or to the last moment it could be held closed; and its bound."""

    seconds: float
    bound_s: float


measured: dict[str, list[Seen]] = defaultdict(list)
"""By row, what this run has measured."""


def seen(row: str, seconds: float, within_s: float | None = None) -> None:
    """Note a measured time, and fail unless it keeps to the row's class.

    Parameters
    ----------
    within_s
        [s] The bound here, where it is not the class's: a site whose lease is shorter must be quicker. A look at a
        real wire may be late by `LOOK_S`.
    """
    class_s = _CLASS_S[row]
    assert class_s is not None, f"{row} has no bound"
    bound_s = class_s if within_s is None else within_s
    assert bound_s <= class_s + LOOK_S, f"{row}: {bound_s:g} s is looser than its class"
    measured[row].append(Seen(seconds, bound_s))
    assert seconds <= bound_s, f"{row}: open after {seconds:.2f} s, bound {bound_s:g} s"


def worst(row: str) -> Seen | None:
    """Return what came nearest to its bound, None if nothing was measured."""
    return max(measured[row], key=lambda each: each.seconds / each.bound_s, default=None)


def ids_in_name(name: str) -> set[str]:
    """Return the rows that a test's name speaks of."""
    return {each.upper() for each in _IN_NAME.findall(name.split("[", maxsplit=1)[0].replace("_", " "))}


def ids_of(node_id: str, docstring: str) -> set[str]:
    """Return the rows a collected test carries; a parameter's id that names rows narrows it to those."""
    _, _, parameter = node_id.partition("[")
    narrowed = set(_ID.findall(parameter.replace("_", "-")))
    if narrowed:
        return narrowed
    begins = _BEGINS.match(docstring.strip())
    return ids_in_name(node_id.rsplit("::", maxsplit=1)[-1]) | (set(_ID.findall(begins[1])) if begins else set())


@cache
def carried() -> dict[str, set[str]]:
    """Return by row the tests that carry it, from the source of every file here."""
    found: dict[str, set[str]] = defaultdict(set)
    for path in sorted(FOLDER.glob("test_*.py")):
        for name, ids in _functions(path):
            for each in ids:
                found[each].add(f"{path.name}::{name}")
    return dict(found)


@cache
def paired() -> frozenset[str]:
    """Return the rows played with a benign fault more: those that any text of the files of pairs begins with."""
    trees = [ast.parse(path.read_text(encoding="utf-8")) for path in FOLDER.glob("test_pairs_*.py")]
    texts = [
        node.value
        for tree in trees
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    ]
    return frozenset(found for text in texts if (begins := _LEADING.match(text)) for found in _ID.findall(begins[0]))


def _functions(path: Path) -> Iterator[tuple[str, set[str]]]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test_"):
            strings = [
                each.value
                for decorator in node.decorator_list
                for each in ast.walk(decorator)
                if isinstance(each, ast.Constant) and isinstance(each.value, str)
            ]
            ids = {found for text in strings for found in _ID.findall(text.replace("_", "-"))}
            yield node.name, ids | ids_of(node.name, ast.get_docstring(node) or "")


@cache
def timed() -> frozenset[str]:
    """Return the names of the functions here that note a time, themselves or by one that they call."""
    calls: dict[str, set[str]] = defaultdict(set)
    for path in sorted(FOLDER.glob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef):
                calls[node.name] |= {
                    getattr(each.func, "id", getattr(each.func, "attr", ""))
                    for each in ast.walk(node)
                    if isinstance(each, ast.Call)
                }
    found = {"seen"}
    while more := {name for name, called in calls.items() if called & found} - found:
        found |= more
    return frozenset(found)
