"""`soilward node`: simulated nodes for a settings file, to try a site before any heater is wired."""

from controller.clock import Clock
from controller.node.simulated import run_nodes
from controller.plant.from_settings import plant_of
from controller.plant.weather import SpringWeather
from controller.settings import Settings
from controller.supervisor import stop_on_signals


def run(settings: Settings) -> int:
    """Run one simulated node per enclosure until told to stop; the weather is an invented early spring."""
    stop = stop_on_signals()
    start_ms = Clock().now().utc_ms
    weather = SpringWeather(1, settings.site.latitude, settings.site.longitude, start_ms)
    plants = {each.name: plant_of(each, weather, start_ms) for each in settings.enclosure}
    names = ", ".join(plants)
    print(f"simulated nodes for {names}; weather is invented (Ctrl-C stops them)", flush=True)
    run_nodes(settings, plants, stop, waits=True)
    return 0
