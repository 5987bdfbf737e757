"""From state to status: what is true now, as the broker, the API and the pages show it."""

from collections.abc import Mapping

from controller.clock import Moment, rfc3339
from controller.duty_words import duty_words
from controller.explain import explain
from controller.latching import cause_gone
from controller.plan import Plan
from controller.probe import SI_UNIT
from controller.probe_state import ProbeState, Watch, fresh
from controller.safety import limits
from controller.safety.interlock import Permissive
from controller.safety.trip import Trip, TripKind
from controller.state import State
from controller.status import (
    AlertNow,
    ControlNow,
    HeatNow,
    PermissiveNow,
    ProbeNow,
    SetPointNow,
    Status,
    TripNow,
)


def status_of(
    plan: Plan,
    state: State,
    now: Moment,
    epoch: int,
    on_last_hour_s: float = 0.0,
    refused: Mapping[str, int] | None = None,
    last_refused: Mapping[str, str] | None = None,
) -> Status:
    """Return the status of one enclosure, as JSON gives it.

    Parameters
    ----------
    on_last_hour_s
        [s] contact closed within the last hour, as the node reported it.
    refused, last_refused
        Refused messages by reason, and the last bad payload by topic.
    """
    status: Status = {
        "enclosure": plan.name,
        "at_ms": now.utc_ms,
        "epoch": epoch,
        "armed": state.standing.armed,
        "soil_c": state.soil_c,
        "set_point": _set_point(state),
        "heat": _heat(plan, state, now, on_last_hour_s),
        "permissives": [_permissive(each) for each in state.permissives],
        "trips": [_trip(plan, state, each, now) for each in state.standing.trips],
        "readings": [_probe(w, state.probes[w.name], now, state.valid_from_s) for w in plan.watches.values()],
        "refused": dict(refused or {}),
        "last_refused": dict(last_refused or {}),
        "alerts": _alerts(state, now),
        "at_work_until": _text(state.standing.at_work_until_ms),
        "proved_at": _text(state.standing.proved_ms),
        "control": _control(state),
        "words": {"verdict": "", "because": "", "next": "", "do": ""},
        "at": rfc3339(now.utc_ms),
    }
    words = explain(status, fahrenheit=False)
    status["words"] = {"verdict": words.verdict, "because": words.because, "next": words.next, "do": words.do}
    return status


def _permissive(each: Permissive) -> PermissiveNow:
    return {"name": each.name, "holds": each.holds, "detail": each.detail, "returns": each.returns}


def _set_point(state: State) -> SetPointNow:
    until_ms = state.standing.override_until_ms if state.asked_by == "person" else None
    return {
        "asked_c": state.asked_c,
        "working_c": state.working_c,
        "source": state.asked_by,
        "until": _text(until_ms),
    }


def _heat(plan: Plan, state: State, now: Moment, on_last_hour_s: float) -> HeatNow:
    node = state.node
    age_s = None if node is None else now.mono_s - node.arrived_s
    heat: HeatNow = {
        "duty": state.duty,
        "ordered": state.order.on,
        "contact": None,
        "second_contact": None,
        "contact_since": None,
        "watts": None,
        "node_age_s": age_s,
        "drops": None,
        "on_last_hour_s": on_last_hour_s,
        "senses_current": None,
    }
    if node is not None and age_s is not None and age_s <= limits.NODE_SILENT_S:
        heat["contact"], heat["second_contact"], heat["drops"] = node.on, node.armed, node.drops
        heat["contact_since"], heat["node_age_s"] = _text(state.contact_since_ms), round(age_s, 1)
        heat["watts"] = node.amps * plan.volts if node.amps is not None else plan.rated_w * node.on
        heat["senses_current"] = node.amps is not None
    return heat


def _control(state: State) -> ControlNow | None:
    """Return why this much heat, or None while nothing controls."""
    terms = state.terms
    if terms is None or state.working_c is None or state.soil_c is None:
        return None
    control: ControlNow = {
        "duty": round(state.duty, 4),
        "terms": {
            "feedback": round(terms.feedback, 4),
            "outside": round(terms.outside, 4),
            "sun": round(terms.sun, 4),
            "plan": round(terms.plan, 4),
        },
        "below_k": round(state.working_c - state.soil_c, 3),
        "planned": state.planned,
        "words": "",
        "tried": state.tried is not None,
        "on": state.order.on,
    }
    control["words"] = duty_words(control)
    return control


def _trip(plan: Plan, state: State, each: Trip, now: Moment) -> TripNow:
    unit = "K/min" if each.kind is TripKind.AIR_RISE else "Cel" if each.value is not None else ""
    return {
        "name": each.name,
        "kind": each.kind.value,
        "probe": each.probe,
        "value": each.value,
        "unit": unit,
        "limit": each.limit,
        "at": rfc3339(each.at_ms),
        "at_ms": each.at_ms,
        "cause_gone": cause_gone(plan, state, each, now),
        "resets_24h": sum(name == each.name and now.utc_ms - ms < 86_400_000 for name, ms in state.standing.resets),
        "detail": each.detail,
    }


def _probe(watch: Watch, probe: ProbeState, now: Moment, valid_from_s: float) -> ProbeNow:
    return {
        "probe": watch.name,
        "quantity": watch.quantity.value,
        "unit": SI_UNIT[watch.quantity],
        "level_m": watch.level_m,
        "value": probe.said,
        "age_s": None if probe.said_s is None else round(now.mono_s - probe.said_s, 1),
        "fresh": fresh(watch, probe, now.mono_s, valid_from_s),
        "grade": probe.grade.value,
        "reason": probe.reason,
    }


def _alerts(state: State, now: Moment) -> list[AlertNow]:
    # One that would end later than any can was put aside by a clock that has been set back since (hazards O03, T01).
    until_ms = now.utc_ms + round(limits.LONGEST_SHELVED_S * 1000)
    shelved = {name: rfc3339(ms) for name, ms in state.standing.shelved if now.utc_ms < ms <= until_ms}
    return [
        {
            "name": each.name,
            "detail": each.detail,
            "since": rfc3339(each.since_ms),
            "urgent": each.urgent,
            "shelved_until": None if each.urgent else shelved.get(each.name),
        }
        for each in state.alerts
    ]


def _text(at_ms: int | None) -> str | None:
    return None if at_ms is None else rfc3339(at_ms)
