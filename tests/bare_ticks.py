"""How late a bare loop of one turn a second is on this machine now: what a tick's lateness is held against.

`python -m tests.bare_ticks` prints the lateness [s] of each turn until it is ended. A turn works as long as a tick with
all that belongs to it may, or it would be let through where a tick has to wait.
"""

import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

ROOT = Path(__file__).parents[1]
WORK_S = 0.02
"""[s] of processor time for a turn."""


@contextmanager
def bare_ticks() -> Iterator[list[float]]:
    """Run it meanwhile; afterwards the list holds how late each turn was [s], its end no less than its beginning."""
    late_s: list[float] = []
    command = [sys.executable, "-m", "tests.bare_ticks"]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True) as loop:
        try:
            yield late_s
        finally:
            loop.terminate()
            said, _ = loop.communicate()
            late_s += [float(each) for each in said.split()]


def main() -> None:
    """Turn once a second."""
    due_s = time.monotonic() + 1.0
    while True:
        time.sleep(max(0.0, due_s - time.monotonic()))
        end_s = time.process_time() + WORK_S
        while time.process_time() < end_s:
            pass
        now_s = time.monotonic()
        print(f"{now_s - due_s:.3f}", flush=True)
        due_s = now_s + 1.0


if __name__ == "__main__":
    main()
