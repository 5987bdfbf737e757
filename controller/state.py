"""What one enclosure remembers from tick to tick, and what a tick is given."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final, NamedTuple

from controller.alerts import Alert
from controller.control.cycle import Cycle
from controller.control.foresight import Foresight
from controller.control.terms import Terms
from controller.copying import copier
from controller.pairs import Since
from controller.probe import Reading
from controller.probe_state import ProbeState
from controller.safety import lease
from controller.safety.interlock import Permissive
from controller.standing import Standing
from controller.steep import Steep
from controller.store.requests import Request

NEVER = float("-inf")
JUST_STARTED = lease.Order(False, False, "just started")


@dataclass(slots=True)
class NodeReport:
    """What a node says of its contacts (topic heater/state).

    Parameters
    ----------
    faults
        What the node itself has found wrong and locked itself off for; a passed proof of its contacts clears them.
    refused
        (reason, how many) commands it has refused since it booted.
    limits
        Digest of the limits its program holds; "" where it does not say.
    boots
        Boots within its last ten minutes, this one included.
    notices
        What it has noticed that is no fault, such as "power-low".
    proof
        Its proof of K1 and K2 before arming: "running", "passed", "failed", "not-possible" (no current sensing), or "".
    by
        Whose command it obeyed last; "" where it does not say.
    """

    arrived_s: Final[float]
    arrived_ms: Final[int]
    on: Final[bool]
    armed: Final[bool]
    lease_left_s: Final[float]
    amps: Final[float | None]
    drops: Final[int]
    uptime_s: Final[float]
    epoch: Final[int] = 0
    seq: Final[int] = 0
    faults: Final[tuple[str, ...]] = ()
    refused: Final[tuple[tuple[str, int], ...]] = ()
    limits: Final[str] = ""
    boots: Final[int] = 1
    proof: Final[str] = ""
    notices: Final[tuple[str, ...]] = ()
    by: Final[str] = ""

    @property
    def is_news(self) -> bool:
        """Whether there may be something to answer at once; "open, no current, no fault" can wait for the tick."""
        return self.on or bool(self.amps) or bool(self.faults)


@dataclass(slots=True)
class NodeWatch:
    """What is remembered of a node's reports.

    Parameters
    ----------
    lateness
        (receipt [s], receipt less uptime [s]) of about the last minute, oldest first.
    unheard
        (sequence number, [s] when sent) of the oldest command the node has not yet reported, or None.
    known_faults
        Faults it reported last: each latches once.
    flows
        Reports in a row that say "open" and show a current, as far as they are counted; 3 once they have latched.
    affronts, affronted_s
        How many commands the node has refused that were not ours or not for now, and when that last rose [s].
    late, late_since_s, late_s
        How many it has refused as late, and when that began to rise, and last rose [s].
    """

    lateness: Final[tuple[tuple[float, float], ...]] = ()
    unheard: Final[tuple[int, float] | None] = None
    known_faults: Final[frozenset[str]] = frozenset()
    flows: Final[int] = 0
    affronts: Final[int] = 0
    affronted_s: Final[float] = NEVER
    late: Final[int] = 0
    late_since_s: Final[float] = NEVER
    late_s: Final[float] = NEVER


@dataclass(slots=True)
class Response:
    """What is remembered to tell whether heat warms, and whether warmth comes unasked; changed on a copy alone.

    Parameters
    ----------
    soil_c, air_c, outside_c
        [Cel] averaged over about ten minutes, or None.
    past_c, past_then_c
        [Cel] air, or outside where none is measured, averaged over about six hours: now, and when the span began.
    since_s, onset
        [s] when the present span of hard heating began, or None, and whether it is the first.
    duty
        Averaged over about ten minutes: a blip ends no span.
    soil_then_c, air_then_c, outside_then_c
        [Cel] when that span began, or None.
    warmest_k
        [K] the most that the air was above an unheated one in that span.
    dark_s
        [s] since when the sun has been down, or None.
    disturbed_s
        [s] when something else than a heater last warmed the soil, or until when it will.
    lowest_c
        [Cel] the coldest the unheated soil has been since its warmth should have spread, or None.
    short_s
        [s] since when full heat has been too little, or None.
    leaks_s
        [s] since when the air has been far colder than the heat that goes into it explains, or None.
    """

    soil_c: float | None = None
    air_c: float | None = None
    outside_c: float | None = None
    since_s: float | None = None
    onset: bool = False
    duty: float = 0.0
    past_c: float | None = None
    past_then_c: float | None = None
    soil_then_c: float | None = None
    air_then_c: float | None = None
    outside_then_c: float | None = None
    warmest_k: float = NEVER
    dark_s: float | None = None
    disturbed_s: float = NEVER
    lowest_c: float | None = None
    short_s: float | None = None
    leaks_s: float | None = None

    def copy(self) -> "Response":
        """Return a copy."""
        return _copy_response(self)


class Inputs(NamedTuple):
    """What came since the last tick, and how the shell fares.

    Parameters
    ----------
    connected, resumed_s
        Whether the broker session stands, and since when [s].
    journal_ok
        Whether the journal can be written.
    seq
        Sequence number of the last command sent to this node; 0 before the first.
    broken_at
        Where the journal's chain breaks; 0 if it holds.
    wire_fault
        Why the link is not good enough to heat by although it may stand, in words; "" if it is.
    notes
        (name, words) of what the shell has noticed and a person should know.
    foresight
        The planner's latest word on the hours to come, or None.
    """

    readings: tuple[Reading, ...] = ()
    reports: tuple[NodeReport, ...] = ()
    requests: tuple[Request, ...] = ()
    connected: bool = True
    resumed_s: float = NEVER
    journal_ok: bool = True
    seq: int = 0
    broken_at: int = 0
    wire_fault: str = ""
    notes: tuple[tuple[str, str], ...] = ()
    foresight: Foresight | None = None


@dataclass(slots=True)
class State:
    """All that one enclosure remembers from tick to tick. A tick works on a copy of its own, never on the one given.

    Parameters
    ----------
    lost
        Those of `permissives` that do not hold.
    usable
        By probe, what control may use at this tick (see `hearing`); a probe that is not fresh is not in it.
    is_hot, odd, heard_until_s
        Whether a probe of what the heater warms was over its limit or rose too fast; of which probes there may be an
        alert; and till when [s] these and `usable` stand while no probe speaks (None: not worked out).
    steep
        By air probe, what is remembered to tell a rise that is not the heater's (see `steep`).
    """

    standing: Standing
    probes: dict[str, ProbeState]
    usable: Mapping[str, float] = field(default_factory=dict)
    is_hot: bool = False
    odd: tuple[str, ...] = ()
    heard_until_s: float | None = None
    node: NodeReport | None = None
    contact_since_ms: int | None = None
    integral: float = 0.0
    duty: float = 0.0
    terms: Terms | None = None
    foresight: Foresight | None = None
    planned: bool = False
    asked_c: float | None = None
    asked_by: str = "none"
    working_c: float | None = None
    soil_c: float | None = None
    controlled_s: float | None = None
    cycle: Cycle | None = None
    ticked_s: float | None = None
    valid_from_s: float = NEVER
    air_hot_s: float = NEVER
    air_hot_probe: str = ""
    rearm_s: float = NEVER
    heat_s: float = NEVER
    opened_s: float = NEVER
    armed_s: float = NEVER
    lapsed_s: float = NEVER
    began_s: float = NEVER
    weighed_s: float = NEVER
    observed_s: float | None = None
    inverted: int = 0
    worked_s: float | None = None
    apart_s: float | None = None
    watch: NodeWatch = field(default_factory=NodeWatch)
    response: Response = field(default_factory=Response)
    differing: Since = field(default_factory=dict)
    steep: Mapping[str, Steep] = field(default_factory=dict)
    alerts: tuple[Alert, ...] = ()
    permissives: tuple[Permissive, ...] = ()
    lost: tuple[Permissive, ...] = ()
    told_lost: frozenset[str] = frozenset()
    trial_request: int = 0
    tried: float | None = None
    order: lease.Order = JUST_STARTED
    sent: lease.Sent | None = None

    def copy(self) -> "State":
        """Return a copy; what it holds is itself never changed, so it may be shared."""
        return _copy_state(self)

    @property
    def may_be_closed(self) -> bool:
        """Whether the contact may be closed: it was ordered so, or its node says so, or nobody says."""
        return self.order.on or self.node is None or self.node.on

    @property
    def why_open(self) -> str:
        """Why a contact that has just opened did: our order, or the node's own lease or longest closing."""
        return "the node let go by itself" if self.order.on else self.order.because


_copy_response, _copy_state = copier(Response), copier(State)
