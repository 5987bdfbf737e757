"""What is compared: five rows of plants, four controllers, and the figures that ours is to reach."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from tests.bench.control import baselines, constructions, ours
from tests.bench.control.compare import JUDGED, Controller, Curve, Run, curve, judge
from tests.bench.control.eyes import EVERY_EYE, Eyes
from tests.bench.control.lab_plant import Array, Built, Linear
from tests.bench.control.optimum import (
    TOLERATED_K,
    Found,
    Problem,
    begun_at,
    least_shortfall,
    optimum,
    problem,
    with_pauses,
)
from tests.bench.control.weather import FORECASTS, Fortnight, fortnight

LEAST_ROOM_KH = 3.0
TIGHTENED = 0.3
BAND_K = 0.5


@dataclass(frozen=True, slots=True)
class Row:
    """Plants of one kind, by seed in turn, and the targets: ratio to the optimum LOOSE, TIGHT, and worst LOOSE.

    Parameters
    ----------
    over
        Part of on/off's needless heat that ours may give at LOOSE.
    preheats
        Whether that counts runs with the plan, which overshoots on purpose, or runs without it.
    cycles_a_day
        Closings that ours may make; not judged, for the longest closing alone may ask for more.
    """

    built: tuple[Built, ...]
    targets: tuple[float, float, float]
    cycles_a_day: float
    over: float = 1.0
    preheats: bool = True
    light: bool = True


ROWS = {
    "cable-short": Row(constructions.CABLE_SHORT, (1.03, 1.05, 1.06), 12.0),
    "cable-ample": Row(constructions.CABLE_AMPLE, (1.025, 1.03, 1.04), 24.0, over=0.0),
    "air-ample": Row(constructions.AIR_AMPLE, (1.045, 1.04, 1.08), 20.0, over=0.2, preheats=False),
    "air-short": Row(constructions.AIR_SHORT, (1.08, 1.07, 1.12), 20.0, over=0.333, preheats=False),
    "cable-no-light": Row(constructions.CABLE_SHORT, (1.05, 1.08, 1.12), 12.0, light=False),
}
"""Targets: the project's own."""
UNPLANNED = "ours alone"
BLIND = ("on/off", "slope-lead", "SIMC PI")
"""They see neither light nor forecast: the same in every row of the same plants."""
CONTROLLERS = (*BLIND, UNPLANNED, "ours")
NONE_KH = 0.5
"""[K h] of needless heat in a fortnight that count as none."""

Pauses = tuple[float | None, float | None]
"""At LOOSE and at TIGHT."""


@dataclass(frozen=True, slots=True)
class Case:
    """One seed of one row, ready for any controller: plant, weather, start, state as the judged days begin after
    on/off's warm-up, and the two shortfalls to compare at."""

    row: Row
    linear: Linear
    of: Fortnight
    state: Array
    begins: Array
    ask: Problem
    loose: Found
    tight: Found
    on_off: Run
    pauses: Pauses

    def fair(self, run: Run, begins: Array) -> Run:
        """Return a run charged with what its own beginning would save the optimum: heat stored before anyone counts."""
        ask = begun_at(self.linear, self.ask, begins - self.begins)
        least, loose = least_shortfall(ask), self.loose
        own = optimum(ask, max(loose.d_kh, least.d_kh + 0.01), max(loose.run_out_kh, least.run_out_kh) + 0.1)
        return replace(run, kwh=run.kwh + loose.kwh - own.kwh)


@dataclass(frozen=True, slots=True)
class Score:
    """One controller in one case: energy over the optimum's at both shortfalls, and how it behaved at the loose one.

    Parameters
    ----------
    pauses
        What the optimum itself takes, over its own, where it pauses after each half hour of heat as ours must.
    """

    row: str
    controller: str
    seed: int | str
    loose: float
    tight: float
    over_kh: float
    cycles_a_day: float
    least_a_day: float
    runs: int
    reached: bool
    pauses: Pauses


def case(name: str, seed: int | str) -> Case:
    """Return a case: LOOSE is the shortfall of on/off (at least 3 K h above the least), TIGHT 30 % of its room."""
    row, of = ROWS[name], fortnight(seed)
    linear = Linear(row.built[(seed if isinstance(seed, int) else 0) % len(row.built)])
    built, state = linear.built, settled(linear, of)
    path = baselines.drive(
        linear, of.rows, state, baselines.two_point(built.set_point_c, BAND_K), JUDGED.start, of.seed
    )
    on_off = judge(path.true_c, path.on, built.set_point_c, built.rated_w)
    ask = problem(linear, path.state, of.rows)
    least = least_shortfall(ask)
    loose_kh = max(on_off.d_kh, least.d_kh + LEAST_ROOM_KH)
    run_out_kh = max(on_off.run_out_kh, least.run_out_kh + 0.1)
    loose = optimum(ask, loose_kh, run_out_kh)
    tight = optimum(
        ask,
        least.d_kh + TIGHTENED * (loose_kh - least.d_kh),
        least.run_out_kh + TIGHTENED * (run_out_kh - least.run_out_kh),
    )
    pauses = _pausing(ask, loose), _pausing(ask, tight)
    return Case(row, linear, of, state, path.state, ask, loose, tight, on_off, pauses)


def _pausing(ask: Problem, than: Found) -> float | None:
    """Return the energy of the optimum with pauses over that of one without; None if its full heat does not do."""
    pausing, run_out_kh = with_pauses(ask), than.run_out_kh + 0.01
    least = least_shortfall(pausing)
    if least.d_kh > than.d_kh or least.run_out_kh > run_out_kh:
        return None
    return optimum(pausing, than.d_kh, run_out_kh).kwh / than.kwh


def settled(linear: Linear, of: Fortnight) -> Array:
    """Return the steady state of the warm-up's mean weather with the soil as near its set point as heat brings it."""
    built = linear.built
    mean = of.rows[: JUDGED.start].mean(axis=0)
    bare = linear.steady(np.array([*mean, 0.0, 1.0]))
    full = linear.steady(np.array([*mean, built.rated_w, 1.0]))
    cold_k = built.set_point_c - linear.true_row @ bare
    duty = np.clip(cold_k / (linear.true_row @ (full - bare)), 0.0, 1.0)
    return np.asarray(bare + duty * (full - bare))


def controller(which: str, of: Case, eyes: Eyes = EVERY_EYE) -> Controller:
    """Return a controller in a case, by name."""
    built = of.linear.built
    if which in ("ours", UNPLANNED):
        seen = eyes if of.row.light else replace(eyes, light=False)
        seen = replace(seen, foresight=which == "ours")
        known = FORECASTS[eyes.forecast](of.of)
        return lambda bias_k: of.fair(*ours.run(of.linear, of.of, of.state, bias_k, known, seen))
    make = _switches(which, of)

    def run(bias_k: float) -> Run:
        switch = make(built.set_point_c + bias_k)
        path = baselines.drive(of.linear, of.of.rows, of.state, switch, JUDGED.start, of.of.seed)
        return of.fair(judge(path.true_c, path.on, built.set_point_c, built.rated_w), path.state)

    return run


def _switches(which: str, of: Case) -> Callable[[float], baselines.Switch]:
    if which == "SIMC PI":
        gain_per_k, integral_s = baselines.simc(of.linear)
        return lambda asked_c: baselines.proportional_integral(asked_c, gain_per_k, integral_s)
    if which == "slope-lead":
        lead_h = baselines.LEAD_H if of.linear.built.cable_at is None else 0.0
        return lambda asked_c: baselines.leading(asked_c, 0.2, lead_h)
    return lambda asked_c: baselines.two_point(asked_c, BAND_K)


@lru_cache(maxsize=1)
def case_once(name: str, seed: int | str) -> Case:
    """Return a case, worked out once for all controllers that follow one another in it."""
    return case(name, seed)


def score(name: str, seed: int | str, which: str, runs: int = 5, eyes: Eyes = EVERY_EYE) -> Score:
    """Return one controller's score in one case."""
    chosen = case_once(name, seed)
    loose_kh, tight_kh = chosen.loose.d_kh, chosen.tight.d_kh
    # With its plan ours holds the set point nearly, and of soil half a kelvin colder nothing counts.
    first = -TOLERATED_K if which == "ours" else 0.0
    found: Curve = curve(controller(which, chosen, eyes), (loose_kh, tight_kh), runs, first)
    return Score(
        name, which, seed,
        found.kwh(loose_kh) / chosen.loose.kwh,
        found.kwh(tight_kh) / chosen.tight.kwh,
        found.over_kh(loose_kh),
        found.cycles_a_day(loose_kh),
        found.least_a_day(loose_kh),
        len(found.runs),
        found.reaches(loose_kh) and found.reaches(tight_kh),
        chosen.pauses,
    )  # fmt: skip
