"""What every call of the API stands on: settings, files, live values, clock."""

import sqlite3
from collections.abc import Iterator
from contextlib import AbstractContextManager, closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol, cast

from fastapi import HTTPException, Request

from api.chain import Chain
from api.live import Live
from api.tries import Tries
from api.writer import Writer
from controller.clock import Clock
from controller.enclosure_settings import Enclosure
from controller.errors import StoreError
from controller.settings import Served, Settings
from controller.store.connection import open_reader
from controller.store.damage import DamagedError, is_damage


@contextmanager
def opened(file: Path) -> Iterator[sqlite3.Connection]:
    """Open a database read-only, and close it again.

    Raises
    ------
    StoreError
        If it is not there yet or cannot be read; a `DamagedError` names it and what to do.
    """
    try:
        with closing(open_reader(file)) as connection:
            yield connection
    except (sqlite3.DatabaseError, StoreError) as error:
        if not is_damage(error) or isinstance(error, DamagedError):
            raise
        raise DamagedError(file.name, error) from error


class Door(Protocol):
    """What sign-in, roles and people stand on, at one site or over many; `key` is shown by the command on this machine
    to say who the people are.
    """

    @property
    def settings(self) -> Served:
        """What is served, and how."""
        ...

    @property
    def season(self) -> Writer:
        """The file that holds the people."""
        ...

    @property
    def tries(self) -> Tries:
        """Who tried to sign in how often."""
        ...

    @property
    def clock(self) -> Clock:
        """The machine's."""
        ...

    @property
    def key(self) -> str:
        """Of the command on this machine."""
        ...


@dataclass(frozen=True, slots=True)
class State:
    """Held by a site's app for as long as it runs; a `Door` among other things.

    `season` and `requests` are the files the API writes; `folder` holds the controller's, opened read-only per call.
    """

    settings: Settings
    folder: Path
    live: Live
    season: Writer
    requests: Writer
    tries: Tries
    clock: Clock
    chain: Chain
    key: str

    def reading(self, file: str) -> AbstractContextManager[sqlite3.Connection]:
        """Open one of the databases read-only, and close it again; raises as `opened`."""
        return opened(self.folder / file)

    def enclosure(self, name: str) -> Enclosure:
        """Return the settings of one enclosure.

        Raises
        ------
        HTTPException
            404, naming those that are known.
        """
        found = self.settings.named(name)
        if found is None:
            known = ", ".join(each.name for each in self.settings.enclosure)
            raise HTTPException(404, f"enclosure {name[:40]!r} is not in settings; known: {known}")
        return found

    def close(self) -> None:
        """Close the files the API writes."""
        self.season.close()
        self.requests.close()


def state_of(request: Request) -> State:
    """Return the app's state; usable as a dependency."""
    return cast(State, request.app.state.soilward)


def door_of(request: Request) -> Door:
    """Return what is known at the door, of a site's app or that over many; usable as a dependency."""
    return cast(Door, request.app.state.soilward)
