"""A process that keeps readings and journal entries as fast as it can, and prints what is acknowledged.

Run as a module with a folder and the number to begin with; it goes on until it is killed, and two minutes at most.
"""

import os
import sys
from pathlib import Path

from controller.clock import Clock
from controller.store.journal import Entry
from controller.store.readings import StoredReading
from controller.store.writer import Writer

T0 = 1_772_000_000_000
LONGEST_S = 120.0


def main(folder: Path, begin: int) -> None:
    """Keep one reading after another; each hundredth is told to the journal as well.

    While no more readings are taken the journal is told on: what happened goes there, whatever becomes of readings.
    """
    clock = Clock()
    writer = Writer(folder, clock)
    writer.start()
    number, end_s = begin, clock.now().mono_s + LONGEST_S
    while clock.now().mono_s < end_s:
        stored = StoredReading("larch", "soil", "soil", "Cel", 15.0, T0 + 1000 * number, T0, "good")
        # One write of a short line to a pipe is atomic: a number is told whole or not at all.
        if not writer.put_reading(stored, lambda said=number: os.write(1, f"{said}\n".encode())):  # type: ignore[misc, arg-type]
            writer.put_journal(Entry("answer", "larch", "keeper", "", {"refused": number}, T0 + number))
            clock.sleep(0.01)
            continue
        if number % 100 == 0:
            writer.put_journal(Entry("answer", "larch", "keeper", "", {"number": number}, T0 + number))
        number += 1
        if number % 500 == 0:
            clock.sleep(0.002)


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]))
