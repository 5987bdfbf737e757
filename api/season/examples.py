"""Examples of the season that `/openapi.json` shows: one per answer, from the invented site Tarn Hollow."""

from typing import Any

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
            "unheated": "",
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
        "reached_c": 1.4,
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
    "hours": [{"at": "2026-03-01T18:00:00.000Z", "outside_c": -2.5, "light_w_m2": 0.0, "wind_m_s": 0.8, "cloud": 0.1}],
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
NOTES_ASKED: dict[str, dict[str, Any]] = {
    "stage": {"day": "2026-03-01", "code": 9},
    "damage": {"day": "2026-02-20", "share_pct": 15.0},
    "harvest": HARVEST_ASKED,
    "never": {"day": "2025-10-28", "crop": "main"},
    "remark": {"day": "2026-02-14", "words": "pruned to three buds"},
}
_ENTERED = {"by": "keeper", "entered": "2026-03-01T04:12:02.000Z"}
_STAGE = {"kind": "stage", "day": "2026-03-01", "code": 9, "words": ""}
_STAGE_SEEN = {"number": 2, **_STAGE, "stage": "buds begin to break", "frost_stage": "buds opening", **_ENTERED}
PHOTOGRAPH_KEPT: dict[str, Any] = {"plant": 1, "note": 2, "number": 7}
_PHOTOGRAPH = {"number": 7, "width_px": 1600, "height_px": 1200, **_ENTERED}
_HARVEST_SEEN = {"number": 1, "kind": "harvest", **HARVEST_ASKED, **_ENTERED}
PLANT: dict[str, Any] = {
    "number": 1,
    **PLANT_ASKED,
    "stage": _STAGE_SEEN,
    "last_harvest": _HARVEST_SEEN,
    **_ENTERED,
    "notes": [{**_STAGE_SEEN, "photographs": [_PHOTOGRAPH]}, _HARVEST_SEEN],
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
