"""The last days of an enclosure as the record has them, for the planner."""

import sqlite3
from collections.abc import Iterable

import numpy as np

from controller.control.log import Log
from controller.control.stepping import Array
from controller.planning.means import KEPT_S, ROW_S
from controller.probe import Quantity
from controller.store import rolled
from controller.store.connection import snapshot
from controller.store.stretch import Stretches

ROW_MS = round(1000 * ROW_S)
_PROBES = "SELECT id FROM probe WHERE enclosure = ? AND quantity = ?"
_RUNS = """SELECT start_ms, coalesce(end_ms, :end) FROM heater_run
WHERE enclosure = :enclosure AND start_ms < :end AND coalesce(end_ms, :end) > :start"""


def log_of(readings: sqlite3.Connection, enclosure: str, now_ms: int) -> Log:
    """Return the rows finished before an instant [ms UTC], four days of them at most."""
    end_ms = now_ms // ROW_MS * ROW_MS
    start_ms = end_ms - round(1000 * KEPT_S)
    span: dict[str, str | int] = {"row": ROW_MS, "enclosure": enclosure, "start": start_ms, "end": end_ms}
    with snapshot(readings):
        record = Stretches(readings)
        columns = {
            name: _column(record, enclosure, quantity, start_ms, end_ms) for name, quantity in _QUANTITIES.items()
        }
    duty = _duty(readings.execute(_RUNS, span), start_ms, end_ms)
    heard = np.flatnonzero(np.isfinite(columns["soil_c"]) | np.isfinite(columns["outside_c"]))
    first = heard[0] if len(heard) else len(duty)
    return Log(end_ms, ROW_S, duty=duty[first:], **{name: column[first:] for name, column in columns.items()})


_QUANTITIES = {
    "soil_c": Quantity.SOIL,
    "air_c": Quantity.AIR,
    "outside_c": Quantity.OUTSIDE,
    "light_w_m2": Quantity.LIGHT,
}


def _column(record: Stretches, enclosure: str, quantity: Quantity, start_ms: int, end_ms: int) -> Array:
    """Return the median of the probes of one quantity, row by row."""
    rows = (end_ms - start_ms) // ROW_MS
    heard = np.full((0, rows), np.nan)
    for (probe,) in record.connection.execute(_PROBES, (enclosure, quantity.value)).fetchall():
        means = rolled.combined(rolled.minutes(record, probe, start_ms, end_ms), start_ms, ROW_MS)
        column = np.full(rows, np.nan)
        column[(means.at_ms - start_ms) // ROW_MS] = means.total / means.count
        heard = np.vstack([heard, column])
    if not len(heard):
        return np.full(rows, np.nan)
    silent = np.isnan(heard).all(axis=0)
    heard[:, silent] = 0.0
    return np.where(silent, np.nan, np.nanmedian(heard, axis=0))


def _duty(runs: Iterable[tuple[int, int]], start_ms: int, end_ms: int) -> Array:
    """Return the part of each row that the contact was closed."""
    borders = np.arange(start_ms, end_ms + 1, ROW_MS)
    closed_ms = np.zeros(len(borders))
    for begin, end in runs:
        closed_ms += np.clip(borders, begin, end) - begin
    return np.diff(closed_ms) / ROW_MS
