"""When a step has passed: figures in, finding out. Pure; every bound is here, with where it comes from."""

from statistics import fmean
from typing import Final

from controller.proving.account import Finding
from controller.units import percent

CLOSES_WITHIN_S: Final = 5.0
"""[s] From the order to the report. Source: common practice; a node reports a change at once."""

OPENS_WITHIN_S: Final = 2.0
"""[s] Class A of the failure table, 1 s, and as much for the network."""

STEADY_S: Final = 5.0
"""[s] A contact must stay as told: the node finds one that does not follow after 3 s (hazard N06), and is heard."""

LEASE_MARGIN_S: Final = 2.0
"""[s] Beyond the lease: a slow clock's 2 % of 15 s, a turn of the node's loop, the network."""

LEASE_TIMES: Final = 10

RATED_PART: Final = (0.8, 1.1)
"""Part of the rated current that is right; mains within -20 % and +10 %. Source: hazards W02 and W03."""

NO_CURRENT_A: Final = 0.1
"""[A] Less is none. Source: hazard N18."""

SOIL_ANSWER_K: Final = 0.3
"""[K] Source: hazard P14."""

AIR_ANSWER_K: Final = 1.0
AIR_ANSWERS_WITHIN_S: Final = 600.0
"""[K], [s] An air heater is quick. Source: engineering judgement."""

LAG_GREW: Final = 2.0
"""Times that an answer may be later than in the last proof test before people are told: a probe ten times as slow makes
it far later, and so does soil that has dried out. Source: hazards P23, E06."""

NODE: Final = "our limits; no current with either contact open alone"
CONTACT: Final = (
    f"closed within {CLOSES_WITHIN_S:g} s, open within {OPENS_WITHIN_S:g} s, then as told for {STEADY_S:g} s"
)
CURRENT: Final = (
    f"{100 * RATED_PART[0]:.0f} to {percent(RATED_PART[1])} of the rated current on, less than {NO_CURRENT_A:g} A off"
)
SECOND_CONTACT: Final = f"open within {OPENS_WITHIN_S:g} s, then less than {NO_CURRENT_A:g} A"
LEASES: Final = f"{LEASE_TIMES} times, each at most the lease and {LEASE_MARGIN_S:g} s"
ANSWERED: Final = (
    f"{SOIL_ANSWER_K:g} K in soil or {AIR_ANSWER_K:g} K in air, in the time that physics give, by no other probe first"
)
CUT_OFF: Final = f"open by its own lapsed lease, after the lease and {LEASE_MARGIN_S:g} s without a word"
KILLED: Final = f"open at most the lease and {LEASE_MARGIN_S:g} s after"
OVER_LIMIT: Final = (
    f"open within {OPENS_WITHIN_S:g} s of the first reading over, then less than {NO_CURRENT_A:g} A; latched"
)


def contact(closed_s: float, opened_s: float) -> Finding:
    """Judge the delays [s] from order to report."""
    figures = {"closed_after_s": round(closed_s, 2), "opened_after_s": round(opened_s, 2)}
    said = f"closed {closed_s:.1f} s after its order, open {opened_s:.1f} s after"
    return Finding(closed_s <= CLOSES_WITHIN_S and opened_s <= OPENS_WITHIN_S, said, figures)


def current(on_a: float, off_a: float, rated_a: float) -> Finding:
    """Judge the current [A] with the contacts closed and open."""
    figures = {"on_a": round(on_a, 2), "off_a": round(off_a, 2), "rated_a": round(rated_a, 2)}
    part = on_a / rated_a
    said = f"{on_a:.2f} A on ({percent(part)} of the rated {rated_a:.2f} A), {off_a:.2f} A off"
    least, most = RATED_PART
    if not least <= part <= most:
        return Finding(False, f"{said}; {100 * least:.0f} to {percent(most)} is right", figures)
    if not off_a < NO_CURRENT_A:
        return Finding(False, f"{said}; with the contact open less than {NO_CURRENT_A:g} A must flow", figures)
    return Finding(True, said, figures)


def leases(times_s: list[float], lease_s: float, times: int) -> Finding:
    """Judge how long [s] one order held the contact, each of `times` times."""
    bound_s = lease_s + LEASE_MARGIN_S
    figures = {f"time_{number}_s": round(each, 2) for number, each in enumerate(times_s, 1)}
    figures |= {"least_s": round(min(times_s), 2), "mean_s": round(fmean(times_s), 2), "most_s": round(max(times_s), 2)}
    said = (
        f"{len(times_s)} times: {min(times_s):.1f} to {max(times_s):.1f} s, mean {fmean(times_s):.1f} s; "
        f"lease {lease_s:g} s, bound {bound_s:g} s"
    )
    return Finding(len(times_s) >= times and max(times_s) <= bound_s, said, figures)


def after_kill(open_s: float, lease_s: float) -> Finding:
    """Judge how long [s] after its death a controller's heat went on."""
    bound_s = lease_s + LEASE_MARGIN_S
    said = f"open {open_s:.1f} s after the controller was killed; bound {bound_s:g} s"
    return Finding(open_s <= bound_s, said, {"opened_after_s": round(open_s, 2)})


def over_limit(opened_s: float, off_a: float, limit_c: float, hottest_c: float) -> Finding:
    """Judge the time [s] from the first reading over the rehearsed limit to the open contact, and what still flows."""
    said = f"open {opened_s:.1f} s after the first reading over {limit_c:.1f} Cel, then {off_a:.2f} A; the trip latched"
    figures = {
        "opened_after_s": round(opened_s, 2), "off_a": round(off_a, 2), "limit_c": round(limit_c, 2),
        "hottest_c": round(hottest_c, 2),
    }  # fmt: skip
    return Finding(opened_s <= OPENS_WITHIN_S and off_a < NO_CURRENT_A, said, figures)


def risen(finding: Finding, slope_k_per_min: float) -> Finding:
    """Add how steeply [K/min] the air rose over a minute, at most: its rise is judged by that from now on."""
    figures = {**finding.figures, "slope_k_per_min": round(slope_k_per_min, 2)}
    return Finding(finding.passed, f"{finding.said}; the air's steepest minute was {slope_k_per_min:.2f} K", figures)


def answered(probe: str, rise_k: float, lag_s: float, before_s: float | None) -> Finding:
    """Say how soon the right probe answered, and whether that is far later than it was."""
    figures = {"lag_s": round(lag_s, 1), "rise_k": round(rise_k, 2)}
    said = f"'{probe}' rose {rise_k:.2f} K within {lag_s:.0f} s of heat"
    if before_s is None or before_s <= 0:
        return Finding(True, said, figures)
    figures["lag_before_s"] = before_s
    if lag_s > LAG_GREW * before_s:
        slower = f"at the last proof test it took {before_s:.0f} s. Look whether the probe still lies where it lay"
        return Finding(True, f"{said}; {slower}", figures)
    return Finding(True, f"{said}; at the last proof test {before_s:.0f} s", figures)
