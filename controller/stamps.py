"""The stamps a probe gives: how old its reading is, whoever's clock is wrong, and whether its clock stands. Pure."""

from controller.clock import OLDEST_BELIEVABLE_MS
from controller.probe import Reading
from controller.probe_state import ProbeState, Watch
from controller.safety import limits

CLOCK_CREEP = 0.01
"""How fast a probe's clock may drift against ours and still be called the same clock. Source: engineering judgement."""

REPEATS, CLOCK_STANDS = 2, "its clock stands still: the same stamp three times or more"
"""Hazard T07. Such readings are refused as too soon from the first repetition; these are the words for it."""


def note(watch: Watch, state: ProbeState, reading: Reading) -> None:
    """Count stamps that stay the same although time goes on; what comes at once has only been told twice."""
    if reading.taken_ms is None or reading.taken_ms != state.stamp_ms:
        state.stamp_ms, state.repeats = reading.taken_ms, 0
    elif state.said_s is not None and reading.arrived_s - state.said_s >= watch.period_s / 4:
        state.repeats += 1


def age(state: ProbeState, reading: Reading) -> tuple[float, float | None]:
    """Return age [s] and the clock offset to remember.

    Two estimates: by the wall clocks, and by how this probe's stamps have lain before. The nearer to zero is
    taken, so a jump of either wall clock alone changes nothing (hazard T01).
    """
    taken_ms, arrived_s, known_s = reading.taken_ms, reading.arrived_s, state.offset_s
    if taken_ms is None:
        return 0.0, known_s
    wall_s = (reading.arrived_ms - taken_ms) / 1000
    if reading.arrived_ms < OLDEST_BELIEVABLE_MS:
        # Our own clock is lost (hazard T03): only how this probe's stamps have lain before can tell.
        wall_s = 0.0
    offset_s = arrived_s - taken_ms / 1000
    if known_s is None or state.said_s is None:
        return wall_s, offset_s
    silent_s = arrived_s - state.said_s
    expected_s = known_s + CLOCK_CREEP * silent_s if silent_s > 0.0 else known_s
    relative_s = offset_s - expected_s
    age_s = wall_s if abs(wall_s) <= abs(relative_s) else relative_s
    return age_s, expected_s if 0.0 < relative_s <= limits.STALE_CAP_S else offset_s
