"""A process of its own: a day of eight probes through the writer; prints bytes written to the device, and readings."""

import re
import sys
from pathlib import Path

from controller.clock import ManualClock, Moment
from controller.store.readings import StoredReading
from controller.store.writer import Writer

T0 = 1_772_000_000_000
PROBES, TICKS = 8, 8640


def written() -> int:
    """Return the bytes this process has caused to be written to a device so far."""
    told = Path("/proc/self/io").read_text(encoding="ascii")
    found = re.search(r"^write_bytes: (\d+)$", told, re.MULTILINE)
    return int(found[1]) if found else 0


def main(folder: Path) -> None:
    """Keep a day; each probe speaks every 10 s, at a time of its own."""
    clock = ManualClock(Moment(0.0, T0))
    writer = Writer(folder, clock)
    before = written()
    for tick in range(TICKS):
        for probe in range(PROBES):
            at_ms = T0 + 10_000 * tick + 1250 * probe
            value = 15.0 + (tick * (probe + 3) % 97) / 16
            writer.put_reading(
                StoredReading("larch", f"p{probe}", "soil", "Cel", value, at_ms, at_ms + 200, "good"), lambda: None
            )
            clock.sleep(1.25)
            writer.turn()
    writer.close()
    print(written() - before, PROBES * TICKS)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
