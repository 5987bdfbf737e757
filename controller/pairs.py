"""Two probes that should agree: same quantity, same level. Which pairs differ, and for how long."""

from collections.abc import Callable, Iterable, Mapping
from itertools import combinations

from controller.probe import Quantity
from controller.probe_state import Watch
from controller.safety import limits

SAME_LEVEL_M = 0.02
"""[m] Probes this close in height or depth feel the same. Source: engineering judgement."""

Since = Mapping[tuple[str, str, float], float]
"""(probe, probe, limit [K]) -> [s] since when the two have differed by more than the limit."""


def pairs_of(watches: Iterable[Watch]) -> tuple[tuple[Watch, Watch], ...]:
    """Return every pair of soil or of air probes at the same level."""
    placed = [each for each in watches if each.quantity in (Quantity.SOIL, Quantity.AIR) and each.level_m is not None]
    return tuple(
        (one, other)
        for one, other in combinations(placed, 2)
        if one.quantity is other.quantity and _apart_m(one, other) <= SAME_LEVEL_M
    )


def _apart_m(one: Watch, other: Watch) -> float:
    """[m] to the millimetre: 0.10 and 0.12 are 0.02 apart, whatever the last bit says."""
    return round(abs((one.level_m or 0.0) - (other.level_m or 0.0)), 3)


def since_when(
    pairs: Iterable[tuple[Watch, Watch]], value_of: Callable[[Watch], float | None], before: Since, now_s: float
) -> Since:
    """Return which pairs differ now, keeping since when; a pair with a probe missing is left out.

    Parameters
    ----------
    value_of
        The probe's value [Cel], or None where it is not fresh.
    """
    found = {}
    for one, other in pairs:
        first, second = value_of(one), value_of(other)
        if first is None or second is None:
            continue
        for limit_k in (limits.PAIR_ALERT_K, limits.PAIR_FAULT_K):
            key = (one.name, other.name, limit_k)
            if abs(first - second) > limit_k:
                found[key] = before.get(key, now_s)
    return found


def differing(since: Since, limit_k: float, lasting_s: float, now_s: float) -> list[tuple[str, str]]:
    """Return the pairs that have differed by more than a limit [K] for at least so long [s]."""
    return [(one, other) for (one, other, k), from_s in since.items() if k == limit_k and now_s - from_s >= lasting_s]
