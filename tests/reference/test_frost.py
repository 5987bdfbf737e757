"""FAO's night minimum and its course through the night, on the book's own figures."""

from datetime import date, timedelta

import numpy as np
import pytest

from api.season.night import Line, Method, Night, fitted, minimum_c
from api.season.night_course import course_c, hours_until

T0_C = (3.2, 0.8, 0.2, 2.6, 4.4, 5.2, 2.7, 1.2, 4.5, 5.6)
DEW_C = (-4.2, -8.8, -6.5, -6.2, -6.1, 2.6, -0.7, -1.7, -1.2, 0.1)
LOWEST_C = (-3.1, -5.0, -6.3, -5.4, -4.0, -2.5, -4.8, -5.0, -4.4, -3.3)

NIGHTS = [
    Night(date(2026, 3, 1) + timedelta(days=count), t0_c, dew_c, lowest_c)
    for count, (t0_c, dew_c, lowest_c) in enumerate(zip(T0_C, DEW_C, LOWEST_C, strict=True))
]
"""The ten example nights of the book; their dates are ours."""


def rmse_k(line: Line) -> float:
    """Return the root mean square of what a line leaves of the ten nights [K]."""
    return float(np.sqrt(np.mean([(n.minimum_c - minimum_c(line, n.t0_c, n.dew_c)) ** 2 for n in NIGHTS])))


FITS = [
    pytest.param(Method.TWO_STEP, (0.502812, 0.026472, -5.821987), 0.6311, id="two-step"),
    pytest.param(Method.JOINT, (0.447298, 0.045073, -5.592397), 0.6264, id="joint"),
    pytest.param(Method.T0_ONLY, (0.502812, 0.0, -5.908549), 0.6376, id="t0-only"),
]


@pytest.mark.parametrize(("method", "wanted", "left_k"), FITS)
def test_the_ten_nights_of_the_book(method: Method, wanted: tuple[float, float, float], left_k: float) -> None:
    """Coefficients to 1e-5 and what they leave to 1e-3: two steps are not the joint fit.

    Source: Snyder and de Melo-Abreu 2005, FAO Series 10, vol. 1, ch. 5 (example nights, two-step coefficients); the
    joint fit, the one on temperature alone (its error from R2 0.6656) and the errors computed independently.
    """
    line = fitted(method, NIGHTS)
    assert (line.b1, line.b2, line.b3) == pytest.approx(wanted, abs=1e-5)
    assert rmse_k(line) == pytest.approx(left_k, abs=1e-3)


def test_the_prediction_of_the_book() -> None:
    """10 Cel with a dew point of 2 Cel makes -0.7409219 Cel of the book's coefficients, which know no range.

    Source: Snyder and de Melo-Abreu 2005, FAO Series 10, vol. 1, ch. 5, by a published program's output.
    """
    line = fitted(Method.TWO_STEP, NIGHTS)
    assert minimum_c(Line(line.b1, line.b2, line.b3), 10.0, 2.0) == pytest.approx(-0.7409219, abs=1e-6)


def test_the_ten_nights_told_back() -> None:
    """To the printed digit.

    Source: Snyder and de Melo-Abreu 2005, FAO Series 10, vol. 1, ch. 5.
    """
    line = fitted(Method.TWO_STEP, NIGHTS)
    told = [minimum_c(line, night.t0_c, night.dew_c) for night in NIGHTS]
    wanted = [-4.32, -5.65, -5.89, -4.68, -3.77, -3.14, -4.48, -5.26, -3.59, -3.00]
    assert told == pytest.approx(wanted, abs=6e-3)


F = (30.5105, 29.1893, 28.1756, 27.3209, 26.5680, 25.8873, 25.2613, 24.6787, 24.1314, 23.6138, 23.1215, 22.6512, 22.2)
C = (
    *(-0.8250, -1.5603, -2.1245, -2.6001, -3.0191, -3.3979, -3.7463, -4.0706, -4.3751, -4.6632, -4.9371),
    *(-5.1989, -5.45),
)


@pytest.mark.parametrize(("t0", "lowest", "wanted"), [(33.7, 22.2, F), (0.95, -5.45, C)], ids=["in-F", "in-C"])
def test_the_course_of_a_night(t0: float, lowest: float, wanted: tuple[float, ...]) -> None:
    """Hours 3 to 15 after sunset of a night of 15 h, to 1e-4.

    Source: Snyder and de Melo-Abreu 2005, FAO Series 10, vol. 1, ch. 5, by a published program's output.
    """
    told = [course_c(t0, lowest, 15.0, float(hour)) for hour in range(3, 16)]
    assert told == pytest.approx(wanted, abs=1e-4)


def test_the_hour_at_which_it_freezes() -> None:
    """From 4 to -2 Cel in nine hours, 0 Cel is reached after four; and the course is 0 Cel there.

    Source: Snyder and de Melo-Abreu 2005, FAO Series 10, vol. 1, ch. 5, solved for time.
    """
    assert hours_until(0.0, 4.0, -2.0, 11.0) == pytest.approx(4.0, abs=1e-9)
    assert course_c(4.0, -2.0, 11.0, 6.0) == pytest.approx(0.0, abs=1e-9)
