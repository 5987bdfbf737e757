"""A bed of soil for the pure core: the tick driven second by second, by probes and a node that say what they should."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from controller import enclosure
from controller.clock import Moment
from controller.load_settings import check
from controller.plan import Plan, plan_for
from controller.probe import Reading
from controller.safety.trip import Trip
from controller.settings import Settings
from controller.standing import Standing
from controller.state import Inputs, NodeReport, State
from controller.store.journal import Entry
from controller.store.requests import Kind, Request

NIGHT_MS = round(datetime(2026, 3, 1, 23, tzinfo=UTC).timestamp() * 1000)
NOON_MS = round(datetime(2026, 6, 21, 11, tzinfo=UTC).timestamp() * 1000)

SOIL: dict[str, Any] = {"name": "soil", "quantity": "soil", "depth_m": 0.1}
SECOND_SOIL: dict[str, Any] = {"name": "soil-two", "quantity": "soil", "depth_m": 0.2}
AIR: dict[str, Any] = {"name": "air", "quantity": "air", "height_m": 0.2}
SURFACE: dict[str, Any] = {"name": "case", "quantity": "heater-surface"}


def raw_settings(*probes: Mapping[str, Any], **enclosure_parts: Any) -> dict[str, Any]:
    """Return settings of Tarn Hollow as TOML would give them: a loop so brisk that it saturates at once."""
    larch: dict[str, Any] = {
        "name": "larch",
        "heater": {"kind": "soil-cable", "rated_w": 450.0, "depth_m": 0.14},
        "control": {"gain_per_k": 20.0, "integral_h": 3.0, "ramp_k_per_h": 20.0, "window_s": 300.0},
        "probe": [dict(each) for each in probes or (SOIL, AIR)],
        **enclosure_parts,
    }
    site = {"name": "Tarn Hollow", "time_zone": "Europe/Zurich", "latitude": 46.2, "longitude": 8.4}
    return {"site": site, "enclosure": [larch]}


def settings_of(*probes: Mapping[str, Any], **enclosure_parts: Any) -> Settings:
    """Return checked settings."""
    return check(raw_settings(*probes, **enclosure_parts), Path("soilward.toml"))


def plan_of(*probes: Mapping[str, Any], **enclosure_parts: Any) -> Plan:
    """Return the plan of Tarn Hollow's one enclosure."""
    settings = settings_of(*probes, **enclosure_parts)
    return plan_for(settings, settings.enclosure[0])


FLICKER_K = 1e-9
"""[K] what a constant value moves by once in ten minutes: no more than to show that the probe lives."""

Says = float | None | Callable[[float], float | None]
"""What a probe says: a value, nothing, or a function of the seconds since the bed began."""


@dataclass(slots=True)
class Bed:
    """One enclosure in time.

    Parameters
    ----------
    says
        By probe; a silent probe says None.
    node_speaks, contact
        Whether the node reports, and what of its contact (None: what was ordered).
    stuck
        Whether constant values stay the same to the last digit, as no working probe's do.
    stamp
        [s] added to our wall clock for the probes' own stamps; None: no stamp.
    node, clock_rate
        What the node's report says otherwise, by field; how many seconds its clock counts in one of ours.
    also
        What else the shell tells the tick, by field of its inputs.
    orders
        (second, on, reason) of every tick.
    """

    plan: Plan
    says: dict[str, Says]
    standing: Standing = field(default_factory=lambda: Standing(armed=True, override_c=20.0))
    begins_ms: int = NIGHT_MS
    node_speaks: bool = True
    contact: bool | None = None
    node: dict[str, Any] = field(default_factory=dict)
    clock_rate: float = 1.0
    also: dict[str, Any] = field(default_factory=dict)
    connected: bool = True
    journal_ok: bool = True
    resumed_s: float = float("-inf")
    stuck: bool = False
    stamp: float | None = 0.0
    wall_offset_ms: int = 0
    second: int = 0
    state: State = field(init=False)
    orders: list[tuple[int, bool, str]] = field(default_factory=list)
    entries: list[Entry] = field(default_factory=list)
    judged: list[Any] = field(default_factory=list)
    inputs: list[tuple[Inputs, Moment]] = field(default_factory=list)
    extra: list[Reading] = field(default_factory=list)
    asks: list[Request] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.state = enclosure.start(self.plan, self.standing)

    @property
    def now(self) -> Moment:
        """This second on both clocks."""
        return Moment(1000.0 + self.second, self.begins_ms + self.second * 1000 + self.wall_offset_ms)

    def reading(self, probe: str, value: float, source: str = "", taken_ms: int | None = None) -> Reading:
        """Return a reading that arrives now."""
        now = self.now
        stamp_ms = None if self.stamp is None else now.utc_ms + round(self.stamp * 1000)
        return Reading(
            "larch", probe, value, stamp_ms if taken_ms is None else taken_ms, now.utc_ms, now.mono_s, source
        )

    def ask(self, kind: Kind, why: str = "test", **arguments: Any) -> str:
        """Tick once with a request; returns the outcome's words."""
        number = self.state.standing.answered + 1
        self.asks.append(Request(number, self.now.utc_ms, "larch", kind, arguments, "Ada", why))
        self.tick()
        return str(next(e for e in reversed(self.entries) if e.kind == "answer").body["detail"])

    def _readings(self) -> Iterator[Reading]:
        if self.second % 10 == 0:
            for probe, says in self.says.items():
                value = says(self.second) if callable(says) else says
                if value is not None and not self.stuck and self.second % 600 == 0:
                    value += FLICKER_K
                if value is not None:
                    yield self.reading(probe, value)
        yield from self.extra
        self.extra = []

    def tick(self) -> bool:
        """Take one tick of a second; returns whether heat is ordered."""
        now = self.now
        on = self.state.order.on if self.contact is None else self.contact
        reports = (self.report(on),) if self.node_speaks else ()
        inputs = Inputs(
            tuple(self._readings()),
            reports,
            tuple(self.asks),
            self.connected,
            self.resumed_s,
            self.journal_ok,
            **self.also,
        )
        self.asks = []
        self.state, decision = enclosure.step(self.plan, self.state, inputs, now)
        self.inputs.append((inputs, now))
        self.orders.append((self.second, decision.order.on, decision.order.because))
        self.entries.extend(decision.entries)
        self.judged.extend(decision.judged)
        self.second += 1
        return decision.order.on

    def report(self, on: bool) -> NodeReport:
        """Return what the node says now; `node` overrides any part of it."""
        now = self.now
        told = NodeReport(now.mono_s, now.utc_ms, on, True, 10.0, None, 0, 1.0 + self.second * self.clock_rate)
        return replace(told, **self.node) if self.node else told

    def run(self, seconds: int) -> "Bed":
        """Take a tick each second."""
        for _ in range(seconds):
            self.tick()
        return self

    def pause(self, seconds: int) -> None:
        """Let time pass with no tick, as when the process is suspended."""
        self.second += seconds

    @property
    def on(self) -> bool:
        """Whether the last order was on."""
        return self.state.order.on

    @property
    def trips(self) -> tuple[Trip, ...]:
        """What is latched."""
        return self.state.standing.trips

    @property
    def alerts(self) -> list[str]:
        """Names of the alerts that stand, but for that of an enclosure never proved."""
        return [each.name for each in self.state.alerts if each.name != "proof-test"]

    def off_after(self, second: int) -> int:
        """[s] from a second to the first order that is off at or after it."""
        return next(at for at, on, _ in self.orders if at >= second and not on) - second

    def on_seconds(self, since: int, until: int | None = None) -> Sequence[int]:
        """Return the seconds within [since, until) at which heat was ordered."""
        return [at for at, on, _ in self.orders if on and at >= since and (until is None or at < until)]


def warm_bed(*probes: Mapping[str, Any], soil_c: float = 10.0, air_c: float = 10.0, **parts: Any) -> Bed:
    """Return an armed bed that heats steadily, a minute and a half old, at a second when its probes speak."""
    plan = plan_of(*probes)
    says: dict[str, Says] = {"soil": soil_c, "air": air_c, "soil-two": soil_c, "case": 30.0}
    bed = Bed(plan, {name: says[name] for name in plan.watches}, **parts)
    bed.run(90)
    assert bed.on, bed.orders[-1]
    assert len(bed.on_seconds(60)) == 30
    return bed
