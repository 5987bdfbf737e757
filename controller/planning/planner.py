"""One enclosure's planner: learns the enclosure each night, plans every half hour, says why when it cannot."""

from collections.abc import Callable
from typing import TypeAlias

from controller.control.foresight import Foresight
from controller.control.log import Log
from controller.control.outlook import Forecaster, Outlook
from controller.control.thermal import ThermalModel
from controller.planning.foresee import Facts, NoForesightError, Ready, planned, ready
from controller.planning.learning import Lesson, is_other_heater, layers_of, with_heater_of

LEARNS_EVERY_MS = 86_400_000
TRIES_AGAIN_MS = 3 * 3_600_000
Figures: TypeAlias = dict[str, tuple[float, float, float]]
Learner: TypeAlias = Callable[[Facts, ThermalModel, ThermalModel, Log], Lesson | None]
"""Gives a better model from geometry's, the one before and the last days; None where they teach nothing."""


def _nothing(_at_ms: int) -> Outlook:
    return ()


class Planner:
    """What it has learnt so far, and where everything stood at its last turn (`ready`; None where it cannot tell).

    Parameters
    ----------
    model
        From geometry at first, or what was learnt before.
    learner, forecaster
        Where a better model and the weather to come are from; by default nowhere.
    """

    def __init__(
        self,
        facts: Facts,
        model: ThermalModel,
        learner: Learner | None = None,
        forecaster: Forecaster = _nothing,
        learnt_ms: int = 0,
    ) -> None:
        self.facts, self.geometry, self.model, self.learnt_ms = facts, model, model, learnt_ms
        self.figures: Figures = {}
        self.ready: Ready | None = None
        self.why_none = ""
        self._learner, self._forecaster = learner, forecaster
        self._tried_ms = 0

    def know(self, model: ThermalModel, figures: Figures, learnt_ms: int) -> None:
        """Go on from what was learnt before: with another heater than settings have now, from soil and cover alone."""
        self.model, self.figures, self.learnt_ms = model, figures, learnt_ms
        if is_other_heater(model, self.geometry):
            self.model, self.figures = with_heater_of(model, self.geometry), {}

    def turn(self, log: Log) -> Foresight | None:
        """Learn if a day has passed, then plan from the log's end on; None leaves the loop to itself."""
        if self._learner is not None and self._is_time(log.ends_ms):
            self._tried_ms = log.ends_ms
            lesson = self._learner(self.facts, self.geometry, self.model, log)
            if lesson is not None:
                self.model, self.figures, self.learnt_ms = lesson.model, lesson.figures, log.ends_ms
        self.ready, self.why_none = None, ""
        try:
            column = layers_of(self.facts, self.figures, self.model.deep_c)
            self.ready = ready(self.facts, self.model, log, self._forecaster(log.ends_ms), column)
        except NoForesightError as reason:
            self.why_none = str(reason)
            return None
        return planned(self.facts, self.model, self.ready)

    def _is_time(self, at_ms: int) -> bool:
        """Whether a lesson is due: a day after the last one, some hours after one that taught nothing.

        One that lies as far ahead was learnt by a clock that has been set right since: it puts off no other.
        """
        return abs(at_ms - self.learnt_ms) >= LEARNS_EVERY_MS and abs(at_ms - self._tried_ms) >= TRIES_AGAIN_MS
