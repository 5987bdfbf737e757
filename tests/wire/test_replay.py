"""Replay of what a real controller did over a real broker: the same decisions, or a difference that is said."""

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from controller.replay.command import Asked, replay
from tests.kept import alter_values
from tests.wire.kit import Bench, throughout, until

pytestmark = pytest.mark.xdist_group("lived")

NEVER_MS = 253_402_300_799_999


@pytest.fixture(scope="module")
def lived(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    """About a minute of a controller: armed, heating, cut off from its broker, tripped, reset too early, stopped."""
    with Bench(tmp_path_factory.mktemp("lived"), lease_s=15.0) as bench:
        bench.heat()
        throughout("it heats", lambda: bench.spy.status()["heat"]["ordered"], 8.0)
        bench.controller_link.cut()
        bench.open_within(17.0)
        bench.controller_link.mend()
        until("it heats again", lambda: bench.node.heated, 60.0)
        bench.node.override["soil-10"] = 46.0
        bench.open_within(10.0)
        bench.ask("reset", trip="soil-over:soil-10")
        refused = "SELECT count(*) FROM journal WHERE kind = 'answer' AND json_extract(body, '$.outcome') = 'refused'"
        until("the reset is refused", lambda: bench.rows(refused, file="journal.db") == [(1,)], 10.0)
        bench.node.override["soil-10"] = 15.0
        throughout("it stays off", lambda: not bench.node.core.on, 6.0)
    return bench


def told(bench: Bench, settings: Path, capsys: pytest.CaptureFixture[str]) -> tuple[int, str]:
    """Replay; return the exit status and what was printed."""
    status = replay(Asked(bench.data, settings, "", 0, NEVER_MS))
    return status, capsys.readouterr().out


def changed(bench: Bench, change: Callable[[float], float]) -> Callable[[], None]:
    """Change the readings on record; return what undoes it."""
    file = bench.data / "readings.db"
    before = file.read_bytes()
    with closing(sqlite3.connect(file, isolation_level=None)) as connection:
        alter_values(connection, change)
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return lambda: (file.write_bytes(before), None)[1]


def test_a_replay_takes_every_decision_on_record_again(lived: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    """Arming, heat, the lost broker, the trip, the refused reset: all agree, and there were that many."""
    status, text = told(lived, lived.folder / "soilward.toml", capsys)
    assert status == 0, text
    trips, answers = (
        lived.rows("SELECT count(*) FROM journal WHERE kind = ?", kind, file="journal.db")[0][0]
        for kind in ("trip", "answer")
    )
    (orders,) = lived.rows("SELECT count(*) FROM order_change WHERE is_on")
    assert (trips, answers) == (1, 3)
    assert orders[0] >= 2
    (line,) = (line for line in text.splitlines() if " larch: " in line)
    words = line.split()
    assert words[1] == words[5]
    assert int(words[1]) >= trips + answers + 2 * orders[0]


def test_a_reading_altered_on_record_makes_the_replay_differ(lived: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    """Without the hot reading there is no cause for the trip: said, with what the replay did instead."""
    undo = changed(lived, lambda value: 15.0 if value == 46.0 else value)
    status, text = told(lived, lived.folder / "soilward.toml", capsys)
    undo()
    assert status == 1
    assert "recorded: trip soil-over:soil-10" in text
    assert "replayed: heat on" in text


def test_a_limit_altered_in_the_settings_makes_the_replay_differ(
    lived: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    """With a trip at 14 Cel, soil of 15 Cel would have latched from the beginning; the other settings are named."""
    settings = lived.folder / "tighter.toml"
    text = (lived.folder / "soilward.toml").read_text()
    settings.write_text(text.replace("soil_trip = 40.0", "soil_trip = 14.0"))
    status, told_text = told(lived, settings, capsys)
    assert status == 1
    assert "its settings were others than these" in told_text
    assert "replayed: trip soil-over:soil-10 (soil probe" in told_text
