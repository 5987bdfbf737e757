"""What every call of the API stands on: settings, files, live values, clock."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import cast

from fastapi import HTTPException, Request

from api.chain import Chain
from api.live import Live
from api.tries import Tries
from api.writer import Writer
from controller.clock import Clock
from controller.settings import Enclosure, Settings
from controller.store.connection import open_reader


@dataclass(frozen=True, slots=True)
class State:
    """Held by the app for as long as it runs.

    `season` and `requests` are the files the API writes; `folder` holds the controller's, opened read-only per call.
    `key` is what the command on this machine shows to say who the people are.
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

    @contextmanager
    def reading(self, file: str) -> Iterator[sqlite3.Connection]:
        """Open one of the databases read-only, and close it again.

        Raises
        ------
        StoreError
            If it is not there yet or cannot be read.
        """
        connection = open_reader(self.folder / file)
        try:
            yield connection
        finally:
            connection.close()

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
