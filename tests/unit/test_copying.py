"""Copies of what a tick changes: whole, and apart from what they were made of."""

from dataclasses import fields
from typing import Any

import pytest

from controller.probe_state import ProbeState, copied
from controller.state import Response, State


@pytest.mark.parametrize(("kind", "copy"), [(ProbeState, copied), (Response, Response.copy), (State, State.copy)])
def test_a_copy_is_whole_and_apart(kind: Any, copy: Any) -> None:
    """No field is left out or exchanged; changing the copy changes nothing of the original."""
    names = [each.name for each in fields(kind)]
    given = kind(*names)
    made = copy(given)
    assert type(made) is kind
    assert [getattr(made, name) for name in names] == names
    setattr(made, names[0], "changed")
    assert getattr(given, names[0]) == names[0]
