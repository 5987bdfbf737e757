"""The list of mutants that may survive is held against what was changed, and against nothing else."""

from tests.mutation.__main__ import Mutant, idle_reasons

REASONS = ("controller/safety/trip.py: a: x", "controller/safety/trip.py: b: y", "controller/ground.py: a: z")


def test_a_reason_is_idle_only_where_its_module_was_changed() -> None:
    """One that survives needs its reason, one that is killed needs none, and of another module nothing is known."""
    found = [Mutant("controller/safety/trip.py", each, 1, "", "", "") for each in "ab"]
    assert idle_reasons(REASONS, found, {REASONS[0]}) == [REASONS[1]]
