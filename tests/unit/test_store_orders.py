"""Orders as they changed, in the record of readings: kept in order, for records that are older as well."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from controller.store import orders, runs
from controller.store.connection import open_writer
from controller.store.migrations import READINGS
from controller.store.orders import OrderChanged

T0 = 1_772_000_000_000
ON = OrderChanged("larch", T0, True, True, "heat wanted and everything permits it", ())
OFF = OrderChanged("larch", T0 + 1000, False, False, "probe 'soil' is stale", ("soil heard", "air heard"))


def test_orders_come_back_as_they_went_in(tmp_path: Path) -> None:
    """By enclosure, within the time asked for, both ends included, in the order they were decided, by a clock that was
    set back as well."""
    armed = OrderChanged("elder", T0, False, True, "no heat wanted now", ())
    again = OrderChanged("larch", T0 - 5000, True, True, "heat wanted and everything permits it", ())
    with closing(open_writer(tmp_path / "readings.db", READINGS)) as connection:
        for each in (ON, armed, OFF, again):
            assert runs.apply(connection, each)
        assert list(orders.between(connection, "elder", T0, T0 + 1000)) == [armed]
        assert list(orders.between(connection, "larch", T0 - 5000, T0 + 1000)) == [ON, OFF, again]
        assert list(orders.between(connection, "larch", T0 + 1, T0 + 1000)) == [OFF]
        assert list(orders.between(connection, "larch", T0, T0 + 999)) == [ON]


def test_a_record_of_the_first_version_keeps_its_rows_and_takes_orders(tmp_path: Path) -> None:
    """What an older program wrote stays; only a table comes to it."""
    with closing(open_writer(tmp_path / "readings.db", READINGS[:1])) as connection:
        runs.begin(connection, "larch", T0)
    with closing(open_writer(tmp_path / "readings.db", READINGS)) as connection:
        orders.add(connection, ON)
        assert runs.count(connection) == {"larch": 1}
        assert list(orders.between(connection, "larch", T0, T0)) == [ON]


def test_an_order_for_heat_with_the_second_contact_open_is_no_order(tmp_path: Path) -> None:
    """K1 may close only where K2 may: the gate never says otherwise, and the record takes nothing else."""
    with (
        closing(open_writer(tmp_path / "readings.db", READINGS)) as connection,
        pytest.raises(sqlite3.IntegrityError),
    ):
        orders.add(connection, OrderChanged("larch", T0, True, False, "", ()))
