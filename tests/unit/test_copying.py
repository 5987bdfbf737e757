"""Copies of what a tick changes: whole, and apart from what they were made of."""

from dataclasses import fields
from typing import Any

import pytest

from controller.probe_state import ProbeState
from controller.state import Response, State


@pytest.mark.parametrize("kind", [ProbeState, Response, State])
def test_a_copy_is_whole_and_apart(kind: Any) -> None:
    """No field is left out or exchanged; changing the copy changes nothing of the original."""
    names = [each.name for each in fields(kind)]
    given = kind(*names)
    copied = given.copy()
    assert type(copied) is kind
    assert [getattr(copied, name) for name in names] == names
    setattr(copied, names[0], "changed")
    assert getattr(given, names[0]) == names[0]
