"""`soilward export` and `soilward import`: the record out to a file or a pipe, and readings back in."""

import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from controller.clock import from_rfc3339, rfc3339
from controller.exporting.forms import ExportError, Form, export
from controller.exporting.lacking import kept_from_ms
from controller.exporting.rows import Wanted, What
from controller.exporting.taking_in import take_in

LATEST_MS = 253_402_300_800_000
"""[ms] The first instant after the year 9999: later than every row."""

TOLD_ROWS = 20_000


@dataclass(slots=True)
class Progress:
    """A count of rows on the terminal; silent where standard error is none."""

    rows: int = 0
    told: int = 0

    def take(self, rows: int) -> None:
        """Count rows, and say so now and then."""
        self.rows += rows
        if self.rows - self.told >= TOLD_ROWS and sys.stderr.isatty():
            self.told = self.rows
            print(f"\r{self.rows} rows", end="", file=sys.stderr, flush=True)

    def end(self, said: str) -> None:
        """Say how it ended."""
        print(f"{chr(13) if self.told else ''}{said}", file=sys.stderr)


def wanted(what: str, start: str | None, end: str | None, enclosure: str | None) -> Wanted:
    """Return what the command asks for; without times, all there is.

    Raises
    ------
    ExportError
        If a time cannot be read, or the end is not after the start.
    """
    try:
        start_ms = 0 if start is None else from_rfc3339(start)
        end_ms = LATEST_MS if end is None else from_rfc3339(end)
    except ValueError as error:
        raise ExportError(f"{error}; write times as 2026-03-01T04:00:00Z") from error
    if end_ms <= start_ms:
        raise ExportError(f"--end {end} is not after --start {start}; swap them")
    return Wanted(What(what), start_ms, end_ms, enclosure)


def give(folder: Path, asked: Wanted, form: Form, output: Path | None) -> int:
    """Write an export to `output`, or to standard output if None."""
    progress = Progress()
    pieces = export(folder, asked, form, progress.take)
    try:
        if output is None:
            _pour(pieces, sys.stdout.buffer)
        else:
            _to_file(pieces, output)
    except BrokenPipeError:
        raise  # the command's own end for a reader that left
    except OSError as error:
        raise ExportError(f"{output or 'standard output'}: {error.strerror}; free the disk or name another") from error
    progress.end(f"{progress.rows} rows exported")
    from_ms = kept_from_ms(folder, asked)
    if from_ms is not None:
        kept = f"readings are kept from {rfc3339(from_ms)} on (store.raw_days)"
        print(f"{kept}; before, there are minutes and hours alone, which no export has", file=sys.stderr)
    return 0


def _pour(pieces: Iterator[bytes], out: BinaryIO) -> None:
    for piece in pieces:
        out.write(piece)
    out.flush()


def _to_file(pieces: Iterator[bytes], output: Path) -> None:
    """Write beside `output` and then take its place, so that a file of that name is always whole."""
    part = output.with_name(output.name + ".part")
    try:
        with part.open("wb") as out:
            _pour(pieces, out)
        part.replace(output)
    finally:
        part.unlink(missing_ok=True)


def take(folder: Path, file: Path) -> int:
    """Take the readings of `file` in."""
    progress = Progress()
    found = take_in(folder, file, progress.take)
    progress.end(f"{file}: {found.rows} readings, {found.new} new, {found.rows - found.new} there already")
    return 0
