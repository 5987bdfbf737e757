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

_NIGHT_COVER = {"soil_c": 17.1, "air_c": 1.9, "energy_kwh": 6.4, "short_k": 0.0, "holds_to_c": -7.2}
TONIGHT: dict[str, Any] = {
    "night": {"sunset": "2026-03-01T17:12:00.000Z", "sunrise": "2026-03-02T06:01:00.000Z"},
    "why_none": "",
    "lowest_so_far_c": 1.4,
    "enclosures": {
        "larch": {
            "at": "2026-03-01T19:00:00.000Z",
            "carry": {
                "starts_ms": 1772386200000,
                "ends_ms": 1772431200000,
                "asked_c": 18.0,
                "outside_c": -2.5,
                "nights": {"as it is": _NIGHT_COVER},
            },
            "error": {"soil_c": {"nights": 9, "mean": -0.1, "size": 0.3}, "energy_kwh": None},
        }
    },
    "told": {
        "by": "probe",
        "minimum_c": -2.1,
        "spread_k": 1.7,
        "freedom": 41,
        "outside_range": False,
        "from_prior": False,
        "words": "air alone; 42 nights of this site; judged by leaving each out in turn",
        "nights": 42,
    },
    "limits": [
        {
            "stage": "leafed",
            "place": "ground",
            "air_c": 2.0,
            "chance": 0.991,
            "word": "likely",
            "reached": "2026-03-01T20:05:00.000Z",
            "basis": "common practice",
        }
    ],
}

_SUM = {"since": "2025-11-01", "total": 41.3, "unit": "portions", "hours_missing": 0}
_SIDE = {"protection": "tunnel with heat", "units": 4, "trees": 4, "shared": False, "never": 0}
WORTH: dict[str, Any] = {
    "year": 2025,
    "crop": "first",
    "trees": 8,
    "used": {"tunnel with heat": {"kwh": 412.0, "cost": 127.72}},
    "compared": [
        {
            "measure": "first ripe fruit",
            "one": _SIDE,
            "other": {**_SIDE, "protection": "open"},
            "smallest_p": 0.0286,
            "p": 0.0286,
            "effect": -11.0,
            "low": -18.0,
            "high": -2.0,
            "confidence": 0.971,
            "sooner": None,
            "says": "4 trees in a tunnel with heat against 4 in the open: first ripe fruit 11 days earlier.",
        }
    ],
    "cautions": ["No lot decided which tree got which protection."],
}

WAKING: dict[str, Any] = {
    "chill": "chill-portions",
    "warmth": "hours",
    "base_c": 10.0,
    "places": [{"place": "larch, soil", "enclosure": "larch", "probe": "soil-10", "chill": _SUM, "warmth": None}],
}

_SHARE = {"on": "04-05", "frozen": 9, "years": 30, "chance": 0.3, "low": 0.167, "high": 0.479}
FREEZES: dict[str, Any] = {
    "record": "station.csv, extended by Tarn Hollow",
    "thresholds": [
        {
            "at_or_below_c": 0.0,
            "years": 30,
            "p10": "05-08",
            "p50": "04-19",
            "p90": "04-02",
            "last": {2025: "2025-04-12"},
            "left_out": {2019: "3 nights after the last freeze found are missing"},
            "ahead": [{"days": 0, **_SHARE}],
            "two_weeks_before_the_average": _SHARE,
        }
    ],
}

FORECAST: dict[str, Any] = {
    "given": "2026-03-01T16:00:00.000Z",
    "by": "keeper",
    "hours": [{"at": "2026-03-01T18:00:00.000Z", "outside_c": -2.5, "light_w_m2": 0.0}],
}

_BY_CABLE = {
    "watts": 562.4,
    "w_m2": 104.2,
    "amperes": 2.45,
    "air_c": 0.31,
    "at_hand_holds_to_c": -6.85,
    "kwh": 640.2,
    "cost": 192.06,
    "seasons": [{"year": 2025, "kwh": 640.2, "short_days": 0}],
}
SIZING: dict[str, Any] = {
    "enclosure": "larch",
    "asked": {"shape": "tunnel", "length_m": 6.0, "set_point_c": 16.0, "coldest_c": -5.0, "coldest_by": "record"},
    "loss": {"cover_m2": 13.14, "volume_m3": 3.39, "cover_w_k": 81.49, "exchange_w_k": 1.14, "whole_w_k": 82.63},
    "heaters": {
        "soil-cable": _BY_CABLE,
        "air-heater": {**_BY_CABLE, "watts": 1643.3, "w_m2": 304.3, "amperes": 7.14, "air_c": 13.4, "kwh": 1871.5},
    },
    "air_over_cable": 2.92,
    "cable_range_w_m2": [80.0, 160.0],
    "circuits": [{"breaker_a": 16.0, "continuous_a": 12.8, "carries_w": 2944.0}],
    "changes": [{"change": "a second layer", "note": "saves 35 % of the cover's loss", "watts": 512.0, "kwh": 588.4}],
    "weather": {
        "record": "station.csv, extended by Tarn Hollow",
        "why_none": "",
        "seasons": [{"year": 2025, "days": 90, "known": 90, "coldest_c": -5.0}],
    },
}

PLANT_ASKED: dict[str, Any] = {
    "name": "L1",
    "cultivar": "brown fig",
    "place": "south end",
    "enclosure": "larch",
    "protection": "tunnel with heat",
    "stands": "ground",
    "planted": 2022,
    "scale": "fig",
    "active": True,
}
HARVEST_ASKED: dict[str, Any] = {"day": "2025-08-19", "count": 7, "grams": 310.0, "crop": "main", "words": ""}
_ENTERED = {"by": "keeper", "entered": "2026-03-01T04:12:02.000Z"}
_STAGE = {"kind": "stage", "day": "2026-03-01", "code": 9, "words": ""}
_STAGE_SEEN = {"number": 2, **_STAGE, "stage": "buds begin to break", "frost_stage": "buds opening", **_ENTERED}
_HARVEST_SEEN = {"number": 1, "kind": "harvest", **HARVEST_ASKED, **_ENTERED}
PLANT: dict[str, Any] = {
    "number": 1,
    **PLANT_ASKED,
    "stage": _STAGE_SEEN,
    "last_harvest": _HARVEST_SEEN,
    **_ENTERED,
    "notes": [_STAGE_SEEN, _HARVEST_SEEN],
}
NOTE_KEPT: dict[str, Any] = {"plant": 1, "number": 2}
PLANTS_CSV = (
    "plant,kind,cultivar,place,enclosure,protection,stands,planted,scale,active,"
    "day,code,share_pct,count,grams,crop,words\r\n"
    "L1,plant,brown fig,south end,larch,tunnel with heat,ground,2022,fig,yes,,,,,,,\r\n"
    "L1,harvest,,,,,,,,,2025-08-19,,,7,310,main,\r\n"
)

YEARS: dict[str, Any] = {
    "chill_by": "chill-portions",
    "warmth_by": "degree-days-hourly",
    "years": [
        {
            "year": 2026,
            "first": "2026-01-01",
            "through": "2026-09-30",
            "last_freeze": {"known": True, "on": "2026-04-02"},
            "first_freeze": {"known": False, "on": None},
            "chill": 61.2,
            "warmth": 1904.0,
            "stages": {"11": "2026-03-21"},
            "crops": {"first": {"first": "2026-07-02", "half": "2026-07-11", "kilograms": 11.4, "plants": 14}},
            "kwh": 312.4,
            "kwh_whole": 312.4,
        }
    ],
    "same_plants": [
        {
            "measure": "first ripe fruit",
            "crop": "first",
            "pairs": 9,
            "plants": 14,
            "shift": {"median": -4.0, "low": -7.0, "high": -1.0, "confidence": 0.961},
            "p": 0.0195,
            "smallest_p": 0.0039,
        }
    ],
}
