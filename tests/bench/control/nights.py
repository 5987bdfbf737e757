"""The coming night as it is foreseen at sunset, beside what it became: coldest air and soil."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import uniform_filter1d

from controller.clock import Moment
from controller.control.outlook import Expectation, Forecaster, Outlook
from controller.plan import plan_for
from controller.planning.carry import carry
from controller.planning.rehearsal import Rehearsal
from controller.plant.from_settings import construction_of
from controller.plant.simulate import Run, coarse
from controller.plant.sun import is_dark
from controller.plant.weather import DAY_MS
from tests.bench.control.compare import JUDGED
from tests.bench.control.constructions import settings_of
from tests.bench.control.lab_plant import AIR, LabPlant
from tests.bench.control.pool import Kept, all_of
from tests.bench.control.rows import case
from tests.bench.control.weather import DAYS, STEP_S, Fortnight, forecaster
from tests.bench.table import aligned

HALF = round(1800.0 / STEP_S)
OFF_K = 1.5
"""[K] by which the outside forecast of a whole night is off, one day too warm, the next too cold."""


@dataclass(frozen=True, slots=True)
class Night:
    """One night: [K] by which its coldest half hour of air, minute of air, and soil were foreseen too warm.

    An air heater's pulses part the first two; half hours are what is foreseen.
    """

    air_k: float
    moment_k: float
    soil_k: float


def off_by_the_night(of: Fortnight) -> Forecaster:
    """Return forecasts that are right but for an offset that changes its sign each day."""
    perfect = forecaster(of, grows=0.0)

    def known(at_ms: int) -> Outlook:
        off_k = OFF_K if (at_ms - of.start_ms) // DAY_MS % 2 else -OFF_K
        return tuple(Expectation(each.at_ms, each.outside_c + off_k, each.light_w_m2) for each in perfect(at_ms))

    return known


def nights(name: str, seed: int | str) -> list[Night]:
    """Return every night after the warm-up, each foreseen at the first half hour of its dark."""
    of, linear, state = (chosen := case(name, seed)).of, chosen.linear, chosen.state
    (enclosure,) = settings_of(linear.built, linear.built.set_point_c, of.place).enclosure
    plan = coarse(plan_for(settings_of(linear.built, linear.built.set_point_c, of.place), enclosure, STEP_S), STEP_S)
    plant = LabPlant(linear, of.rows, state, STEP_S, of.seed)
    run = Run(plan, plant, Moment(0.0, of.start_ms), tick_s=STEP_S)
    rehearsal = Rehearsal(enclosure, plan, off_by_the_night(of))
    air_c, foreseen, asleep = list[float](), list[tuple[int, int, float, float]](), True
    for ticked in run.many(DAYS * 86_400.0):
        before = rehearsal.planner.ready
        run.foresight = rehearsal.after(ticked)
        air_c.append(float(plant.state[AIR]))
        ready, dark = rehearsal.planner.ready, is_dark(ticked.now.utc_ms // 60_000, *of.place)
        if ready is not None and ready is not before and dark and not asleep:
            found = carry(rehearsal.planner.facts, construction_of(enclosure), ready)
            if found is not None:
                asleep = True
                night = found.nights["as it is"]
                foreseen.append((len(air_c), (found.ends_ms - of.start_ms) // 60_000, night.air_c, night.soil_c))
        asleep = asleep and dark
    halves_c = uniform_filter1d(np.array(air_c), HALF)
    return [
        Night(
            air - min(halves_c[first + HALF // 2 : last - HALF // 2]),
            air - min(air_c[first:last]),
            soil - min(plant.true_c[first:last]),
        )
        for first, last, air, soil in foreseen
        if JUDGED.start <= first and last < len(air_c)
    ]


def rms(values: list[float]) -> float:
    """Return the root mean square."""
    return float(np.sqrt(np.mean(np.square(values))))


BOUNDS_K = {"air": 1.5, "soil": 0.4}
"""[K] root mean square error that may be made at sunset (the project's own targets)."""


def _named(job: tuple[str, int | str]) -> tuple[str, list[Night]]:
    return job[0], nights(*job)


def told(names: Sequence[str], seeds: Sequence[int | str], kept: Kept) -> tuple[list[str], bool]:
    """Return the table, and whether every bound holds."""
    jobs = [(name, seed) for seed in seeds for name in names]
    cells, holds = [("row", "nights", "air RMSE K", "of a minute", "soil RMSE K", "")], True
    found: dict[str, list[Night]] = {name: [] for name in names}
    for name, many in all_of(_named, jobs, kept):
        found[name] += many
    for name, many in found.items():
        air_k, soil_k = rms([each.air_k for each in many]), rms([each.soil_k for each in many])
        moment_k = rms([each.moment_k for each in many])
        fits = air_k <= BOUNDS_K["air"] and soil_k <= BOUNDS_K["soil"]
        holds = holds and fits
        cells.append(
            (name, str(len(many)), f"{air_k:.2f}", f"{moment_k:.2f}", f"{soil_k:.2f}", "holds" if fits else "MISSED")
        )
    return aligned(cells), holds
