"""What a person is shown of one enclosure: the status as it came, or, when it is old, what is no longer known."""

from collections.abc import Mapping
from typing import Any

from api.heard import SILENT_AFTER_S, Heard
from controller.clock import Moment, rfc3339
from controller.enclosure_settings import Enclosure
from controller.probe import SI_UNIT
from controller.safety.limits import LONGEST_LEASE_S

_UNKNOWN_HEAT: dict[str, Any] = {
    "duty": None,
    "ordered": None,
    "contact": None,
    "second_contact": None,
    "contact_since": None,
    "watts": None,
    "node_age_s": None,
    "drops": None,
    "on_last_hour_s": None,
    "senses_current": None,
}
_LOOK = "See whether the controller runs and the broker answers; /health says which."
_NEXT = f"A relay node that is not spoken to opens its contact within {LONGEST_LEASE_S:.0f} s by itself."


def as_seen(enclosure: Enclosure, heard: Heard | None, now: Moment) -> dict[str, Any]:
    """Return the object `GET /api/enclosures/{e}` gives.

    The fields of `controller.status.Status`, with `known` (whether it speaks of now) and `as_of_age_s` [s] (None: never
    heard). When it is older than 15 s everything that may have changed is None, words say so, and trips, which only a
    person ends, stay.
    """
    if heard is None:
        return _never_heard(enclosure, now)
    age_s = heard.age_s(now)
    shown = {**heard.status, "known": age_s <= SILENT_AFTER_S, "as_of_age_s": round(age_s, 1)}
    return shown if shown["known"] else _no_longer_known(shown, age_s)


def alerts_of(shown: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return the alerts of a status; none where it carries none, as one kept by the broker from an older program."""
    return [each for each in shown.get("alerts", ()) if isinstance(each, dict)]


def span_in_words(seconds: float) -> str:
    """Say a span [s] the way a person would: "40 s", "4 min", "3 h", "2 days"."""
    for unit_s, word, up_to_s in ((1, "s", 120), (60, "min", 7200), (3600, "h", 172_800)):
        if seconds < up_to_s:
            return f"{seconds / unit_s:.0f} {word}"
    return f"{seconds / 86_400:.0f} days"


def _no_longer_known(shown: dict[str, Any], age_s: float) -> dict[str, Any]:
    ago = span_in_words(age_s)
    silence = f"not known: the controller was last heard {ago} ago"
    return {
        **shown,
        "armed": None,
        "soil_c": None,
        "set_point": {"asked_c": None, "working_c": None, "source": "unknown", "until": None},
        "heat": _UNKNOWN_HEAT,
        "permissives": [{**each, "holds": None, "detail": silence} for each in shown.get("permissives", [])],
        "control": None,
        "readings": [
            {**each, "value": None, "age_s": None, "fresh": False, "grade": "history", "reason": silence}
            for each in shown.get("readings", [])
        ],
        "words": {
            "verdict": f"Not known: the controller was last heard {ago} ago.",
            "because": "Whether the contact is open or closed, and how warm the soil is, nobody here can say.",
            "next": _NEXT,
            "do": _LOOK,
        },
    }


def _never_heard(enclosure: Enclosure, now: Moment) -> dict[str, Any]:
    reason = "the controller has not been heard yet"
    return {
        "enclosure": enclosure.name,
        "at": rfc3339(now.utc_ms),
        "at_ms": now.utc_ms,
        "epoch": None,
        "known": False,
        "as_of_age_s": None,
        "armed": None,
        "soil_c": None,
        "set_point": {"asked_c": None, "working_c": None, "source": "unknown", "until": None},
        "heat": _UNKNOWN_HEAT,
        "permissives": [],
        "trips": [],
        "readings": [
            {
                "probe": each.name,
                "quantity": each.quantity.value,
                "unit": SI_UNIT[each.quantity],
                "level_m": each.level_m,
                "value": None,
                "age_s": None,
                "fresh": False,
                "grade": "history",
                "reason": reason,
            }
            for each in enclosure.probe
        ],
        "refused": {},
        "last_refused": {},
        "alerts": [],
        "at_work_until": None,
        "proved_at": None,
        "words": {
            "verdict": "Not known: the controller has not been heard since this page's server started.",
            "because": "Whether the contact is open or closed nobody here can say.",
            "next": _NEXT,
            "do": _LOOK,
        },
    }
