"""What is known of a probe before it speaks, and what it has said."""

from dataclasses import dataclass, field
from statistics import median
from typing import Final

from controller.copying import copier
from controller.probe import TEMPERATURES, Quantity
from controller.safety import limits
from controller.status import Grade
from controller.steadiness import History, block_length

POSSIBLE: Final[dict[Quantity, tuple[float, float]]] = {
    **dict.fromkeys(TEMPERATURES, (limits.WORKING_RANGE_C[0], limits.HIGHEST_POSSIBLE_C)),
    Quantity.HUMIDITY: (0.0, 100.0),
    Quantity.LIGHT: (-10.0, 2000.0),
    Quantity.CURRENT: (0.0, 100.0),
    Quantity.CONTACT: (0.0, 1.0),
}
"""What each quantity can be, in its SI unit; outside it, it is no measurement."""


@dataclass(frozen=True, slots=True)
class Watch:
    """What is known of a probe before it speaks. Over-limits are None where the quantity has none.

    What its quantity is, is asked at every reading: so it is worked out once.
    """

    name: str
    quantity: Quantity
    level_m: float | None
    period_s: float
    stale_after_s: float
    over: float | None
    over_at_once: float | None
    is_soil: bool = field(init=False)
    is_air: bool = field(init=False)
    is_temperature: bool = field(init=False)
    possible: tuple[float, float] = field(init=False)
    block: int = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "is_soil", self.quantity is Quantity.SOIL)
        object.__setattr__(self, "is_air", self.quantity is Quantity.AIR)
        object.__setattr__(self, "is_temperature", self.quantity in TEMPERATURES)
        object.__setattr__(self, "possible", POSSIBLE[self.quantity])
        object.__setattr__(self, "block", block_length(self.period_s))


@dataclass(slots=True)
class ProbeState:
    """What a probe has said. `judge` works on a copy of its own and never on the one it is given.

    Parameters
    ----------
    value, heard_s
        The last value control may use and when it came [s], or None.
    said, said_s, grade, reason
        The last value of any grade.
    compared_s
        [s] receipt of the last value that was compared with the trips; `over_value` is that value.
    over, over_count, over_s
        Whether the last sample was over the limit, how many were within an hour of one another, and when the last [s].
    over_highest
        The highest value over the limit in the tick of the last sample: what a trip tells.
    over_ms
        [ms UTC] the stamp of that last one, if it had one: an older sample told again does not end it.
    rise_count
        Samples over the limit of rise, in a row.
    offset_s
        [s] our monotonic receipt less the probe's stamp, at its smallest: how its clock and ours lie.
    admitted_ms, admitted_s
        The stamp, or without one the time of filing, of the last value that came in its time; and its receipt [s].
    recent
        (receipt [s], value) of the last minute and a little more, oldest first: for the rise of air.
    believed
        The same, of what control may use: for the step of soil.
    noted, noted_s
        The last value of the one sender that came in its time, and when [s]; the next four are counted from it.
    stamp_ms, repeats
        The last stamp the probe gave, and how many readings in a row have repeated it.
    stride_k, roughness, rough
        [K] the last difference, [K2] see `steadiness.roughness_k2`, and whether it is too much.
    changed_s, frozen
        [s] when the value last differed from the one before, and whether it is taken for stuck.
    half_steps
        Changes in a row between whole halves.
    too_soon, too_soon_since_s, hurried_s
        Readings refused as too soon within a minute, when that minute began [s], and when they were last too many.
    """

    value: float | None = None
    heard_s: float | None = None
    said: float | None = None
    said_s: float | None = None
    grade: Grade = Grade.REFUSED
    reason: str = "not heard yet"
    over: bool = False
    over_count: int = 0
    over_s: float = float("-inf")
    over_value: float = 0.0
    over_highest: float = 0.0
    over_ms: int = 0
    compared_s: float | None = None
    rise_k_per_min: float | None = None
    rise_count: int = 0
    offset_s: float | None = None
    admitted_ms: int | None = None
    admitted_s: float = float("-inf")
    stampless_s: float | None = None
    source: str = ""
    rivals_until_s: float = float("-inf")
    steps: int = 0
    quarantined_until_s: float = float("-inf")
    recent: tuple[tuple[float, float], ...] = ()
    believed: History = ()
    noted: float | None = None
    noted_s: float | None = None
    stamp_ms: int | None = None
    repeats: int = 0
    stride_k: float = 0.0
    roughness: float = 0.0
    rough: bool = False
    changed_s: float | None = None
    frozen: bool = False
    half_steps: int = 0
    too_soon_since_s: float = float("-inf")
    too_soon: int = 0
    hurried_s: float = float("-inf")

    def steady_c(self, since_s: float) -> float | None:
        """Return the median of the last three values control may use, of those heard since [s]: one odd value changes
        nothing (hazard P21)."""
        last = self.believed[-3:]
        if len(last) == 3 and last[0][0] >= since_s:  # the oldest comes first
            (_, one), (_, two), (_, three) = last
            low, high = (one, two) if one <= two else (two, one)
            if three <= low:
                return low
            return three if three <= high else high
        lately = [value for heard_s, value in last if heard_s >= since_s]
        return median(lately) if lately else self.value


copied = copier(ProbeState)
"""Returns a copy."""


@dataclass(slots=True)
class Judged:
    """The probe's new state and what became of the reading; `taken_ms` [ms UTC] is what it is filed under."""

    state: Final[ProbeState]
    grade: Final[Grade]
    reason: Final[str]
    taken_ms: Final[int]


def fresh(watch: Watch, state: ProbeState, now_s: float, valid_from_s: float) -> bool:
    """Whether control may use the probe's value now: believed, young enough, and heard since the last gap."""
    heard = state.heard_s
    if heard is None or heard < valid_from_s or now_s - heard > watch.stale_after_s:
        return False
    if state.frozen or state.rough or state.steps:
        return False
    return now_s >= state.quarantined_until_s and now_s >= state.rivals_until_s
