"""A small site for tests of the API: real SQLite in a temporary folder, a manual clock, a Live fed by hand."""

import json
from pathlib import Path
from typing import Any

from fastapi.testclient import TestClient

from api import people
from api.app import create_app
from api.live import Live
from api.people import Role
from api.writer import Writer
from controller.clock import ManualClock, Moment, rfc3339
from controller.enclosure_settings import HeaterKind
from controller.settings import Settings
from controller.store import journal, migrations
from controller.store.connection import open_writer
from controller.store.journal import Entry

NOW_MS = 1_772_338_322_000
"""[ms] 2026-03-01T04:12:02Z."""

HOME = "http://127.0.0.1:8460"
PASSWORD = "warm roots all night"


def settings_of(host: str = "127.0.0.1") -> Settings:
    """Return Tarn Hollow with two enclosures, listening on `host`."""
    enclosure = {
        "heater": {"kind": HeaterKind.SOIL_CABLE, "rated_w": 450.0, "depth_m": 0.15},
        "probe": [
            {"name": "soil-10", "quantity": "soil", "depth_m": 0.1},
            {"name": "air-low", "quantity": "air", "height_m": 0.2},
        ],
    }
    return Settings.model_validate(
        {
            "site": {
                "name": "Tarn Hollow",
                "time_zone": "Europe/Zurich",
                "latitude": 46.2,
                "longitude": 7.5,
                "price_per_kwh": 0.3,
            },
            "web": {"host": host},
            "enclosure": [
                {"name": "larch", **enclosure},
                {"name": "elder", "limits": {"highest_set_point": 25.0}, **enclosure},
            ],
        }
    )


def status_of(enclosure: str = "larch", at_ms: int = NOW_MS, **changed: Any) -> dict[str, Any]:
    """Return a status as the controller publishes it, with one latched trip whose cause is gone."""
    status: dict[str, Any] = {
        "enclosure": enclosure,
        "at": rfc3339(at_ms),
        "at_ms": at_ms,
        "epoch": 4,
        "armed": True,
        "soil_c": 18.06,
        "set_point": {"asked_c": 18.0, "working_c": 18.0, "source": "schedule", "until": None},
        "heat": {
            "duty": 0.41,
            "ordered": True,
            "contact": True,
            "second_contact": True,
            "contact_since": rfc3339(at_ms),
            "watts": 450.0,
            "node_age_s": 1.2,
            "drops": 0,
            "on_last_hour_s": 1380,
            "senses_current": True,
        },
        "permissives": [{"name": "soil heard", "holds": True, "detail": "", "returns": ""}],
        "trips": [trip_of()],
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
        "refused": {},
        "last_refused": {},
        "alerts": [],
        "at_work_until": None,
        "proved_at": None,
        "words": {"verdict": "Warm and safe.", "because": "", "next": "", "do": ""},
    }
    return {**status, **changed}


def trip_of(**changed: Any) -> dict[str, Any]:
    """Return a latched trip whose cause is gone."""
    trip = {
        "name": "heater-surface-over:heater",
        "kind": "heater-surface-over",
        "probe": "heater",
        "value": 71.2,
        "unit": "Cel",
        "limit": 70.0,
        "at": rfc3339(NOW_MS),
        "at_ms": NOW_MS,
        "cause_gone": True,
        "resets_24h": 0,
        "detail": "heater-surface probe 'heater' reached 71.2 Cel; limit 70.0 Cel",
    }
    return {**trip, **changed}


def alert_of(**changed: Any) -> dict[str, Any]:
    """Return an alert that began a minute ago and that nobody has put aside."""
    alert = {
        "name": "probe:air-low",
        "detail": "air probe 'air-low' has gone quiet",
        "since": rfc3339(NOW_MS - 60_000),
        "shelved_until": None,
        "urgent": False,
    }
    return {**alert, **changed}


class ApiSite:
    """The app with its files, before or while it runs."""

    def __init__(self, folder: Path, host: str = "127.0.0.1") -> None:
        self.folder = folder
        self.settings = settings_of(host)
        self.clock = ManualClock(Moment(1000.0, NOW_MS))
        self.live = Live(self.settings, self.clock)

    def add_person(self, name: str, role: Role) -> str:
        """Set somebody up before the app opens the file; return a bearer token of theirs."""
        season = Writer(self.folder / "season.db", people.MIGRATIONS)
        season.do(people.add_person, name, role, PASSWORD)
        token = season.do(people.new_session, name, NOW_MS)
        season.close()
        return token

    def refusals(self) -> tuple[people.Refusal, ...]:
        """Return the refused attempts on record, after the app has closed the file."""
        season = Writer(self.folder / "season.db", people.MIGRATIONS)
        try:
            return season.do(people.list_refusals)
        finally:
            season.close()

    def hear(self, status: dict[str, Any] | None = None, retained: bool = False) -> None:
        """Let a status arrive as the broker would bring it."""
        status = status or status_of()
        self.live.accept(f"soilward/{status['enclosure']}/status", json.dumps(status).encode(), retained)

    def write_journal(self, *entries: Entry) -> None:
        """Append entries as the controller would."""
        connection = open_writer(self.folder / "journal.db", migrations.JOURNAL)
        journal.append(connection, entries)
        connection.close()

    def client(self, caller: str = "127.0.0.1", home: str = HOME, **headers: str) -> TestClient:
        """Return a client of the app; use it as a context manager so that files are closed."""
        app = create_app(self.settings, self.folder, self.live, self.clock)
        return TestClient(
            app,
            base_url=home,
            client=(caller, 50_000),
            headers=headers,
            raise_server_exceptions=False,
            follow_redirects=False,
        )
