"""A controller that falls ill on SIGUSR1: `python -m tests.faults.sick ILLNESS[+slow-disk] SETTINGS`.

The program is the real one; one part of it breaks, as a fault of the machine or of the code would break it. A slow disk
is slow from the start.
"""

import os
import resource
import signal
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from controller import service
from controller.clock import Clock
from controller.keeper import Keeper
from controller.load_settings import load
from controller.safety import limits
from controller.service import Controller
from controller.store.lane import Lane

UNRECORDED_S = 5.0
"""[s] the minute of patience with a disk, shortened for the test (a limit may be tightened)."""

SLOW_S = 0.3
"""[s] by which a slow disk delays every commit and every `fsync`."""

ill: list[Controller] = []


def _in_tick(does: Callable[[], None]) -> None:
    """Let every tick do something more once the controller is ill."""
    tick = Keeper.tick

    def sick_tick(self: Keeper, *arguments: Any) -> Any:
        if ill:
            does()
        return tick(self, *arguments)

    Keeper.tick = sick_tick  # type: ignore[method-assign, assignment]


def _hang() -> None:
    while True:
        time.sleep(0.05)


def _run_out_of_memory() -> None:
    look = Controller._once_a_second

    def out(self: Controller, now: Any) -> None:
        if ill:
            raise MemoryError
        look(self, now)

    Controller._once_a_second = out  # type: ignore[method-assign]


def _slow_down_the_disk() -> None:
    fsync, commit = os.fsync, Lane.commit

    def slow_fsync(file: Any) -> None:
        time.sleep(SLOW_S)
        fsync(file)

    def slow_commit(self: Lane[Any], now_s: float) -> Any:
        time.sleep(SLOW_S)
        return commit(self, now_s)

    os.fsync, Lane.commit = slow_fsync, slow_commit  # type: ignore[assignment, method-assign]


def _at_once(controller: Controller, illness: str) -> None:
    """Break what is broken from outside the loop."""
    if illness == "writer-dies":
        controller.writer.turn = None  # type: ignore[method-assign,assignment]
    if illness == "listener-dies":
        controller.inbox.client.on_message = 1  # type: ignore[assignment]
    if illness == "disk-full":
        # Every write beyond a file's first 4 KiB fails: what a full disk looks like to SQLite.
        resource.setrlimit(resource.RLIMIT_FSIZE, (4096, resource.RLIM_INFINITY))
    if illness == "read-only":
        for lane in (controller.writer._journal, controller.writer._readings):
            lane.file.connection.execute("PRAGMA query_only = ON")
    if illness == "no-files":
        while True:
            try:
                os.dup(0)
            except OSError:
                break


def main(illness: str, settings: Path) -> None:
    """Run the controller, healthy until SIGUSR1."""
    limits.UNRECORDED_S = UNRECORDED_S  # type: ignore[misc]
    illness, _, disk = illness.partition("+")
    if disk:
        _slow_down_the_disk()
    if illness == "hangs":
        _in_tick(_hang)
    if illness == "overruns":
        _in_tick(lambda: time.sleep(4.0))
    if illness == "out-of-memory":
        _run_out_of_memory()
    begun = Controller.__init__

    def begin(self: Controller, *arguments: Any, **named: Any) -> None:
        begun(self, *arguments, **named)
        signal.signal(signal.SIGUSR1, lambda *_: (ill.append(self), _at_once(self, illness)))

    Controller.__init__ = begin  # type: ignore[method-assign]
    service.run(load(settings), Clock())


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]))
