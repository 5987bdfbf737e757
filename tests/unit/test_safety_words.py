"""The room `controller/safety`: what it may import, and that every reason it gives is in words."""

import ast
from pathlib import Path

import pytest

from controller.safety.digest import PROGRAMMED
from controller.safety.interlock import Permissive
from controller.safety.lease import Order, Sent
from controller.safety.node_fault import WORDS, NodeFault
from controller.safety.trip import Heat, Refusal, Trip

ROOM = Path(__file__).parents[2] / "controller" / "safety"
PURE = {"collections.abc", "dataclasses", "enum", "hashlib", "typing"}
"""Of the standard library: nothing that reads a clock, a file, a socket or a thread."""


@pytest.mark.parametrize("module", sorted(each.name for each in ROOM.glob("*.py")))
def test_safety_imports_only_what_is_pure(module: str) -> None:
    """Itself, and the part of the standard library that touches nothing outside."""
    tree = ast.parse((ROOM / module).read_text())
    imported = {each.name for node in ast.walk(tree) if isinstance(node, ast.Import) for each in node.names}
    imported |= {str(node.module) for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    foreign = {each for each in imported - PURE if not each.startswith("controller.safety")}
    assert foreign == set()


VALUES = (Permissive, Order, Sent, Trip, Heat, Refusal)


@pytest.mark.parametrize("kind", VALUES)
def test_what_safety_hands_out_cannot_be_changed(kind: type) -> None:
    """Frozen, and no room for a further field: a trip that was latched stays as it is."""
    assert kind.__dataclass_params__.frozen  # type: ignore[attr-defined]
    assert "__slots__" in vars(kind)


def test_the_digest_is_16_digits_long() -> None:
    """It must fit a report."""
    assert len(PROGRAMMED) == 16


@pytest.mark.parametrize("call", ["open", "exec", "eval", "__import__", "print", "input", "globals"])
def test_safety_calls_nothing_that_reaches_outside(call: str) -> None:
    """What needs no import must not be called either."""
    for module in ROOM.glob("*.py"):
        calls = {node.func.id for node in ast.walk(ast.parse(module.read_text()))
                 if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)}  # fmt: skip
        assert call not in calls, module.name


def test_every_fault_of_a_node_has_words() -> None:
    """Each says what it shows and where to look, and none is a fragment of another."""
    assert set(WORDS) == set(NodeFault)
    assert all(len(words) > 30 for words in WORDS.values())
    assert len(set(WORDS.values())) == len(WORDS)
