"""The last days of an enclosure as the record has them, for the planner."""

import sqlite3
from collections.abc import Iterable

import numpy as np

from controller.control.log import Log
from controller.control.stepping import Array
from controller.planning.means import KEPT_S, ROW_S
from controller.probe import Quantity

ROW_MS = round(1000 * ROW_S)
_MEANS = """SELECT probe.id, minute.start_ms / :row, sum(minute.total) / sum(minute.count)
FROM probe JOIN minute ON minute.probe_id = probe.id
WHERE probe.enclosure = :enclosure AND probe.quantity = :quantity
AND minute.start_ms >= :start AND minute.start_ms < :end
GROUP BY probe.id, minute.start_ms / :row"""
_RUNS = """SELECT start_ms, coalesce(end_ms, :end) FROM heater_run
WHERE enclosure = :enclosure AND start_ms < :end AND coalesce(end_ms, :end) > :start"""


def log_of(readings: sqlite3.Connection, enclosure: str, now_ms: int) -> Log:
    """Return the rows finished before an instant [ms UTC], four days of them at most."""
    end_ms = now_ms // ROW_MS * ROW_MS
    start_ms = end_ms - round(1000 * KEPT_S)
    span: dict[str, str | int] = {"row": ROW_MS, "enclosure": enclosure, "start": start_ms, "end": end_ms}
    columns = {name: _column(readings, quantity, span) for name, quantity in _QUANTITIES.items()}
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


def _column(readings: sqlite3.Connection, quantity: Quantity, span: dict[str, str | int]) -> Array:
    """Return the median of the probes of one quantity, row by row."""
    first, rows = int(span["start"]) // ROW_MS, (int(span["end"]) - int(span["start"])) // ROW_MS
    probes: dict[int, Array] = {}
    for probe, row, mean in readings.execute(_MEANS, {**span, "quantity": quantity.value}):
        probes.setdefault(probe, np.full(rows, np.nan))[row - first] = mean
    if not probes:
        return np.full(rows, np.nan)
    heard = np.array(list(probes.values()))
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
