"""Parquet, a row group for every few pages. Needs pyarrow, which only this module imports."""

from collections.abc import Iterator

import pyarrow as pa
import pyarrow.parquet as pq

from controller.exporting.rows import COLUMNS, TIMES, Row, What

GROUP_ROWS = 20_000
"""Rows of a row group: enough to pack well, few enough to hold in memory. Source: engineering judgement."""

_NUMBERS = {"value": pa.float64(), "energy_j": pa.float64(), "sequence": pa.int64()}


class _Pipe:
    """What a file looks like to pyarrow; the bytes are taken out again after every row group."""

    closed = False

    def __init__(self) -> None:
        self._parts: list[bytes] = []
        self._at = 0

    def write(self, part: bytes) -> int:
        """Take bytes in."""
        self._parts.append(bytes(part))
        self._at += len(part)
        return len(part)

    def tell(self) -> int:
        """Return how many bytes came so far."""
        return self._at

    def flush(self) -> None:
        """Hold nothing back."""

    def close(self) -> None:
        """Keep what has not been taken out."""

    def drain(self) -> bytes:
        """Take out what came since."""
        parts, self._parts = self._parts, []
        return b"".join(parts)


def schema_of(what: What) -> pa.Schema:
    """Return the columns: times as UTC milliseconds, numbers as they are, the rest text."""
    return pa.schema([(name, _type_of(name)) for name in COLUMNS[what]])


def _type_of(name: str) -> pa.DataType:
    return pa.timestamp("ms", tz="UTC") if name in TIMES else _NUMBERS.get(name, pa.string())


def parquet(what: What, found: Iterator[list[Row]]) -> Iterator[bytes]:
    """Yield a Parquet file piece by piece."""
    pipe, schema = _Pipe(), schema_of(what)
    with pq.ParquetWriter(pa.PythonFile(pipe, mode="w"), schema, compression="zstd") as writer:
        for group in _groups(found):
            columns = [
                pa.array(column, each.type) for column, each in zip(zip(*group, strict=True), schema, strict=True)
            ]
            writer.write_table(pa.Table.from_arrays(columns, schema=schema))
            yield pipe.drain()
    yield pipe.drain()


def _groups(found: Iterator[list[Row]]) -> Iterator[list[Row]]:
    group: list[Row] = []
    for page in found:
        group += page
        if len(group) >= GROUP_ROWS:
            yield group
            group = []
    if group:
        yield group
