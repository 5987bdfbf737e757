"""Examples that `/openapi.json` shows: one per answer, from the invented site Tarn Hollow."""

from typing import Any

STATUS: dict[str, Any] = {
    "enclosure": "larch",
    "at": "2026-03-01T04:12:02.000Z",
    "at_ms": 1772338322000,
    "epoch": 4,
    "known": True,
    "as_of_age_s": 0.6,
    "armed": True,
    "soil_c": 18.06,
    "set_point": {"asked_c": 18.0, "working_c": 18.0, "source": "schedule", "until": None},
    "heat": {
        "duty": 0.41,
        "ordered": True,
        "contact": True,
        "second_contact": True,
        "contact_since": "2026-03-01T04:10:10.000Z",
        "watts": 450.0,
        "node_age_s": 1.2,
        "drops": 0,
        "on_last_hour_s": 1380,
        "senses_current": True,
    },
    "permissives": [{"name": "soil heard", "holds": True, "detail": "", "returns": ""}],
    "trips": [
        {
            "name": "heater-surface-over:heater",
            "kind": "heater-surface-over",
            "probe": "heater",
            "value": 71.2,
            "unit": "Cel",
            "limit": 70.0,
            "at": "2026-03-01T03:37:00.000Z",
            "at_ms": 1772336220000,
            "cause_gone": True,
            "resets_24h": 0,
            "detail": "heater-surface probe 'heater' reached 71.2 Cel; limit 70.0 Cel",
        }
    ],
    "readings": [
        {
            "probe": "soil-10",
            "quantity": "soil",
            "unit": "Cel",
            "level_m": -0.1,
            "value": 18.06,
            "age_s": 4.1,
            "fresh": True,
            "grade": "good",
            "reason": "",
        }
    ],
    "refused": {"no-unit": 2},
    "last_refused": {"soilward/larch/probe/soil-10": '{"t": 18}'},
    "control": {
        "duty": 0.41,
        "terms": {"feedback": 0.12, "outside": 0.33, "sun": -0.04, "plan": 0.0},
        "below_k": 0.4,
        "planned": False,
        "tried": False,
        "on": True,
        "words": "41 %: 12 for the soil being 0.4 K low, 33 for the cold outside, 4 less for the sun.",
    },
    "alerts": [
        {
            "name": "probe:air-low",
            "detail": "air probe 'air-low' has gone quiet",
            "since": "2026-03-01T03:58:10.000Z",
            "shelved_until": None,
            "urgent": False,
        }
    ],
    "at_work_until": None,
    "proved_at": "2026-02-14T09:20:11.000Z",
    "words": {
        "verdict": "Warm and safe.",
        "because": "Soil 18.1 Cel, asked 18.0. Heat 38 % of the last hour.",
        "next": "",
        "do": "",
    },
}

READINGS: dict[str, Any] = {
    "enclosure": "larch",
    "start": "2026-03-01T03:00:00.000Z",
    "end": "2026-03-01T04:00:00.000Z",
    "series": [
        {
            "probe": "soil-10",
            "quantity": "soil",
            "unit": "Cel",
            "bucket_ms": 60000,
            "rows": [{"start_ms": 1772334000000, "least": 17.9, "mean": 18.02, "most": 18.1, "count": 6}],
        }
    ],
}

HEATER_RUNS: dict[str, Any] = {
    "enclosure": "larch",
    "by": "day",
    "currency": "EUR",
    "rows": [
        {
            "start": "2026-02-28T23:00:00.000Z",
            "end": "2026-03-01T23:00:00.000Z",
            "start_ms": 1772319600000,
            "end_ms": 1772406000000,
            "on_s": 30_240.0,
            "cycles": 212,
            "longest_s": 300.0,
            "energy_kwh": 3.78,
            "energy_known": True,
            "cost": 1.13,
        }
    ],
}

JOURNAL_ENTRY: dict[str, Any] = {
    "sequence": 118,
    "at_ms": 1772336220000,
    "at": "2026-03-01T03:37:00.000Z",
    "kind": "trip",
    "enclosure": "larch",
    "who": "controller",
    "why": "heater-surface probe 'heater' reached 71.2 Cel; limit 70.0 Cel",
    "body": {"trip": "heater-surface-over:heater", "value": 71.2, "limit": 70.0},
    "previous_hash": "5b2f" + "0" * 60,
    "hash": "9c41" + "0" * 60,
}

PROOF: dict[str, Any] = {
    "holds": True,
    "entries": 118,
    "first_bad": None,
    "detail": "all 118 entries fit",
    "head": "9c41" + "0" * 60,
    "read": 2,
    "whole_walk": "2026-03-01T00:00:03.000Z",
    "signed": {
        "holds": True,
        "heads": 61,
        "detail": "all 61 signed heads fit",
        "last": {
            "sequence": 117,
            "hash": "27be" + "0" * 60,
            "at_ms": 1772323203000,
            "signature": "5f" + "0" * 126,
            "at": "2026-03-01T00:00:03.000Z",
        },
    },
}

REFUSAL: dict[str, Any] = {
    "at_ms": 1772338322000,
    "who": "neighbour",
    "path": "/api/enclosures/larch/arm",
    "why": "'neighbour' has the role view; changing needs the role operate",
    "at": "2026-03-01T04:12:02.000Z",
}

ADOPTED: dict[str, Any] = {
    "figures": {
        "loss_w_k": 96.0, "exchange_w_k": 74.0, "upper_j_k": 1.1e6, "bed_j_k": 2.1e6, "lower_j_k": 7.4e6,
        "upper_bed_w_k": 158.0, "bed_lower_w_k": 51.0, "lower_deep_w_k": 33.0, "air_sun_m2": 1.6, "soil_sun_m2": 3.1,
        "lag_s": 1500.0, "deep_c": 8.6,
    },
    "likely": {"rise_24h_k": [6.1, 5.2, 7.2]},
    "why": "fits the last three nights well",
}  # fmt: skip

ACCEPTED: dict[str, Any] = {"request": 17, "answer": "/api/requests/17"}

REQUEST: dict[str, Any] = {
    "id": 17,
    "state": "done",
    "detail": "set point 19.5 Cel until 2026-03-02T06:00:00Z",
    "at": "2026-03-01T19:40:00.000Z",
    "enclosure": "larch",
    "kind": "set-point",
    "arguments": {"set_point_c": 19.5, "until": "2026-03-02T06:00:00Z"},
    "who": "keeper",
    "why": "slips look cold",
    "answered": "2026-03-01T19:40:01.000Z",
}

HEALTH: dict[str, Any] = {"status": "well", "reasons": []}

LIMIT: dict[str, Any] = {
    "name": "SOIL_TRIP_C",
    "figures": [40.0],
    "unit": "Cel",
    "meaning": "Roots are stressed at 40-45 Cel.",
    "source": "Newman & Davies 1987, J. Environ. Hort. 5(2)",
    "tightened": {"larch": 35.0},
    "acting_is_recorded": True,
    "acted": "2026-03-01T04:12:02.000Z",
}


def shows(example: Any, status: int = 200, media_type: str = "application/json") -> dict[int | str, dict[str, Any]]:
    """Return an OpenAPI response entry with this example."""
    return {status: {"description": "Answer", "content": {media_type: {"example": example}}}}


CONTROL: dict[str, Any] = {
    "enclosure": "larch",
    "at": "2026-03-01T04:12:02.000Z",
    "now": STATUS["control"],
    "planner": {"at": "2026-03-01T04:00:00.000Z", "word": ""},
    "ahead": [
        {
            "at": "2026-03-01T04:00:00.000Z",
            "duty": 0.55,
            "soil_c": 17.9,
            "set_point_c": 18.0,
            "outside_c": -3.2,
            "light_w_m2": 0.0,
        }
    ],
    "learnt": {
        "at": "2026-03-01T00:00:00.000Z",
        "figures": {"rise_24h_k": {"value": 6.1, "low": 5.2, "high": 7.2}},
    },
}
