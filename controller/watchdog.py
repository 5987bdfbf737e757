"""The watchdog: a process whose loop has stopped kills itself, since a dead controller renews no lease."""

import os
import signal
import threading
from collections.abc import Callable

from controller.clock import Clock
from controller.safety import limits

LOOK_EVERY_S = 0.5


def watch(turned_s: Callable[[], float], stop: threading.Event, clock: Clock) -> None:
    """Start watching in the background until `stop` is set.

    Parameters
    ----------
    turned_s
        [s] monotonic, when the loop last turned.
    """
    threading.Thread(target=_watch, args=(turned_s, stop, clock), name="watchdog", daemon=True).start()


def _watch(turned_s: Callable[[], float], stop: threading.Event, clock: Clock) -> None:
    woke_s = clock.now().mono_s
    while not stop.is_set():
        clock.sleep(LOOK_EVERY_S)
        now_s = clock.now().mono_s
        # If this thread slept too, the whole process was paused: the loop gets a moment to notice it.
        paused, woke_s = now_s - woke_s > limits.LONGEST_GAP_S, now_s
        if not paused and now_s - turned_s() > limits.DEAD_LOOP_S and not stop.is_set():
            os.kill(os.getpid(), signal.SIGKILL)
