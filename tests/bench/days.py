"""Simulated days a second through `simulate`, beside the plant alone."""

import time
from collections.abc import Iterator
from pathlib import Path

from controller.demo import scenario
from controller.load_settings import load
from controller.plant.simulate import simulate
from tests.bench.table import Row

ROUNDS = 3
"""Times a day is run: what else a machine does can only add to it, so the quickest counts."""
DAY_S = 86_400.0
TICK_S = 10.0
BOUND_S = 1.5


def rows(folder: Path) -> Iterator[Row]:
    """Measure a day of a demo enclosure with all its probes in ticks of 10 s."""
    file = folder / "soilward.toml"
    file.write_text(scenario.settings_text(1883, 8460))
    settings = load(file)
    larch, start_ms = settings.enclosure[0], 1_773_100_800_000
    ours_s, bare_s = [], []
    for _ in range(ROUNDS):
        plant = scenario.plant_for(larch, start_ms)
        begun_s = time.process_time()
        simulate(settings, larch, plant, start_ms, DAY_S, TICK_S, foresight=False)
        ours_s.append(time.process_time() - begun_s)
        plant = scenario.plant_for(larch, start_ms)
        begun_s = time.process_time()
        for number in range(round(DAY_S / TICK_S)):
            plant.advance(TICK_S, number % 30 < 15)
        bare_s.append(time.process_time() - begun_s)
    quickest_s = min(ours_s)
    yield Row(
        f"simulated enclosure-day, ticks of {TICK_S:g} s (processor time, quickest of {ROUNDS})",
        f"{quickest_s:.2f} s ({max(ours_s):.2f} the slowest), {1 / quickest_s:.1f} days/s",
        f"plant alone {min(bare_s):.2f} s",
        f"{quickest_s / min(bare_s):.1f}",
        f"<= {BOUND_S:g} s",
        quickest_s <= BOUND_S,
    )
