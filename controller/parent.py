"""A supervised process ends with its supervisor, however that one ended."""

import os
import signal
import threading
import time

END_WITH_PARENT = "SOILWARD_SUPERVISOR"
LOOK_EVERY_S = 1.0


def end_with_parent() -> None:
    """Start a watch that sends this process SIGTERM once its supervisor is gone; nothing if it has none."""
    named = os.environ.get(END_WITH_PARENT, "")
    if named.isdigit():
        threading.Thread(target=_watch, args=(int(named),), name="parent-watch", daemon=True).start()


def _watch(parent: int) -> None:
    while os.getppid() == parent:
        time.sleep(LOOK_EVERY_S)
    os.kill(os.getpid(), signal.SIGTERM)
