"""Energy: joules, kilowatt hours, and a day at part duty."""

from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from controller.store import runs
from controller.store.connection import open_writer
from controller.store.migrations import READINGS
from controller.store.use import JOULES_PER_KWH

MIDNIGHT_MS = round(datetime(2026, 1, 10, tzinfo=UTC).timestamp() * 1000)
DAY_MS = 86_400_000


def test_a_kilowatt_hour_is_3_6_megajoules() -> None:
    """1000 W for 3600 s.

    Source: SI Brochure, 9th edition, table 8 (1 h = 3600 s) and table 4 (1 W = 1 J/s).
    """
    assert JOULES_PER_KWH == 3.6e6


@pytest.mark.parametrize("cycle_s", [600, 900, 3600])
def test_half_a_kilowatt_at_two_fifths_duty_uses_4_8_kwh_a_day(tmp_path: Path, cycle_s: int) -> None:
    """500 W x 40 % x 24 h = 17.28 MJ = 4.8 kWh, exactly, whatever the cycle; the on time is 9.6 h.

    Source: common practice (power times time; energy is what P x t gives).
    """
    connection = open_writer(tmp_path / "readings.db", READINGS)
    on_s = cycle_s * 2 // 5
    for start_ms in range(MIDNIGHT_MS, MIDNIGHT_MS + DAY_MS, cycle_s * 1000):
        runs.begin(connection, "north", start_ms)
        runs.add_energy(connection, "north", 500.0 * on_s)
        runs.finish(connection, "north", start_ms + on_s * 1000, "duty")
    (total_j,) = connection.execute("SELECT sum(energy_j) FROM heater_run").fetchone()
    (day,) = runs.summary(
        connection, "north", MIDNIGHT_MS, MIDNIGHT_MS + DAY_MS, "day", ZoneInfo("UTC"), MIDNIGHT_MS + DAY_MS
    )
    connection.close()
    assert total_j == 17.28e6
    assert day.energy_kwh == 4.8
    assert day.energy_known
    assert (day.on_s, day.longest_s, day.cycles) == (9.6 * 3600, on_s, 86_400 // cycle_s)


def test_a_run_is_shared_between_days_without_losing_energy(tmp_path: Path) -> None:
    """One run from 22:30 to 01:30 at 500 W: 0.75 kWh on each side of midnight.

    Source: common practice (constant power while the contact is closed).
    """
    connection = open_writer(tmp_path / "readings.db", READINGS)
    start_ms = MIDNIGHT_MS + DAY_MS - 5_400_000
    runs.begin(connection, "north", start_ms)
    runs.add_energy(connection, "north", 500.0 * 10_800)
    runs.finish(connection, "north", start_ms + 10_800_000, "duty")
    end_ms = MIDNIGHT_MS + 2 * DAY_MS
    days = runs.summary(connection, "north", MIDNIGHT_MS, end_ms, "day", ZoneInfo("UTC"), end_ms)
    connection.close()
    assert [day.energy_kwh for day in days] == [0.75, 0.75]
