"""How much cold a bud has had, by each of the published counts: chilling hours, Utah units, chill portions.

Notes
-----
All take hours in a row [Cel]. A gap up to 3 h is bridged (`hours.bridged`); an hour still missing counts nothing, and
leaves the Dynamic model as it stood.

Figs need little: 100 to 400 h (common practice). Where winters are cold this is met long before spring.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from api.season.hours import Array, bridged

FREEZING_C, CHILL_C = 0.0, 7.2
"""[Cel] bounds of a chilling hour. Source: Weinberger 1950, Proc. Am. Soc. Hort. Sci. 56:122-128 (45 F)."""

UTAH_C = (1.4, 2.4, 9.1, 12.4, 15.9, 18.0)
UTAH_UNITS = (0.0, 0.5, 1.0, 0.5, 0.0, -0.5, -1.0)
"""[Cel] upper bounds and the units of each band. Source: Richardson, Seeley and Walker 1974, HortScience 9:331-332."""

E0, E1, A0, A1, SLOPE, MIDDLE_K, ZERO_K = 4153.5, 12888.8, 139500.0, 2.567e18, 1.6, 277.0, 273.0
"""Dynamic model: activation energies [K], rates [1/h], slope and middle of the step that fixes a portion; its Kelvin
begins at 273. Source: Fishman, Erez and Couvillon 1987, J. Theor. Biol. 124:473-483."""

COLDEST_K = 173.0
"""[K] colder than which the rates are not followed: nothing moves there, and the exponential would overflow."""


@dataclass(frozen=True, slots=True)
class ChillMethod:
    """A count of cold: what a person reads, its unit, where it comes from, and what each hour [Cel] gives."""

    name: str
    words: str
    unit: str
    source: str
    per_hour: Callable[[Array], Array]


@dataclass(frozen=True, slots=True)
class ChillState:
    """Where the Dynamic model stands: the intermediate product (from 1 on it is fixed), and the portions banked."""

    intermediate: float = 0.0
    portions: float = 0.0


def chilling_hours(hourly_c: Array) -> Array:
    """Return 1 for each hour from 0 to 7.2 Cel, else 0."""
    filled = bridged(hourly_c)
    return np.where((filled >= FREEZING_C) & (filled <= CHILL_C), 1.0, 0.0)


def chilling_hours_with_frost(hourly_c: Array) -> Array:
    """Return 1 for each hour at or below 7.2 Cel, frost included, else 0."""
    return np.where(bridged(hourly_c) <= CHILL_C, 1.0, 0.0)


def utah_units(hourly_c: Array) -> Array:
    """Return each hour's Utah units, -1 to 1."""
    filled = bridged(hourly_c)
    units = np.array(UTAH_UNITS)[np.searchsorted(UTAH_C, filled)]
    return np.where(np.isfinite(filled), units, 0.0)


def positive_utah_units(hourly_c: Array) -> Array:
    """Return each hour's Utah units, warm hours taking nothing away."""
    return np.maximum(utah_units(hourly_c), 0.0)


def chill_portions(hourly_c: Array) -> Array:
    """Return the portions that each hour banks, from a bud that has had no cold yet."""
    return continued(ChillState(), hourly_c)[1]


def continued(state: ChillState, hourly_c: Array) -> tuple[ChillState, Array]:
    """Return where the Dynamic model stands after more hours [Cel], and the portions that each of them banked.

    Notes
    -----
    A series cut in two and continued gives the same as in one piece, unless the cut falls into a gap.

    Source: Fishman, Erez and Couvillon 1987, J. Theor. Biol. 124:473-483 and 126:309-321.
    """
    filled = bridged(hourly_c)
    known = np.isfinite(filled)
    kelvin = np.maximum(np.where(known, filled, 0.0) + ZERO_K, COLDEST_K)
    level = A0 / A1 * np.exp((E1 - E0) / kelvin)
    kept = np.exp(-A1 * np.exp(-E1 / kelvin))
    fixed = 0.5 + 0.5 * np.tanh(SLOPE * MIDDLE_K * (kelvin - MIDDLE_K) / kelvin / 2.0)
    banked, stands = np.zeros(len(filled)), state.intermediate
    rows = zip(known.tolist(), level.tolist(), kept.tolist(), fixed.tolist(), strict=True)
    for place, (is_known, level_now, kept_now, fixed_now) in enumerate(rows):
        if not is_known:
            continue
        stands = level_now - (level_now - stands) * kept_now
        if stands >= 1.0:
            banked[place] = stands * fixed_now
            stands -= banked[place]
    return ChillState(float(stands), state.portions + float(banked.sum())), banked


_HOURS_SOURCE = "Bennett 1949, California Agriculture 3(12); Weinberger 1950, Proc. Am. Soc. Hort. Sci. 56:122-128"
_UTAH_SOURCE = "Richardson, Seeley and Walker 1974, HortScience 9:331-332"
_PORTIONS_SOURCE = "Fishman, Erez and Couvillon 1987, J. Theor. Biol. 124:473-483 and 126:309-321"

METHODS = {
    method.name: method
    for method in (
        ChillMethod("chilling-hours", "hours from 0 to 7.2 Cel", "h", _HOURS_SOURCE, chilling_hours),
        ChillMethod(
            "chilling-hours-with-frost",
            "hours at or below 7.2 Cel, frost included",
            "h",
            _HOURS_SOURCE,
            chilling_hours_with_frost,
        ),
        ChillMethod("utah", "Utah units: warm hours take cold away again", "units", _UTAH_SOURCE, utah_units),
        ChillMethod(
            "positive-utah",
            "Utah units, warm hours taking nothing away",
            "units",
            f"{_UTAH_SOURCE}, without its negative units (common practice where winters are mild)",
            positive_utah_units,
        ),
        ChillMethod(
            "chill-portions",
            "chill portions of the Dynamic model: what is banked, warmth cannot take",
            "portions",
            _PORTIONS_SOURCE,
            chill_portions,
        ),
    )
}
"""Every count by the name that settings choose it by."""
