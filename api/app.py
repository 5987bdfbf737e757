"""The API and its pages as one ASGI application."""

import asyncio
import sqlite3
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path

from fastapi import FastAPI
from fastapi.staticfiles import StaticFiles

from api import auth, people, problem
from api.at_hand import new_key
from api.chain import BusyError, Chain
from api.headers import Guarded
from api.live import Live
from api.pace import Paced
from api.pages import door, forms, safety_forms
from api.routes import (
    changes,
    enclosures,
    export,
    forecast,
    health,
    journal,
    limits,
    pages,
    photographs,
    plant_pages,
    plants,
    proof,
    report,
    requests,
    season,
    session,
    sizing,
    tonight,
    worth,
)
from api.routes import live as live_route
from api.routes import people as people_route
from api.season import picture_files
from api.state import State
from api.tries import Tries
from api.writer import Writer, open_requests
from controller.clock import Clock
from controller.errors import StoreError
from controller.settings import Settings
from controller.store import heads

STATIC = Path(__file__).parent / "pages" / "static"

ROUTED = (
    enclosures,
    changes,
    requests,
    journal,
    export,
    forecast,
    live_route,
    people_route,
    session,
    health,
    limits,
    photographs,
    plant_pages,
    plants,
    proof,
    season,
    sizing,
    tonight,
    worth,
    report,
    forms,
    safety_forms,
    door,
    pages,
)
"""Whose routes the application has, in the order in which they are asked."""

_ABOUT = (
    "Looks at Soilward and asks it for changes. Times are RFC 3339, temperatures Cel, energy kWh; errors are "
    "RFC 9457 problem documents. Nothing here can switch a relay: a change is filed and the controller decides."
)


def create_app(settings: Settings, folder: Path, live: Live | None = None, clock: Clock | None = None) -> FastAPI:
    """Return the application.

    Parameters
    ----------
    settings
        The whole file.
    folder
        Where the databases are: `readings.db` and `journal.db` are only read, `requests.db` and `season.db` written,
        photographs kept in a folder of their own.
    live
        Fed by the caller, as tests do; None: one of our own that follows the broker while the app runs.
    clock
        The machine's own if None.

    Raises
    ------
    SettingsError
        If it would listen beyond this machine with nobody set up.
    StoreError
        If a file that the API writes cannot be opened or is held by another.
    """
    clock = clock or Clock()
    own_live = live or Live(settings, clock)
    state = _open(settings, folder, own_live, clock)

    @asynccontextmanager
    async def running(app: FastAPI) -> AsyncIterator[None]:
        if live is None:
            own_live.start(asyncio.get_running_loop())
        watching = asyncio.create_task(own_live.watch())
        walking = asyncio.create_task(asyncio.to_thread(_walk_the_chain, state))
        try:
            yield
        finally:
            watching.cancel()
            await walking
            await asyncio.to_thread(own_live.stop)
            state.close()

    app = problem.application("Soilward", _ABOUT, running, (module.router for module in ROUTED))
    app.state.soilward = state
    app.add_middleware(Paced, clock=clock)
    app.add_middleware(Guarded)
    app.mount("/static", StaticFiles(directory=STATIC), name="static")
    return app


def _open(settings: Settings, folder: Path, live: Live, clock: Clock) -> State:
    folder.mkdir(parents=True, exist_ok=True)
    sealed = heads.checker(settings.store.model_copy(update={"folder": folder}))
    season = Writer(folder / "season.db", people.MIGRATIONS)
    try:
        auth.refuse_unsafe_listen(settings, len(season.do(people.list_people)))
        asked = open_requests(folder)
    except BaseException:
        season.close()
        raise
    picture_files.sweep(folder)
    return State(settings, folder, live, season, asked, Tries(), clock, Chain(sealed), new_key(folder))


def _walk_the_chain(state: State) -> None:
    """Walk the whole journal once, so that the first page need not; without a journal there is nothing to walk."""
    with suppress(StoreError, sqlite3.Error, BusyError), state.reading("journal.db") as connection:
        state.chain.walk(connection, state.clock.now().utc_ms, whole=True)
