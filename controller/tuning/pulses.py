"""A trial: pulses of heat through one night that stand in place of the loop's duty, within bounds. Pure."""

from dataclasses import dataclass

from controller.plant.sun import is_dark

ON_MS, EVERY_MS = 30 * 60_000, 90 * 60_000
"""[ms] Half an hour of full heat, an hour of none: what tells an air heater's loss from the soil's (seen in
simulation), and no longer than one closing may last."""
FEWEST, USUAL, MOST = 3, 6, 8
"""Pulses in a night: four and a half, nine, twelve hours."""
AFTER_SUNSET_MS = 60 * 60_000
"""[ms] after which the ground no longer gives back the day's sun quickly. Source: engineering judgement."""
LOOKS_AHEAD_MS = 24 * 3_600_000
STEP_MS = 10 * 60_000
SKIPPED_K, CUT_K = 0.3, 0.5
"""[K] above the set point at which a pulse is not begun, and at which it is cut: what a cable of up to 250 W/m2 then
still holds keeps the soil below 1 K (seen in simulation)."""
BELOW_K = 2.0
"""[K] below the set point at which the trial gives way to the loop. Source: engineering judgement."""
MOVED_K = 0.2
"""[K] A set point this far from the one it began with is another set point. Source: engineering judgement."""


@dataclass(frozen=True, slots=True)
class Trial:
    """One night of pulses.

    Parameters
    ----------
    request
        Id of the request that asked for it.
    begins_ms
        [ms UTC] start of the first pulse.
    asked_c
        [Cel] set point when it began, or None before.
    cut
        Number of the last pulse that was skipped or cut because the soil was warm enough; 0 for none, the first is 1.
    """

    request: int
    who: str
    begins_ms: int
    pulses: int
    asked_c: float | None = None
    cut: int = 0

    @property
    def ends_ms(self) -> int:
        """[ms UTC] end of the last rest."""
        return self.begins_ms + self.pulses * EVERY_MS

    def pulse_at(self, at_ms: int) -> int:
        """Return the number of the pulse, or of the one rested from, counted from 1."""
        return (at_ms - self.begins_ms) // EVERY_MS + 1


def in_the_dark(latitude: float, longitude: float, now_ms: int, pulses: int) -> tuple[int, int] | None:
    """Return when [ms UTC] the pulses of the coming night begin and how many it has room for; None for fewer than 3."""
    steps = range(now_ms, now_ms + LOOKS_AHEAD_MS + LOOKS_AHEAD_MS // 2, STEP_MS)
    dark = [is_dark(at_ms // 60_000, latitude, longitude) for at_ms in steps]
    if not any(dark):
        return None
    first = dark.index(True)
    last = next((step for step in range(first, len(dark)) if not dark[step]), len(dark)) - 1
    begins_ms = steps[first] + AFTER_SUNSET_MS * (first > 0)
    room = min((steps[last] - begins_ms) // EVERY_MS, pulses)
    return (begins_ms, int(room)) if room >= FEWEST else None


def duty_of(trial: Trial | None, at_ms: int) -> float | None:
    """Return the duty the trial has for an instant [ms UTC], or None while none runs."""
    if trial is None or trial.asked_c is None or not trial.begins_ms <= at_ms < trial.ends_ms:
        return None
    since_ms = (at_ms - trial.begins_ms) % EVERY_MS
    return 1.0 if since_ms < ON_MS and trial.pulse_at(at_ms) != trial.cut else 0.0
