"""Simulated days a second through `simulate`, beside the plant alone."""

import time
from collections.abc import Iterator
from pathlib import Path

from controller.demo import scenario
from controller.load_settings import load
from controller.plant.simulate import simulate
from tests.bench.table import Row

DAYS = 3
TICK_S = 10.0
BOUND_S = 1.5


def rows(folder: Path) -> Iterator[Row]:
    """Measure a demo enclosure with all its probes in ticks of 10 s."""
    file = folder / "soilward.toml"
    file.write_text(scenario.settings_text(1883, 8460))
    settings = load(file)
    larch, start_ms = settings.enclosure[0], 1_773_100_800_000
    plant = scenario.plant_for(larch, start_ms)
    begun_s = time.process_time()
    simulate(settings, larch, plant, start_ms, DAYS * 86_400.0, TICK_S, foresight=False)
    ours_s = (time.process_time() - begun_s) / DAYS
    plant = scenario.plant_for(larch, start_ms)
    begun_s = time.process_time()
    for number in range(round(DAYS * 86_400 / TICK_S)):
        plant.advance(TICK_S, number % 30 < 15)
    bare_s = (time.process_time() - begun_s) / DAYS
    yield Row(
        f"simulated enclosure-day, ticks of {TICK_S:g} s (processor time)",
        f"{ours_s:.2f} s, {1 / ours_s:.1f} days/s",
        f"plant alone {bare_s:.2f} s",
        f"{ours_s / bare_s:.1f}",
        f"<= {BOUND_S:g} s",
        ours_s <= BOUND_S,
    )
