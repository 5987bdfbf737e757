"""The table's rows and how they are printed."""

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Row:
    """One line: what was measured, its figure, what it stands beside in the same run, their ratio, and the bound.

    `holds` is None where there is no bound.
    """

    what: str
    figure: str
    beside: str = ""
    ratio: str = ""
    bound: str = ""
    holds: bool | None = None


def lines(rows: Sequence[Row]) -> list[str]:
    """Return the table as text, one column as wide as its widest cell."""
    verdict = {None: "", True: "holds", False: "MISSED"}
    cells = [("what", "figure", "beside", "ratio", "bound", "")]
    cells += [(row.what, row.figure, row.beside, row.ratio, row.bound, verdict[row.holds]) for row in rows]
    return aligned(cells)


def aligned(cells: Sequence[tuple[str, ...]]) -> list[str]:
    """Return lines of text, one column as wide as its widest cell."""
    widths = [max(len(line[column]) for line in cells) for column in range(len(cells[0]))]
    return ["  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip() for line in cells]


def percentile(values: Sequence[float], share: float) -> float:
    """Return the smallest value that at least `share` (0..1) of the values do not exceed."""
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, max(0, round(share * len(ordered) + 0.5) - 1))]
