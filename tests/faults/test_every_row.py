"""The table and its tests are the same list."""

from collections import defaultdict
from pathlib import Path

import pytest

from tests.faults import cases
from tests.faults.cases import carried, ids_of, paired, seen, timed
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


@pytest.mark.parametrize("row", [row.id for row in ROWS if row.dangerous])
def test_every_row_with_a_bound_has_a_case_that_measures_its_time(row: str) -> None:
    """A bound that nothing measures is a claim."""
    measures = {each.split("::")[1] for each in carried().get(row, set())} & timed()
    assert measures or row in ELSEWHERE, row


@pytest.mark.parametrize(("seconds", "within_s"), [(15.01, None), (7.01, 7.0), (1.0, 16.01), (float("nan"), None)])
def test_a_time_over_its_bound_fails_and_so_does_a_bound_over_the_class(
    seconds: float, within_s: float | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A lease's class is 15 s, and a look may come a second late; what is no number is no time."""
    monkeypatch.setattr(cases, "measured", defaultdict(list))
    with pytest.raises(AssertionError, match="C01"):
        seen("C01", seconds, within_s)


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
