"""An invented site for the tests of the pages: Tarn Hollow, with what its controller last said."""

import json
from pathlib import Path
from typing import Any

from fastapi.testclient import TestClient

from api.app import create_app
from api.live import Live
from controller.clock import ManualClock, Moment, rfc3339
from controller.settings import Remote, RemoteKind, Settings
from controller.store import connection, journal, keeping, migrations, runs
from controller.store.readings import StoredReading

NOW_MS = 1_772_338_322_000
HOUR_MS = 3_600_000

SETTINGS = Settings.model_validate(
    {
        "site": {
            "name": "Tarn Hollow",
            "time_zone": "Europe/Zurich",
            "latitude": 46.2,
            "longitude": 7.5,
            "price_per_kwh": 0.3,
        },
        "enclosure": [
            {
                "name": "larch",
                "heater": {"kind": "soil-cable", "rated_w": 450.0, "depth_m": 0.15},
                "schedule": [{"from": "01-01", "set_point": 18.0}],
                "probe": [
                    {"name": "soil-10", "quantity": "soil", "depth_m": 0.1},
                    {"name": "soil-25", "quantity": "soil", "depth_m": 0.25},
                    {"name": "air-low", "quantity": "air", "height_m": 0.1},
                    {"name": "outside", "quantity": "outside", "height_m": 1.0},
                    {"name": "heater", "quantity": "heater-surface", "depth_m": 0.15},
                ],
            },
            {
                "name": "southwall",
                "title": "south <wall>",
                "heater": {"kind": "air-heater", "rated_w": 2000.0},
                "shape": {"kind": "glasshouse", "height_m": 2.2, "width_m": 2.4},
                "probe": [
                    {"name": "soil-8", "quantity": "soil", "depth_m": 0.08},
                    {"name": "air-ridge", "quantity": "air", "height_m": 2.0},
                ],
            },
        ],
    }
)
VALUES = {"soil-10": 18.06, "soil-25": 13.2, "air-low": 7.1, "outside": -1.4, "heater": 31.0, "soil-8": 12.0}
TRIP = {
    "name": "heater-surface-over:heater",
    "kind": "heater-surface-over",
    "probe": "heater",
    "value": 71.2,
    "unit": "Cel",
    "limit": 70.0,
    "at": rfc3339(NOW_MS - HOUR_MS),
    "at_ms": NOW_MS - HOUR_MS,
    "cause_gone": True,
    "resets_24h": 0,
    "detail": "heater-surface probe 'heater' reached 71.2 Cel; limit 70.0 Cel",
}


def status(name: str, trips: list[dict[str, Any]] | None = None, asked_c: float | None = 18.0) -> dict[str, Any]:
    """Return what the controller says of an enclosure: all well, or with trips."""
    enclosure = SETTINGS.named(name)
    assert enclosure is not None
    said = [
        {
            "probe": p.name,
            "quantity": p.quantity.value,
            "unit": "Cel",
            "level_m": p.level_m,
            "value": VALUES.get(p.name, 9.8),
            "age_s": 4.1,
            "fresh": True,
            "grade": "good",
            "reason": "",
        }
        for p in enclosure.probe
    ]
    heat = {"duty": 0.4, "ordered": True, "contact": not trips, "second_contact": None, "contact_since": None}
    more = {"watts": 450.0, "node_age_s": 1.0, "drops": 0, "on_last_hour_s": 1380}
    gate = {"name": "air below 45 Cel", "holds": False, "detail": "air probe 'air-low' reads 46.2 Cel", "returns": ""}
    return {
        "enclosure": name,
        "at": rfc3339(NOW_MS),
        "at_ms": NOW_MS,
        "epoch": 4,
        "armed": True,
        "soil_c": 18.06,
        "set_point": {"asked_c": asked_c, "working_c": asked_c, "source": "schedule", "until": None},
        "heat": {**heat, **more},
        "permissives": [gate] if trips else [{**gate, "holds": True, "detail": ""}],
        "trips": trips or [],
        "readings": said,
        "refused": {"no-unit": 2},
        "last_refused": {},
        "alerts": [alert_of("<script>alert(1)</script>")] if trips else [],
        "at_work_until": None,
        "proved_at": None,
        "words": {"verdict": "", "because": "", "next": "", "do": ""},
    }


def alert_of(detail: str, **changed: Any) -> dict[str, Any]:
    """Return an alert that began an hour ago."""
    alert = {"name": "probe:air-low", "detail": detail, "since": rfc3339(NOW_MS - HOUR_MS)}
    return {**alert, "shelved_until": None, "urgent": False, **changed}


COPIED = SETTINGS.model_copy(
    update={"remote": Remote(kind=RemoteKind.VICTORIA_METRICS, url="https://metrics.example", site="tarn-hollow")}
)
"""The same site with a copy elsewhere."""


def open_site(folder: Path, heard: bool = True, kept: bool = True, settings: Settings = SETTINGS) -> TestClient:
    """Return a client of the pages; with `heard` a controller that speaks, with `kept` a day of record."""
    clock = ManualClock(Moment(1000.0, NOW_MS))
    live = Live(settings, clock)
    app = create_app(settings, folder, live, clock)
    if heard:
        live.accept("soilward/larch/status", json.dumps(status("larch")).encode())
        live.accept("soilward/southwall/status", json.dumps(status("southwall", [TRIP])).encode())
    if kept:
        _keep(folder)
    return TestClient(app, base_url="http://127.0.0.1:8460", client=("127.0.0.1", 50000), follow_redirects=False)


def _keep(folder: Path) -> None:
    record = connection.open_writer(folder / "readings.db", migrations.READINGS)
    batch = [
        StoredReading("larch", name, name.split("-")[0], "Cel", value, at_ms, at_ms, "good")
        for at_ms in range(NOW_MS - 24 * HOUR_MS, NOW_MS, 600_000)
        for name, value in (("soil-10", 17.0), ("air-low", 6.0), ("outside", -2.0))
    ]
    keeping.add(record, batch)
    runs.begin(record, "larch", NOW_MS - 5 * HOUR_MS)
    runs.add_energy(record, "larch", 3_600_000.0)
    runs.finish(record, "larch", NOW_MS - 4 * HOUR_MS, "off")
    record.close()
    book = connection.open_writer(folder / "journal.db", migrations.JOURNAL)
    detail = {"detail": "heater-surface probe 'heater' reached 71.2 Cel; limit 70.0 Cel"}
    body: dict[str, journal.JSON] = {"request": 99, "asked": "arm", "outcome": "done", "detail": "armed"}
    journal.append(
        book,
        [
            journal.Entry("trip", "southwall", "soilward", detail["detail"], dict(detail), NOW_MS - HOUR_MS),
            journal.Entry("answer", "larch", "keeper", "<b>cold</b> night", body, NOW_MS - 60_000),
        ],
    )
    book.close()
