"""The forms an export can take: CSV (RFC 4180), SenML (RFC 8428) and, with the extra `parquet`, Parquet."""

import csv
import io
import json
from collections.abc import Callable, Iterator
from dataclasses import replace
from enum import StrEnum
from pathlib import Path

from controller.clock import rfc3339
from controller.errors import SoilwardError
from controller.exporting.rows import COLUMNS, TIMES, Row, Wanted, What, pages
from controller.wire.senml import ABSOLUTE_FROM_S


class ExportError(SoilwardError):
    """An export that cannot be given in the form asked for."""


class Form(StrEnum):
    """How an export is written."""

    CSV = "csv"
    SENML = "senml"
    PARQUET = "parquet"


MEDIA_TYPES = {
    Form.CSV: "text/csv; charset=utf-8; header=present",
    Form.SENML: "application/senml+json",
    Form.PARQUET: "application/vnd.apache.parquet",
}

Told = Callable[[int], None]
"""Called after each page with the rows in it."""


def export(folder: Path, wanted: Wanted, form: Form, told: Told = lambda rows: None) -> Iterator[bytes]:
    """Return an export as pieces of bytes, in constant memory; close it to stop before its end.

    Raises
    ------
    ExportError
        If this record has no such form, or the form's package is not installed.
    StoreError
        If there is no record yet.
    """
    if form is Form.SENML:
        if wanted.what is not What.READINGS:
            raise ExportError(f"what = {wanted.what.value!r}: SenML holds readings only; ask for csv or parquet")
        # Before, which a clock that was not set may have said, a time in SenML counts from now.
        wanted = replace(wanted, start_ms=max(wanted.start_ms, round(ABSOLUTE_FROM_S * 1000)))
    if form is Form.PARQUET:
        try:
            from controller.exporting.parquet_form import parquet
        except ImportError as error:
            raise ExportError(
                "format = 'parquet': the package pyarrow is not installed here; "
                "install it with `pip install 'soilward[parquet]'`, or ask for csv"
            ) from error
        writing = parquet
    else:
        writing = csv_text if form is Form.CSV else senml
    return writing(wanted.what, _counted(pages(folder, wanted), told))


def _counted(found: Iterator[list[Row]], told: Told) -> Iterator[list[Row]]:
    for page in found:
        yield page
        told(len(page))


def csv_text(what: What, found: Iterator[list[Row]]) -> Iterator[bytes]:
    """Yield a header line and a line per row; a number reads back as the same number."""
    columns = COLUMNS[what]
    times = [number for number, name in enumerate(columns) if name in TIMES]
    yield _lines([columns])
    for page in found:
        yield _lines([_dated(row, times) for row in page])


def _dated(row: Row, times: list[int]) -> list[object]:
    line: list[object] = list(row)
    for number in times:
        if line[number] is not None:
            line[number] = rfc3339(line[number])  # type: ignore[arg-type]
    return line


def _lines(rows: list[list[object]] | list[tuple[str, ...]]) -> bytes:
    text = io.StringIO(newline="")
    csv.writer(text, lineterminator="\r\n").writerows(rows)
    return text.getvalue().encode()


def senml(what: What, found: Iterator[list[Row]]) -> Iterator[bytes]:
    """Yield one pack: per probe a base name and unit, then times and values; `grade` where it is not good.

    A reader passes over a label it does not know (RFC 8428, section 4.4), so `grade` harms none.
    """
    between, named = "[", None
    for page in found:
        records = []
        for enclosure, probe, _, unit, taken_ms, _, value, grade in page:
            record: dict[str, object] = {}
            if named != (enclosure, probe):
                named = (enclosure, probe)
                record = {"bn": f"{enclosure}/{probe}", "bu": unit}
            record |= {"t": taken_ms / 1000, "v": value}  # type: ignore[operator]
            if grade != "good":
                record["grade"] = grade
            records.append(json.dumps(record, separators=(",", ":")))
        yield (between + ",\n".join(records)).encode()
        between = ",\n"
    yield b"[]\n" if named is None else b"]\n"
