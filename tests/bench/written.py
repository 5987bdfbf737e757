"""A process of its own: days of some probes through the writer; prints bytes written to the device, and readings."""

import random
import re
import sys
from pathlib import Path

from controller.clock import ManualClock, Moment
from controller.settings import Store
from controller.store.readings import StoredReading
from controller.store.writer import Writer, readings_patience

T0 = 1_772_000_000_000
PERIOD_MS, DAY_S = 10_000, 86_400


def written() -> int:
    """Return the bytes this process has caused to be written to a device so far."""
    told = Path("/proc/self/io").read_text(encoding="ascii")
    found = re.search(r"^write_bytes: (\d+)$", told, re.MULTILINE)
    return int(found[1]) if found else 0


def main(folder: Path, probes: int, days: float, window: int) -> None:
    """Keep some days; each probe speaks every 10 s, at a time of its own, and drifts as soil does."""
    clock = ManualClock(Moment(0.0, T0))
    writer = Writer(folder, clock, patience=readings_patience(Store().rest_s, window))
    draw, values = random.Random(1), [15.0] * probes
    before, ticks = written(), round(days * DAY_S * 1000 / PERIOD_MS)
    for tick in range(ticks):
        for probe in range(probes):
            at_ms = T0 + PERIOD_MS * tick + PERIOD_MS * probe // probes + draw.randrange(40)
            values[probe] += draw.gauss(0.0, 0.02)
            value, arrived_ms = round(values[probe] * 16) / 16, at_ms + 150 + draw.randrange(30)
            name = f"p{probe}"
            writer.put_reading(StoredReading("larch", name, "soil", "Cel", value, at_ms, arrived_ms, "good"))
            writer.put_receipt(None, lambda: None)
            clock.sleep(PERIOD_MS / 1000 / probes)
            # Slept in whole milliseconds the wall clock would run away from the probes, a minute and more a day.
            clock.set_wall(T0 + PERIOD_MS * tick + PERIOD_MS * (probe + 1) // probes)
            writer.turn()
    writer.close()
    print(written() - before, probes * ticks)


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), float(sys.argv[3]), int(sys.argv[4]))
