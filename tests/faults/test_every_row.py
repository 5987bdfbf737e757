"""The table and its tests are the same list."""

from pathlib import Path

import pytest

from tests.faults.cases import carried, ids_of, paired
from tests.faults.not_here import ALONE, ELSEWHERE
from tests.faults.rows import ROWS

IDS = [row.id for row in ROWS]


@pytest.mark.parametrize("row", IDS)
def test_every_row_has_a_case_or_a_reason(row: str) -> None:
    """A row without a test is named here, and so is a reason that is no longer needed."""
    assert (row in carried()) is not (row in ELSEWHERE)


@pytest.mark.parametrize("row", IDS)
def test_every_row_is_played_with_a_benign_fault_more_or_says_why_not(row: str) -> None:
    """I14: the same for the pairs."""
    assert (row in paired()) is not (row in ALONE)


def test_no_case_is_for_a_row_that_does_not_exist() -> None:
    """An id with a slip of the pen would count for nothing."""
    assert set(carried()) | paired() | set(ALONE) <= set(IDS)
    assert len(IDS) == len(set(IDS)) == 144


def test_what_is_carried_elsewhere_is_in_the_readme() -> None:
    """Each such row stands in this folder's README with its reason."""
    text = (Path(__file__).parent / "README.md").read_text(encoding="utf-8")
    assert all(f"**{row}**" in text and reason in text for row, reason in ELSEWHERE.items())


@pytest.mark.parametrize(
    ("name", "docstring", "rows"),
    [
        ("test_p04_a_genuine_85", "", {"P04"}),
        ("test_one[N01-hangs]", "N01 N02: words", {"N01"}),
        ("test_one", "N01 N02: words", {"N01", "N02"}),
        ("test_one", "N01, N02 and N03: words", {"N01", "N02", "N03"}),
        ("test_one", "words of N01", set()),
    ],
)
def test_rows_are_read_from_name_parameter_and_docstring(name: str, docstring: str, rows: set[str]) -> None:
    """A parameter's id narrows; a docstring counts only where it begins with ids."""
    assert ids_of(name, docstring) == rows
