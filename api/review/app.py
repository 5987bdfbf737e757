"""Pages and calls over many sites, from the store elsewhere alone. Nothing here can ask for a change."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from typing import cast

from fastapi import FastAPI, Request
from fastapi.responses import Response
from fastapi.staticfiles import StaticFiles

from api import auth, people, problem
from api.app import STATIC
from api.at_hand import new_key
from api.headers import Guarded
from api.pace import Paced
from api.pages import door
from api.review import calls, pages
from api.review.flux import Influx
from api.review.kept import Kept, KeptError
from api.review.settings import ReviewSettings
from api.review.victoria import Victoria
from api.routes import people as people_route
from api.routes import session
from api.state import Door
from api.tries import Tries
from api.writer import Writer
from controller.clock import Clock
from controller.errors import SettingsError
from controller.settings import Elsewhere, RemoteKind

_ABOUT = (
    "Reviews the records of many sites. Times are RFC 3339, temperatures Cel, energy kWh; errors are RFC 9457 problem "
    "documents. Read only: what heats is decided at each site."
)


@dataclass(frozen=True, slots=True)
class ReviewState:
    """What every call stands on; a `Door` among other things."""

    settings: ReviewSettings
    kept: Kept
    season: Writer
    tries: Tries
    clock: Clock
    key: str


def kept_of(remote: Elsewhere) -> Kept:
    """Return the store elsewhere, to be read.

    Raises
    ------
    SettingsError
        If it cannot be read back at all.
    """
    if remote.kind is RemoteKind.INFLUXDB_3:
        raise SettingsError(
            ['remote.kind: "influxdb-3" takes copies but answers no Flux; review "influxdb-2" or "victoria-metrics"']
        )
    return Victoria(remote) if remote.kind is RemoteKind.VICTORIA_METRICS else Influx(remote)


def create_review(settings: ReviewSettings, clock: Clock | None = None) -> FastAPI:
    """Return the application.

    Raises
    ------
    SettingsError
        If it would listen beyond this machine with nobody set up, or the store cannot be read back.
    StoreError
        If the file of people is held by another.
    """
    folder = settings.store.folder
    folder.mkdir(parents=True, exist_ok=True)
    kept = kept_of(settings.remote)
    season = Writer(folder / "season.db", people.MIGRATIONS)
    try:
        auth.refuse_unsafe_listen(settings, len(season.do(people.list_people)))
    except BaseException:
        season.close()
        raise
    state: Door = ReviewState(settings, kept, season, Tries(), clock or Clock(), new_key(folder))

    @asynccontextmanager
    async def running(app: FastAPI) -> AsyncIterator[None]:
        yield
        state.season.close()

    routers = (calls.router, session.router, people_route.router, door.router, pages.router)
    app = problem.application("Soilward review", _ABOUT, running, routers)
    app.state.soilward = state
    app.add_exception_handler(KeptError, _on_kept)
    app.add_middleware(Paced, clock=state.clock)
    app.add_middleware(Guarded)
    app.mount("/static", StaticFiles(directory=STATIC), name="static")
    return app


async def _on_kept(request: Request, error: Exception) -> Response:
    return problem.shown(request, 503, str(cast(KeptError, error)))
