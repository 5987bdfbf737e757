"""Our controller, through the door for every claim about control: the real tick, its learning and its planning."""

import numpy as np

from controller.control.outlook import Forecaster
from controller.plant.simulate import Ticked, simulate
from tests.bench.control.compare import Run, judge
from tests.bench.control.constructions import settings_of
from tests.bench.control.eyes import EVERY_EYE, Eyes
from tests.bench.control.lab_plant import Array, LabPlant, Linear
from tests.bench.control.weather import JUDGED_DAYS, STEP_S, WARM_UP_DAYS, Fortnight

LOST_AFTER_S = (WARM_UP_DAYS + 1) * 86_400.0


class Seen:
    """A plant of which only some probes are there."""

    def __init__(self, plant: LabPlant, eyes: Eyes) -> None:
        self._plant, self._eyes = plant, eyes

    @property
    def energy_j(self) -> float:
        """[J] spent so far."""
        return self._plant.energy_j

    def advance(self, seconds: float, heater_on: bool) -> None:
        """Let `seconds` [s] pass."""
        self._plant.advance(seconds, heater_on)

    def probes(self) -> dict[str, float]:
        """Return what the probes say that are there."""
        said = self._plant.probes()
        if not self._eyes.outside:
            del said["outside"]
        if self._eyes.loses_soil:
            said["soil-two"] = said["soil"]
            if self._plant.at_s > LOST_AFTER_S:
                del said["soil"]
        return said


def run(
    linear: Linear, of: Fortnight, state: Array, bias_k: float, forecast: Forecaster | None, eyes: Eyes = EVERY_EYE
) -> tuple[Run, Array]:
    """Return our fortnight with the schedule's set point shifted, measured against the true one, and its beginning."""
    built = linear.built
    settings = settings_of(built, built.set_point_c + bias_k, of.place, eyes)
    plant = LabPlant(linear, of.rows, state, STEP_S, of.seed, light=eyes.light)
    # No day after the judged ones: nobody tells the controller that they end, so it cannot empty the soil for it.
    seconds = (WARM_UP_DAYS + JUDGED_DAYS) * 86_400.0
    begins: list[Array] = []

    def heard(ticked: Ticked) -> None:
        if ticked.now.mono_s == WARM_UP_DAYS * 86_400.0:
            begins.append(plant.state.copy())

    trace = simulate(
        settings, built.name, Seen(plant, eyes), of.start_ms, seconds, tick_s=STEP_S, forecast=forecast,
        foresight=eyes.foresight, heard=heard,
    )  # fmt: skip
    # A plant heats in the minute after an order; the trace holds the order.
    on = np.concatenate([[False], np.array(trace.heater_on[:-1], dtype=bool)])
    return judge(np.array(plant.true_c), on, built.set_point_c, built.rated_w), begins[0]
