"""The planner within a simulation: fed by its ticks, planning on its clock."""

from collections import deque
from collections.abc import Iterable, Mapping
from statistics import fmean

from controller.control.foresight import Foresight
from controller.control.outlook import Forecaster, Outlook
from controller.enclosure_settings import Enclosure
from controller.foreseen import plan_at
from controller.plan import Plan
from controller.planning.facts_of import facts_of
from controller.planning.horizon import STEP_S
from controller.planning.learning import learn
from controller.planning.means import Means
from controller.planning.planner import Planner
from controller.plant.simulate import Ticked
from controller.probe_state import Watch


class Rehearsal:
    """A planner for one simulated enclosure."""

    def __init__(self, enclosure: Enclosure, plan: Plan, forecast: Outlook | Forecaster | None) -> None:
        forecaster = forecast if callable(forecast) else (lambda _at_ms: forecast or ())
        self.planner = Planner(facts_of(enclosure, plan), plan.tuned.model, learn, forecaster)
        self._plan, self._means = plan, Means()
        self._plans: deque[Foresight] = deque(maxlen=8)

    def after(self, ticked: Ticked) -> Foresight | None:
        """Take what a tick saw; returns the plan to go on with."""
        values = ticked.values
        sample = (
            ticked.state.soil_c,
            _mean(self._plan.air, values),
            _mean(self._plan.outside, values),
            _mean(self._plan.light, values),
            float(ticked.report.on),
        )
        finished = self._means.take(ticked.now.utc_ms, sample)
        if finished and self._means.ends_ms % round(1000 * STEP_S) == 0:
            plan = self.planner.turn(self._means.log())
            if plan is not None:
                self._plans.append(plan)
        return plan_at(self._plans, ticked.now.utc_ms + round(1000 * self._plan.tick_s))


def _mean(watches: Iterable[Watch], values: Mapping[str, float]) -> float | None:
    found = [values[each.name] for each in watches if each.name in values]
    return fmean(found) if found else None
