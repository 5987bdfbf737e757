"""Real stores to copy to, and a small record.

VictoriaMetrics (Debian package) always; an InfluxDB 2 as well where `SOILWARD_TEST_INFLUX_URL` names one, with
`SOILWARD_TEST_INFLUX_TOKEN`, `_ORG` and `_BUCKET`. Only that second one proves `api/review/flux.py`, texts kept to the
letter, and roll-ups put right after late readings.
"""

import os
import random
import secrets
import subprocess
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest
import urllib3

from api.review.app import kept_of
from api.review.kept import Kept
from controller.clock import Clock
from controller.forwarder import Forwarder
from controller.settings import Remote
from controller.store import journal, keeping, reading_back, runs
from controller.store.connection import open_reader, open_writer
from controller.store.journal import Entry
from controller.store.migrations import JOURNAL, READINGS
from controller.store.readings import ProbeSeries, StoredReading
from tests.core_site import settings_of
from tests.wire.kit import STARTS_S, a_free_port, until

INFLUX = os.environ.get("SOILWARD_TEST_INFLUX_URL")
STORES = ("victoria-metrics", "influxdb-2") if INFLUX else ("victoria-metrics",)
HOUR_MS = 3_600_000
START_MS = 1_767_225_600_000
"""2026-01-01T00:00:00Z."""


class Victoria:
    """One process on one port; `stop` and `start` it as often as a test likes."""

    def __init__(self, folder: Path, **more: str) -> None:
        self.port = a_free_port()
        self.url, self._folder, self._more = f"http://127.0.0.1:{self.port}", folder, more
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it and wait until it answers."""
        options = {
            "storageDataPath": self._folder,
            "httpListenAddr": f"127.0.0.1:{self.port}",
            # Old records must be taken, one point of one stamp kept, and the newest half minute shown.
            "retentionPeriod": "100y",
            "dedup.minScrapeInterval": "1ms",
            "search.latencyOffset": "0s",
            "memory.allowedBytes": "256MB",
            **self._more,
        }
        command = ["victoria-metrics", *(f"-{name}={value}" for name, value in options.items())]
        self._process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        until("victoria-metrics answers", self._answers, STARTS_S)

    def stop(self) -> None:
        """Stop it in order."""
        if self._process is not None:
            self._process.terminate()
            self._process.wait(20)
            self._process = None

    def _answers(self) -> bool:
        try:
            return urllib3.request("GET", f"{self.url}/health", retries=False, timeout=1).status == 200
        except urllib3.exceptions.HTTPError:
            return False


@pytest.fixture
def victoria(tmp_path: Path) -> Iterator[Victoria]:
    """Yield an empty one that runs."""
    one = Victoria(tmp_path / "victoria")
    one.start()
    yield one
    one.stop()


def said(probe: str, at_ms: int, value: float, grade: str = "good", enclosure: str = "larch") -> StoredReading:
    """Return one soil reading."""
    return StoredReading(enclosure, probe, "soil", "Cel", value, at_ms, at_ms + 200, grade)


@pytest.fixture(params=STORES)
def remote(request: pytest.FixtureRequest, tmp_path: Path) -> Remote:
    """Return settings of a store, with a site name that nobody has used there."""
    site = f"tarn-hollow-{secrets.token_hex(4)}"
    if request.param == "victoria-metrics":
        url = request.getfixturevalue("victoria").url
        return Remote.model_validate({"kind": request.param, "url": url, "site": site})
    token_file = tmp_path / "token"
    token_file.write_text(os.environ["SOILWARD_TEST_INFLUX_TOKEN"])
    place = {name: os.environ[f"SOILWARD_TEST_INFLUX_{key}"] for name, key in _PLACE}
    told = {"kind": request.param, "url": INFLUX, "site": site, "token_file": token_file}
    return Remote.model_validate({**told, **place})


_PLACE = (("organisation", "ORG"), ("bucket", "BUCKET"))


@pytest.fixture
def kept(remote: Remote) -> Kept:
    """Return what reads it back."""
    return kept_of(remote)


def forwarder_of(folder: Path, remote: Remote) -> Forwarder:
    """Return a forwarder of a record; only `turn` makes it do anything."""
    settings = settings_of()
    store = settings.store.model_copy(update={"folder": folder})
    return Forwarder(settings.model_copy(update={"store": store}), remote, Clock())


@pytest.fixture
def forwarder(folder: Path, remote: Remote) -> Iterator[Forwarder]:
    """Yield a forwarder of the record to the store."""
    one = forwarder_of(folder, remote)
    yield one
    one.close()


Send = Callable[[], None]


@pytest.fixture
def send(forwarder: Forwarder, remote: Remote) -> Send:
    """Return what sends all there is and makes it visible to queries."""

    def send() -> None:
        send_all(forwarder, remote)

    return send


def send_all(forwarder: Forwarder, remote: Remote) -> None:
    """Take turns until there is nothing more to send."""
    while forwarder.turn() == 0.0:
        pass
    settle(remote)


def settle(remote: Remote) -> None:
    """Make what was written visible to queries."""
    if remote.kind == "victoria-metrics":
        urllib3.request("GET", f"{remote.url}/internal/force_flush")


Keep = Callable[..., None]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return a folder with an empty record."""
    folder = tmp_path / "record"
    folder.mkdir()
    for name, migrations in (("readings.db", READINGS), ("journal.db", JOURNAL)):
        open_writer(folder / name, migrations).close()
    return folder


@pytest.fixture
def keep(folder: Path) -> Keep:
    """Return what commits readings, run events and journal entries, as the controller's writer does."""

    def keep(*items: StoredReading | runs.RunEvent | Entry) -> None:
        with closing(open_writer(folder / "readings.db", READINGS)) as connection:
            keeping.add(connection, [each for each in items if isinstance(each, StoredReading)])
            for each in items:
                if not isinstance(each, StoredReading | Entry):
                    runs.apply(connection, each)
        with closing(open_writer(folder / "journal.db", JOURNAL)) as connection:
            journal.append(connection, [each for each in items if isinstance(each, Entry)])

    return keep


def many(probe: str, count: int, seed: int, enclosure: str = "larch") -> list[StoredReading]:
    """Return readings every 10 s, with a gap of ten minutes in the middle and some refused."""
    draw = random.Random(seed)
    moments = [START_MS + 10_000 * number + (600_000 if number > count // 2 else 0) for number in range(count)]
    return [
        said(probe, at_ms, round(draw.uniform(5, 20), 2), "refused" if draw.random() < 0.02 else "good", enclosure)
        for at_ms in moments
    ]


def local(folder: Path, end_ms: int, points: int) -> list[ProbeSeries]:
    """Return what the record itself says of larch."""
    with closing(open_reader(folder / "readings.db")) as connection:
        return reading_back.series(connection, "larch", None, START_MS, end_ms, points)
