"""The demo's simulated nodes, going on from where the history ended."""

import json
import sys
from pathlib import Path

from controller.demo import scenario
from controller.load_settings import load
from controller.node.simulated import run_nodes
from controller.parent import end_with_parent
from controller.supervisor import stop_on_signals


def main(settings_file: str) -> int:
    """Run one simulated node per enclosure until told to stop."""
    stop = stop_on_signals()
    end_with_parent()
    settings = load(Path(settings_file))
    states = settings.store.folder / "plants.json"
    kept = json.loads(states.read_text(encoding="utf-8"))
    plants = {}
    for each in settings.enclosure:
        plant = scenario.plant_for(each, kept["start_ms"])
        plant.restore(kept["plants"][each.name])
        plants[each.name] = plant
    run_nodes(settings, plants, stop)
    after = {name: plant.state() for name, plant in plants.items()}
    states.write_text(json.dumps({"start_ms": kept["start_ms"], "plants": after}), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
