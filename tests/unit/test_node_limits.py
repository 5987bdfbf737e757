"""The node's figures, restated, and the digest that notices when one has changed."""

import ast
import math
import struct
from pathlib import Path

import pytest

from controller.node import guard
from controller.safety import limits, node_limits
from controller.safety.digest import PROGRAMMED, limits_digest

FIGURES = {
    "LONGEST_LEASE_S": 15.0,
    "LONGEST_CLOSING_S": 1800.0,
    "REST_AFTER_LONGEST_S": 60.0,
    "CLOCK_DRIFT": 0.02,
    "MOST_DRIFT_S": 15.0,
    "FLOW_A": 0.1,
    "SMALLEST_PROVABLE_A": 0.25,
    "OPEN_SETTLE_S": 2.0,
    "FLOW_STEADY_S": 0.5,
    "NOT_FOLLOWING_S": 3.0,
    "SENSOR_DOUBTED_S": 2.0,
    "NO_CURRENT_S": 5.0,
    "HALF_POWER": (0.40, 0.60),
    "HALF_POWER_S": 3.0,
    "LOW_POWER": 0.90,
    "HIGH_POWER": 1.10,
    "OVER_POWER": 1.25,
    "POWER_STEADY_S": 10.0,
    "HIGH_POWER_REST_S": 60.0,
    "HIGH_POWER_SPAN_S": 3600.0,
    "INTERRUPTION_S": 1.0,
    "INTERRUPTIONS": 3,
    "INTERRUPTION_SPAN_S": 600.0,
    "DROP_OUTS": 3,
    "PROOF_STEP_S": 2.0,
    "PROOF_PAUSE_S": 0.5,
    "PROOF_GOOD_S": 86_400.0,
    "LONGEST_TURN_S": 1.0,
    "ALIVE_PULSE_S": 2.0,
    "WATCHDOG_S": 4.0,
    "BOOTS": 3,
    "BOOT_SPAN_S": 600.0,
    "SEQ_RESERVE": 12,
    "SHORTEST_OFF_S": 30.0,
    "LONGEST_STAGGER_S": 60.0,
}
"""As the hazard table and its classes say."""


def test_each_figure_is_what_the_hazard_table_says_and_none_is_missing() -> None:
    """A figure moved in the code alone fails here."""
    assert {name: value for name, value in vars(node_limits).items() if name.isupper()} == FIGURES


@pytest.mark.parametrize("name", FIGURES)
def test_one_bit_of_any_figure_changes_the_digest(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """N13 N08: the lowest bit of each number in turn."""
    assert limits_digest() == PROGRAMMED
    monkeypatch.setattr(node_limits, name, flipped(FIGURES[name]))
    assert limits_digest() != PROGRAMMED
    monkeypatch.undo()
    assert limits_digest() == PROGRAMMED


def flipped(value: object) -> object:
    """Return a figure with its lowest bit flipped."""
    if isinstance(value, tuple):
        return (*value[:-1], flipped(value[-1]))
    if isinstance(value, int):
        return value ^ 1
    assert isinstance(value, float)
    (bits,) = struct.unpack("<Q", struct.pack("<d", value))
    found: float = struct.unpack("<d", struct.pack("<Q", bits ^ 1))[0]
    assert math.isclose(found, value)
    return found


def test_the_nodes_program_takes_every_limit_from_the_digested_block() -> None:
    """A limit read from elsewhere would be watched by nobody."""
    folder = Path(guard.__file__).parent
    for file in folder.glob("*.py"):
        for part in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(part, ast.ImportFrom) and part.module == "controller.safety":
                assert {name.name for name in part.names} == {"node_limits"}, file.name


def test_the_nodes_figures_are_not_looser_than_the_controllers() -> None:
    """Lease, longest closing and rest are one and the same on both sides."""
    for name in ("LONGEST_LEASE_S", "LONGEST_CLOSING_S", "REST_AFTER_LONGEST_S", "SHORTEST_OFF_S"):
        assert getattr(node_limits, name) == getattr(limits, name)
