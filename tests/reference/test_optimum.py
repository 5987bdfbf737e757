"""The optimum that control is compared with, solved a second time: another form, another algorithm."""

import pytest

from tests.bench.control.optimum import optimum, optimum_by_modes
from tests.bench.control.rows import case


def test_another_form_and_solver_find_the_same_optimum() -> None:
    """One equation per mode and an interior point agree with the impulse response and the simplex to a millionth.

    Source: strong duality of linear programmes (Dantzig 1963, chapter 6): the least value is one, whoever finds it;
    HiGHS's dual simplex and its interior point.
    """
    chosen = case("cable-ample", 0)
    allowed_kh = max(chosen.loose.run_out_kh, 0.1)
    other, same = (solve(chosen.ask, chosen.loose.d_kh, allowed_kh) for solve in (optimum_by_modes, optimum))
    assert other.duty.sum() == pytest.approx(same.duty.sum(), rel=1e-6)
