"""The files of photographs, in a folder of their own beside the season's record: whole or not there at all."""

import os
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from api.season.picture import Picture
from api.season.plants import PlantError

FOLDER = "photographs"

LEFT_FREE_BYTES = 512 * 1024 * 1024
"""[byte] that photographs leave free: without room for the record there is no heat. Source: engineering judgement."""


class NoRoomError(PlantError):
    """The disk has no room for a photograph, or does not take it."""


@dataclass(frozen=True, slots=True)
class Laid:
    """A photograph's files, on the disk under names that nobody looks for yet."""

    here: tuple[tuple[Path, Path], ...]

    def settle(self) -> None:
        """Give them their names; what had them before was the same.

        Raises
        ------
        NoRoomError
            If the disk does not take it.
        """
        with _said():
            for fresh, final in self.here:
                os.replace(fresh, final)
            _sync(self.here[0][1].parent)


@contextmanager
def laid(folder: Path, picture: Picture) -> Iterator[Laid]:
    """Write a photograph's files; those that were not settled by the end are gone.

    Raises
    ------
    NoRoomError
        If less than 512 MiB would stay free, or the disk does not take them.
    """
    place = folder / FOLDER
    _refuse_full(folder, len(picture.large) + len(picture.small))
    sides = ((path_of(folder, picture.name), picture.large), (path_of(folder, picture.name, small=True), picture.small))
    here = Laid(tuple((final.with_suffix(f".{secrets.token_hex(4)}.new"), final) for final, _ in sides))
    try:
        with _said():
            place.mkdir(mode=0o700, exist_ok=True)
            for (fresh, _), (_, content) in zip(here.here, sides, strict=True):
                _write(fresh, content)
        yield here
    finally:
        for fresh, _ in here.here:
            with suppress(OSError):
                fresh.unlink(missing_ok=True)


def path_of(folder: Path, name: str, *, small: bool = False) -> Path:
    """Return where a photograph lies."""
    return folder / FOLDER / f"{name}{'-small' if small else ''}.jpg"


def take_away(folder: Path, name: str) -> None:
    """Remove a photograph's files; one that is gone already is fine.

    Raises
    ------
    NoRoomError
        If the disk does not let go of them.
    """
    with _said():
        for small in (False, True):
            path_of(folder, name, small=small).unlink(missing_ok=True)


def sweep(folder: Path) -> None:
    """Remove what a power cut left half written."""
    for each in (folder / FOLDER).glob("*.new"):
        with suppress(OSError):
            each.unlink(missing_ok=True)


def _refuse_full(folder: Path, size: int) -> None:
    with _said():
        free = shutil.disk_usage(folder).free
    if free - size < LEFT_FREE_BYTES:
        raise NoRoomError(
            f"disk: {free / 1_048_576:.0f} MiB are free, {LEFT_FREE_BYTES // 1_048_576} must stay so for the record of "
            "the heat; make room, or remove photographs"
        )


def _write(path: Path, content: bytes) -> None:
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def _sync(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


@contextmanager
def _said() -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise NoRoomError(
            f"disk: the folder {FOLDER!r} was not written ({error.strerror}); make room or correct its permissions"
        ) from error
