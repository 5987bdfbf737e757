"""Serving the pages: a port of one's own, a word when they are ready, an end in order."""

import gc
import signal
import socket
from collections.abc import Callable
from contextlib import suppress
from types import FrameType

import uvicorn
from fastapi import FastAPI

from api.state import State
from controller.parent import end_with_parent
from controller.settings import Served
from controller.web_port import listen


def serve(settings: Served, made: Callable[[], FastAPI]) -> int:
    """Serve until told to stop by SIGINT or SIGTERM; no file is opened where the port is taken.

    Raises
    ------
    SoilwardError
        If the settings are not safe to listen with, or a file is held by another.
    """
    end_with_parent()
    listener = listen(settings.web)
    with listener:
        app = made()
        config = uvicorn.Config(
            app, log_level="warning", access_log=False, server_header=False, timeout_graceful_shutdown=3
        )
        server = _Server(config, app, _address(settings))
        # uvicorn stops in order and then raises the signal once more; being told to stop is no failure.
        for each in (signal.SIGINT, signal.SIGTERM):
            signal.signal(each, _already_stopping)
        server.run(sockets=[listener])
    return 0 if server.started else 1


class _Server(uvicorn.Server):
    """Says where it is to be opened once it is ready, and lets listening pages go before it waits for them."""

    def __init__(self, config: uvicorn.Config, app: FastAPI, address: str) -> None:
        super().__init__(config)
        self._api = app.state.soilward
        self._address = address

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        if self.started:
            # The collector need not look through all that is loaded with every few charts: a twelfth of their time.
            gc.freeze()
            # Whoever read our output may be gone; the pages do not follow.
            with suppress(OSError):
                print(f"Open {self._address}", flush=True)

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        # The review of many sites has nobody listening.
        if isinstance(self._api, State):
            self._api.live.close()
        await super().shutdown(sockets)


def _already_stopping(number: int, frame: FrameType | None) -> None:
    """Do nothing more."""


def _address(settings: Served) -> str:
    host = settings.web.host
    return f"http://{f'[{host}]' if ':' in host else host}:{settings.web.port}"
