"""One benign fault beside another fault: noise on every temperature, messages lost on the way, a node's clock 1 % off.

The pure core's bed lives in it for a while before the fault that is tested begins.
"""

import random
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import pytest

from controller.probe import TEMPERATURES, Reading
from controller.safety.trip import TripKind
from tests.core_site import Bed, Says, plan_of

LEASE_S, STALE_S = 15.0, 35
"""[s] restated from the hazard table."""
REPORT_EVERY_S = 5
"""[s] A node that says the same reports so often; beds without losses hear it every second."""
Each = Callable[[], object]


@dataclass(frozen=True, slots=True)
class Trouble:
    """What else is not as it should be.

    Parameters
    ----------
    noise_k
        [K] standard deviation.
    lost_readings, lost_reports
        Parts of the messages that never come.
    clock_rate
        Seconds the node's clock counts in one of ours.
    """

    noise_k: float = 0.0
    lost_readings: float = 0.0
    lost_reports: float = 0.0
    clock_rate: float = 1.0
    seed: int = 1

    @property
    def lease_s(self) -> float:
        """[s] true time that the node's clock makes of a lease."""
        return LEASE_S / self.clock_rate


TROUBLES = [
    pytest.param(Trouble(noise_k=0.3), id="noise"),
    pytest.param(Trouble(lost_readings=0.2), id="readings-lost"),
    pytest.param(Trouble(lost_reports=0.2), id="reports-lost"),
    pytest.param(Trouble(clock_rate=0.99), id="node-slow"),
    pytest.param(Trouble(clock_rate=1.01), id="node-fast", marks=pytest.mark.long),
    pytest.param(Trouble(noise_k=0.3, seed=2), id="noise-again", marks=pytest.mark.long),
    pytest.param(Trouble(lost_readings=0.2, seed=2), id="readings-lost-again", marks=pytest.mark.long),
    pytest.param(Trouble(lost_reports=0.2, seed=2), id="reports-lost-again", marks=pytest.mark.long),
]
EVERY_TROUBLE = pytest.mark.parametrize("trouble", TROUBLES)


@dataclass(slots=True)
class TroubledBed(Bed):
    """A bed that the trouble befalls from `troubled` on.

    Parameters
    ----------
    still
        Probes whose own fault leaves no room for noise.
    told
        Names of all alerts that ever stood.
    """

    trouble: Trouble = field(default_factory=Trouble)
    troubled: bool = False
    still: set[str] = field(default_factory=set)
    told: set[str] = field(default_factory=set)
    soil_s: int = 0
    chance: random.Random = field(init=False)

    def __post_init__(self) -> None:
        Bed.__post_init__(self)
        self.chance, self.clock_rate = random.Random(self.trouble.seed), self.trouble.clock_rate

    def _readings(self) -> Iterator[Reading]:
        soils = {each.name for each in self.plan.soil}
        for each in Bed._readings(self):
            noise_k, luck = self.chance.gauss(0.0, self.trouble.noise_k), self.chance.random()
            if self.troubled and luck < self.trouble.lost_readings:
                continue
            self.soil_s = self.second if each.probe in soils else self.soil_s
            lives = self.troubled and each.probe not in self.still
            noisy = lives and self.plan.watches[each.probe].quantity in TEMPERATURES
            yield replace(each, value=each.value + noise_k) if noisy else each

    def tick(self) -> bool:
        """Take one tick; the node's report may be lost, and heat without news of the soil is a failure at once."""
        speaks, luck = self.node_speaks, self.chance.random()
        if self.troubled and self.trouble.lost_reports:
            self.node_speaks = speaks and self.second % REPORT_EVERY_S == 0 and luck >= self.trouble.lost_reports
        second, on = self.second, Bed.tick(self)
        self.node_speaks = speaks
        self.told |= set(self.alerts)
        assert not on or second - self.soil_s <= STALE_S
        return on

    def heard_s(self, since_s: int, probe: str) -> int:
        """[s] when the first reading of a probe came through at or after a second; "" is the node's report."""
        for inputs, now in self.inputs:
            came = inputs.reports if not probe else [each for each in inputs.readings if each.probe == probe]
            if came and now.mono_s - 1000 >= since_s:
                return round(now.mono_s - 1000)
        raise AssertionError(f"nothing of {probe or 'the node'} came through")


VALUES: dict[str, Says] = {"soil": 10.0, "soil-two": 10.0, "air": 10.0, "air-two": 10.0, "case": 30.0}


def troubled_bed(trouble: Trouble, *probes: Mapping[str, Any], soil_c: float = 10.0, **parts: Any) -> TroubledBed:
    """Return a bed that heats, two minutes into its trouble, at a second when its probes speak."""
    plan = parts.pop("plan", None) or plan_of(*probes)
    values = {**VALUES, "soil": soil_c, "soil-two": soil_c}
    bed = TroubledBed(plan, {name: values[name] for name in plan.watches}, trouble=trouble, **parts)
    bed.run(90)
    bed.troubled = True
    bed.run(120)
    while not bed.on or bed.second % 10:
        assert bed.second < 800, bed.orders[-1]
        bed.tick()
    assert bed.trips == ()
    return bed


@dataclass(frozen=True, slots=True)
class Pair:
    """A fault of the table and its reaction, which must hold in any trouble.

    Parameters
    ----------
    begin
        Injects the fault; may return what is to be done before every tick from then on.
    off_s
        [s] within which the contact must be open, and after which it stays so; None: heat need not stop.
    counts_from
        The probe whose first sample, or "" for the node's first report, begins the time; None: the fault itself.
    latches
        What must be latched in the end; nothing else may be but what `may_latch` says.
    told
        Alerts that must have stood.
    """

    begin: Callable[[TroubledBed], Each | None]
    off_s: float | None
    counts_from: str | None = None
    latches: frozenset[TripKind] = frozenset()
    may_latch: frozenset[TripKind] = frozenset()
    told: frozenset[str] = frozenset()
    lasts_s: int = 600
    bed: Callable[[Trouble], TroubledBed] = troubled_bed

    def holds(self, trouble: Trouble) -> None:
        """Play it, and fail unless the reaction and its time are as required."""
        bed = self.bed(trouble)
        each = self.begin(bed)
        fault_s = bed.second
        for _ in range(self.lasts_s):
            if each is not None:
                each()
            bed.tick()
        latched = {trip.kind for trip in bed.trips}
        assert self.latches <= latched <= self.latches | self.may_latch, latched
        assert self.told <= bed.told, bed.told
        if self.off_s is None:
            assert len(bed.on_seconds(fault_s)) >= self.lasts_s / 2
            return
        from_s = fault_s if self.counts_from is None else bed.heard_s(fault_s, self.counts_from)
        late = bed.on_seconds(from_s + max(0, round(self.off_s - trouble.lease_s)))
        assert not late, f"on {late[0] - from_s} to {late[-1] - from_s} s after the fault"
