"""From state to status: what is true now, as the broker, the API and the pages show it."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from pydantic import TypeAdapter
from pydantic_core import to_jsonable_python

from controller.clock import Moment, rfc3339
from controller.duty_words import duty_words
from controller.explain import explain
from controller.latching import cause_gone
from controller.plan import Plan
from controller.probe import SI_UNIT
from controller.probe_state import ProbeState, Watch, fresh
from controller.safety import limits
from controller.safety.trip import Trip, TripKind
from controller.state import State
from controller.status import (
    AlertNow,
    ControlNow,
    HeatNow,
    ProbeNow,
    SetPointNow,
    Status,
    TermsNow,
    TripNow,
)

_AS_JSON = TypeAdapter(Status)


def plain(status: Status) -> dict[str, Any]:
    """Return a status as JSON's own types, with `at` as RFC 3339.

    In one go: in Python this took more time than the decisions it tells of.
    """
    body: dict[str, Any] = _AS_JSON.dump_python(status, mode="json")
    body["at"] = rfc3339(status.at_ms)
    return body


def status_of(
    plan: Plan,
    state: State,
    now: Moment,
    epoch: int,
    on_last_hour_s: float = 0.0,
    refused: Mapping[str, int] | None = None,
    last_refused: Mapping[str, str] | None = None,
) -> dict[str, Any]:
    """Return the status of one enclosure, as JSON gives it (see `Status`).

    Parameters
    ----------
    on_last_hour_s
        [s] contact closed within the last hour, as the node reported it.
    refused, last_refused
        Refused messages by reason, and the last bad payload by topic.
    """
    bare = Status(
        enclosure=plan.name,
        at_ms=now.utc_ms,
        epoch=epoch,
        armed=state.standing.armed,
        soil_c=state.soil_c,
        set_point=_set_point(plan, state),
        heat=_heat(plan, state, now, on_last_hour_s),
        permissives=state.permissives,
        trips=tuple(_trip(plan, state, each, now) for each in state.standing.trips),
        readings=tuple(_probe(w, state.probes[w.name], now, state.valid_from_s) for w in plan.watches.values()),
        refused=dict(refused or {}),
        last_refused=dict(last_refused or {}),
        alerts=_alerts(state, now),
        at_work_until=_text(state.standing.at_work_until_ms),
        proved_at=_text(state.standing.proved_ms),
        control=_control(state),
    )
    body = plain(bare)
    body["words"] = to_jsonable_python(explain(body, fahrenheit=False))
    return body


def _set_point(plan: Plan, state: State) -> SetPointNow:
    until = state.standing.override_until_ms if state.asked_by == "person" else None
    return SetPointNow(state.asked_c, state.working_c, state.asked_by, None if until is None else rfc3339(until))


def _heat(plan: Plan, state: State, now: Moment, on_last_hour_s: float) -> HeatNow:
    node = state.node
    age_s = None if node is None else now.mono_s - node.arrived_s
    if node is None or age_s is None or age_s > limits.NODE_SILENT_S:
        return HeatNow(state.duty, state.order.on, None, None, None, None, age_s, None, on_last_hour_s)
    watts = node.amps * plan.volts if node.amps is not None else plan.rated_w * node.on
    since = None if state.contact_since_ms is None else rfc3339(state.contact_since_ms)
    return HeatNow(
        state.duty, state.order.on, node.on, node.armed, since, watts, round(age_s, 1), node.drops, on_last_hour_s,
        node.amps is not None,
    )  # fmt: skip


def _control(state: State) -> ControlNow | None:
    """Return why this much heat, or None while nothing controls."""
    terms = state.terms
    if terms is None or state.working_c is None or state.soil_c is None:
        return None
    shares = TermsNow(*(round(each, 4) for each in (terms.feedback, terms.outside, terms.sun, terms.plan)))
    below_k = round(state.working_c - state.soil_c, 3)
    bare = ControlNow(round(state.duty, 4), shares, below_k, state.planned, "", state.tried is not None, state.order.on)
    return replace(bare, words=duty_words(to_jsonable_python(bare)))


def _trip(plan: Plan, state: State, each: Trip, now: Moment) -> TripNow:
    unit = "K/min" if each.kind is TripKind.AIR_RISE else "Cel" if each.value is not None else ""
    resets = sum(1 for name, ms in state.standing.resets if name == each.name and now.utc_ms - ms < 86_400_000)
    gone = cause_gone(plan, state, each, now)
    return TripNow(
        each.name, each.kind, each.probe, each.value, unit, each.limit, rfc3339(each.at_ms), each.at_ms, gone, resets,
        each.detail,
    )  # fmt: skip


def _probe(watch: Watch, probe: ProbeState, now: Moment, valid_from_s: float) -> ProbeNow:
    age_s = None if probe.said_s is None else round(now.mono_s - probe.said_s, 1)
    return ProbeNow(
        watch.name, watch.quantity.value, SI_UNIT[watch.quantity], watch.level_m, probe.said, age_s,
        fresh(watch, probe, now.mono_s, valid_from_s), probe.grade.value, probe.reason,
    )  # fmt: skip


def _alerts(state: State, now: Moment) -> tuple[AlertNow, ...]:
    shelved = {name: rfc3339(ms) for name, ms in state.standing.shelved if ms > now.utc_ms}
    return tuple(
        AlertNow(
            each.name, each.detail, rfc3339(each.since_ms), each.urgent, None if each.urgent else shelved.get(each.name)
        )
        for each in state.alerts
    )


def _text(at_ms: int | None) -> str | None:
    return None if at_ms is None else rfc3339(at_ms)
