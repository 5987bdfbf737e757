"""Reading back from InfluxDB 2, in Flux."""

import csv
import operator
from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Any

from influxdb_client import InfluxDBClient
from influxdb_client.client.flux_csv_parser import FluxCsvParserException, FluxQueryException
from influxdb_client.rest import ApiException
from urllib3.exceptions import HTTPError

from api.review.kept import Kept, KeptError, Last, Run, allowed, entry_of
from controller.settings import Elsewhere
from controller.store.journal import StoredEntry
from controller.store.points import NS_PER_MS
from controller.store.readings import Bucket, ProbeSeries, borders
from controller.store.remote import TIMEOUT_MS, token_of

DAY_MS = 86_400_000
_WHOLE = "start: 1970-01-01T00:00:00Z"
_FUNCTIONS: dict[str, Callable[[float, float], float]] = {
    "min": min,
    "max": max,
    "sum": operator.add,
    "count": operator.add,
}
"""What a bucket is made of, and how those of one probe's grades come together."""


class Influx(Kept):
    """An InfluxDB 2; version 3 takes the same writes but answers no Flux.

    Parameters
    ----------
    remote
        Its address, organisation, bucket and token.
    """

    def __init__(self, remote: Elsewhere) -> None:
        self._remote = remote
        self._client = InfluxDBClient(
            url=remote.url, token=token_of(remote), org=remote.organisation, timeout=TIMEOUT_MS, enable_gzip=True
        )
        self._query = self._client.query_api()

    def enclosures(self, site: str | None = None, enclosure: str | None = None) -> list[tuple[str, str]]:
        # Hours are the fewest points that every enclosure has, once its first one is over.
        hours = f'r._measurement == "reading_hour" and r._field == "count"{_within(site, enclosure)}'
        found: set[tuple[str, str]] = set()
        for span, chosen in ((_WHOLE, hours), ("start: -1d", _said(site, enclosure))):
            rows = self._rows(
                f'from(bucket: "{self._remote.bucket}") |> range({span}) |> filter(fn: (r) => {chosen}) '
                '|> last() |> keep(columns: ["site", "enclosure"]) |> group()'
            )
            found |= {(row["site"], row["enclosure"]) for row in rows}
        return sorted(found)

    def latest(self, now_ms: int, site: str | None = None, enclosure: str | None = None) -> list[Last]:
        chosen = self._readings(site, enclosure, now_ms - DAY_MS, now_ms + 1)
        found = self._rows(f"{chosen} |> last() {_PLACES} {_LAST}")
        lasts = [Last(row["site"], row["enclosure"], *_names(row), row["_value"], _ms(row["_time"])) for row in found]
        return sorted(lasts, key=lambda each: (each.site, each.enclosure, each.probe))

    def heard(self, now_ms: int, places: Sequence[tuple[str, str]]) -> dict[tuple[str, str], int]:
        chosen = self._readings(None, None, now_ms - DAY_MS, now_ms + 1)
        found = self._rows(f'{chosen} |> last() |> group(columns: ["site", "enclosure"]) {_LAST}')
        return {(row["site"], row["enclosure"]): _ms(row["_time"]) for row in found}

    def series(self, site: str, enclosure: str, start_ms: int, end_ms: int, points: int) -> list[ProbeSeries]:
        lie = borders(start_ms, end_ms, points)
        width_ms = lie.width_ms
        window = f"every: {width_ms}ms, offset: {lie.first_ms % width_ms}ms"
        said = self._readings(site, enclosure, start_ms, end_ms)
        found: dict[tuple[str, str, str], dict[int, dict[str, float]]] = {}
        for function, joined in _FUNCTIONS.items():
            # Each grade by itself: of what is grouped before, the store itself would sum up nothing, but take each
            # reading to memory (issue 22469 of influxdata/influxdb: ten times as slow).
            shared = 'createEmpty: false, timeSrc: "_start"'
            for row in self._rows(f"{said} |> aggregateWindow({window}, fn: {function}, {shared})"):
                buckets = found.setdefault(_names(row), {})
                # Flux cuts the first window off where the range begins.
                at_ms = _ms(row["_time"]) - (_ms(row["_time"]) - lie.first_ms) % width_ms
                bucket, value = buckets.setdefault(at_ms, {}), row["_value"]
                bucket[function] = joined(bucket[function], value) if function in bucket else value
        return [ProbeSeries(*names, width_ms, _buckets(found[names])) for names in sorted(found)]

    def runs(self, site: str, enclosure: str, start_ms: int, end_ms: int) -> list[Run]:
        chosen = f'r._measurement == "heater_run" and r.site == "{site}" and r.enclosure == "{enclosure}"'
        found = self._rows(f'{self._from(chosen, start_ms, end_ms)} {_PIVOT} |> group() |> sort(columns: ["_time"])')
        return [Run(_ms(row["_time"]), row["seconds"], row.get("energy_j"), row.get("ended_by") or "") for row in found]

    def journal(self, site: str, start_ms: int, end_ms: int, limit: int) -> list[StoredEntry]:
        chosen = f'r._measurement == "journal" and r.site == "{site}"'
        newest = f'|> group() |> sort(columns: ["_time"], desc: true) |> limit(n: {limit:d})'
        return [_entry(row) for row in self._rows(f"{self._from(chosen, start_ms, end_ms)} {_PIVOT} {newest}")]

    def _readings(self, site: str | None, enclosure: str | None, start_ms: int, end_ms: int) -> str:
        return self._from(_said(site, enclosure), start_ms, end_ms)

    def _from(self, chosen: str, start_ms: int, end_ms: int) -> str:
        span = f"start: time(v: {start_ms * NS_PER_MS}), stop: time(v: {end_ms * NS_PER_MS})"
        return f'from(bucket: "{self._remote.bucket}") |> range({span}) |> filter(fn: (r) => {chosen})'

    def _rows(self, flux: str) -> Sequence[Any]:
        for header in allowed(self._remote).items():
            self._client.api_client.set_default_header(*header)
        try:
            return [record.values for table in self._query.query(flux) for record in table.records]
        except ApiException as error:
            raise KeptError(
                f"{self._remote.url} answered {error.status}; look at remote.bucket and its token"
            ) from error
        except (HTTPError, OSError) as error:
            raise KeptError(f"{self._remote.url} cannot be reached: {type(error).__name__}") from error
        except FluxQueryException as error:
            raise KeptError(f"{self._remote.url} did not answer. It says: {error.message}") from error
        except (FluxCsvParserException, csv.Error, LookupError, ValueError) as error:
            raise KeptError(f"{self._remote.url} did not answer as an InfluxDB 2 does; look at remote.url") from error


_PLACES = '|> group(columns: ["site", "enclosure", "probe"])'
_PIVOT = '|> pivot(rowKey: ["_time"], columnKey: ["_field"], valueColumn: "_value")'
_LAST = '|> sort(columns: ["_time"]) |> last()'


def _said(site: str | None, enclosure: str | None) -> str:
    return f'r._measurement == "reading" and r._field == "value" and r.grade != "refused"{_within(site, enclosure)}'


def _within(site: str | None, enclosure: str | None) -> str:
    # What others keep there under the same name is of no site.
    chosen = (("site", site), ("enclosure", enclosure), ("probe", None))
    return "".join(f' and r.{tag} == "{value}"' if value else f" and exists r.{tag}" for tag, value in chosen)


def _buckets(found: dict[int, dict[str, float]]) -> list[Bucket]:
    # What came between two of the questions is not whole yet.
    return [
        Bucket(
            at_ms,
            each["min"],
            min(max(each["sum"] / each["count"], each["min"]), each["max"]),
            each["max"],
            round(each["count"]),
        )
        for at_ms, each in sorted(found.items())
        if len(each) == len(_FUNCTIONS)
    ]


def _entry(row: Any) -> StoredEntry:
    who, why, body, chained = (row.get(name) or "" for name in ("who", "why", "body", "hash"))
    at_ms, enclosure = _ms(row["_time"]), row.get("enclosure")
    return entry_of(int(row["sequence"]), at_ms, row["kind"], enclosure, who, why, body, chained)


def _names(row: Any) -> tuple[str, str, str]:
    return row["probe"], row["quantity"], row["unit"]


def _ms(at: datetime) -> int:
    return int(at.timestamp()) * 1000 + at.microsecond // 1000
