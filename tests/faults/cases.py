"""Which rows a test carries, read from its name, its parameter's id and its docstring; and what it measured."""

import ast
import re
from collections import defaultdict
from collections.abc import Iterator
from functools import cache
from pathlib import Path

FOLDER = Path(__file__).parent
_ID = re.compile(r"\b([PNRBCTDAOKHEW]\d\d)\b")
_IN_NAME = re.compile(r"(?<![a-z0-9])([pnrbctdaokhew]\d\d)(?![a-z0-9])")
_BEGINS = re.compile(r"^((?:[PNRBCTDAOKHEW]\d\d(?:, | and |, and | )?)+):")
_LEADING = re.compile(r"(?:[PNRBCTDAOKHEW]\d\d[-,: ]*)+")

measured: dict[str, list[float]] = defaultdict(list)
"""Row id to the times [s] from fault to contact open, or to the last order that could hold it closed, of this run."""


def seen(row: str, seconds: float) -> None:
    """Note a measured time; the table shows the worst."""
    measured[row].append(seconds)


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


def carried() -> dict[str, set[str]]:
    """Return by row the tests that carry it, from the source of every file here."""
    found: dict[str, set[str]] = defaultdict(set)
    for path in sorted(FOLDER.glob("test_*.py")):
        for name, ids in _functions(path):
            for each in ids:
                found[each].add(f"{path.name}::{name}")
    return found


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
