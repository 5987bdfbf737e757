"""What the last days of record tell of an enclosure, beside the model in use; nothing is adopted here."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from controller.control.log import Log
from controller.control.pid import Gains
from controller.control.stepping import Array, rise_k
from controller.control.thermal import ThermalModel
from controller.control.tuned import tuned_by
from controller.planning.foresee import Facts, lit, whole
from controller.planning.learning import DAYS_S, taught
from controller.plant.identify import Identified
from controller.store.plans import Learnt

DAY_STEPS, STEP_S = 48, 1800.0
WORDS = {
    "rise_2h_k": ("K", "soil warmer after 2 h of full heat"),
    "rise_24h_k": ("K", "soil warmer after 24 h of full heat"),
    "outside_per_k": ("1/K", "duty per kelvin that outside is colder"),
    "sun_per_w_m2": ("m2/W", "duty saved per W/m2 of light"),
    "loss_w_k": ("W/K", "loss through cover and air exchange"),
}
"""The figures worth showing, with their unit and meaning."""
WELL_KNOWN, HARDLY_KNOWN = 1.5, 3.0
"""High over low, under which a figure is well known, and over which these days hardly tell it."""


@dataclass(frozen=True, slots=True)
class Fit:
    """A log, what was found in it, the model in use and its figures, and the gains that settings name, if they do."""

    log: Log
    found: Identified
    present: ThermalModel
    now: Mapping[str, float]
    own_gains: Gains | None = None

    @property
    def rises(self) -> tuple[Array, Array]:
        """[K] by hours of full heat, of the present model and of the one found."""
        present, found = (rise_k(each, STEP_S, DAY_STEPS).cumsum() for each in (self.present, self.found.model))
        return present, found


def fit(facts: Facts, geometry: ThermalModel, learnt: Learnt | None, log: Log, own: Gains | None = None) -> Fit:
    """Return what the last three days tell, beside what was learnt before or, without that, geometry.

    Raises
    ------
    NoForesightError, NotExcitedError
        If the record is too short or broken, or nothing in it moved; with what is missing.
    """
    found = taught(facts, geometry, log)
    present = geometry if learnt is None else learnt.model
    now = shown_figures(present)
    # Three stores take the sky's part into their loss; what was learnt says the cover's own.
    now["loss_w_k"] = geometry.loss_w_k
    if learnt is not None and "loss_w_k" in learnt.figures:
        now["loss_w_k"] = learnt.figures["loss_w_k"][0]
    return Fit(lit(facts, found.model, whole(log.latest(DAYS_S))), found, present, now, own)


def lines(fit: Fit) -> Iterator[str]:
    """Yield the figures side by side, the gains, and how well the fit holds."""
    yield f"{'figure':<46}{'now':>11}{'found':>11}{'likely':>24}  {'':<12}"
    for name, (unit, meaning) in WORDS.items():
        figure = fit.found.figures[name]
        between = f"{figure.low:.3g} to {figure.high:.3g}"
        yield (
            f"{meaning + ', ' + unit:<46}{fit.now[name]:>11.3g}{figure.value:>11.3g}{between:>24}  "
            f"{_known(figure.high / figure.low)}"
        ).rstrip()
    yield ""
    gains = tuned_by(fit.present).gains, tuned_by(fit.found.model).gains
    yield f"{'gain of the feedback, 1/K':<46}{gains[0].gain_per_k:>11.3g}{gains[1].gain_per_k:>11.3g}"
    hours = [each.integral_s / 3600.0 for each in gains]
    yield f"{'integral time, h':<46}{hours[0]:>11.3g}{hours[1]:>11.3g}"
    if fit.own_gains is not None:
        yield "The settings name gains of their own, which go before both; take them out to use the model's."
    yield (
        f"Fit over {len(fit.log) * fit.log.step_s / 3600:.0f} h: soil {fit.found.soil_misfit_k:.2f} K, air "
        f"{fit.found.air_misfit_k:.1f} K (root mean square)."
    )


def shown_figures(model: ThermalModel) -> dict[str, float]:
    """Return the figures worth showing of a model."""
    forward, rise = tuned_by(model).forward, rise_k(model, STEP_S, DAY_STEPS)
    return {
        "rise_2h_k": float(rise[:4].sum()),
        "rise_24h_k": float(rise.sum()),
        "outside_per_k": forward.outside_per_k,
        "sun_per_w_m2": forward.sun_per_w_m2,
    }


def _known(ratio: float) -> str:
    if ratio <= WELL_KNOWN:
        return "well known"
    return "hardly known" if ratio > HARDLY_KNOWN else ""
