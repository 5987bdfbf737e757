"""`soilward demo`: history first, then broker, nodes, controller and pages as processes, live until Ctrl-C."""

import json
import secrets
import sys
import tempfile
import urllib.error
import urllib.request
from datetime import date, datetime
from pathlib import Path
from threading import Event, Thread

from controller.clock import Clock
from controller.demo import history, scenario, season
from controller.errors import SettingsError
from controller.load_settings import load
from controller.settings import Settings
from controller.store import heads
from controller.store.connection import Lock
from controller.supervisor import (
    Child,
    api_command,
    controller_command,
    hold,
    out_of_the_terminals_reach,
    planner_command,
    stop_on_signals,
)
from controller.wire import embedded

WIDTH = 40


def demo(folder: Path | None, port: int, days: float | None) -> int:
    """Run the demo; returns the exit status."""
    stop = stop_on_signals()
    place = folder or Path(tempfile.mkdtemp(prefix="soilward-demo-"))
    held = claim(place)
    settings_file = place / "soilward.toml"
    web_port = embedded.free_port(port)
    if web_port != port:
        print(f"port {port} is taken; the pages listen on {web_port} instead")
    _write_settings(settings_file, web_port)
    begun = not (place / "plants.json").exists()
    if begun:
        try:
            _history(settings_file, place, scenario.HISTORY_DAYS if days is None else days, stop)
        except StoppedError:
            print(f"\nstopped before the history was whole; {place} may be deleted")
            return 1
    # Ports that were free before the history was computed may be taken by now.
    _write_settings(settings_file, embedded.free_port(web_port))
    settings = load(settings_file)
    with out_of_the_terminals_reach():
        broker = embedded.start(settings)
    clock = Clock()
    nodes = [sys.executable, "-m", "controller.demo.nodes", str(settings_file)]
    children = [
        Child("controller", controller_command(settings_file), clock),
        Child("nodes", nodes, clock),
        Child("pages", api_command(settings_file), clock),
        Child("planner", planner_command(settings_file), clock),
    ]
    print(_welcome(settings), flush=True)
    Thread(target=tell_plants, args=(settings, stop), daemon=True).start()
    try:
        hold(children, stop, broker)
    finally:
        broker.stop()
        held.release()
    print(f"\nstopped. The data are in {place}; run again with --folder {place} to go on from there.")
    return 0


def claim(place: Path) -> Lock:
    """Take a folder for the demo, which writes settings anew and may begin the record anew: never a real site's.

    Raises
    ------
    SoilwardError
        If it cannot be made, holds something else than an earlier demo, or another demo runs in it.
    """
    try:
        place.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise SettingsError([f"--folder {place}: cannot be made ({error.strerror}); name another"]) from error
    settings_file = place / "soilward.toml"
    if settings_file.exists():
        is_ours = settings_file.read_text(encoding="utf-8", errors="replace").startswith(scenario.FIRST_LINE)
    else:
        is_ours = not any((place / name).exists() for name in ("readings.db", "journal.db"))
    if not is_ours:
        raise SettingsError([f"--folder {place}: holds a site that is no demo; name an empty folder, or leave it out"])
    return Lock(place / "demo")


def _write_settings(file: Path, web_port: int) -> None:
    """Write settings and keys; an earlier demo in the same folder keeps its keys."""
    file.write_text(scenario.settings_text(embedded.free_port(18830), web_port), encoding="utf-8")
    for name in (*(each["name"] for each in scenario.ENCLOSURES), "journal"):
        key = file.parent / "keys" / f"{name}.key"
        if not key.exists():
            embedded.write_private(key, secrets.token_hex(32) + "\n")


def tell_plants(settings: Settings, stop: Event) -> None:
    """Send the invented plants to the pages as anybody could, once these listen; a folder of an earlier demo gets those
    that it does not know.
    """
    address = f"http://{settings.web.host}:{settings.web.port}/api/season/plants"
    while not stop.wait(0.5):
        try:
            with urllib.request.urlopen(address, timeout=10.0) as answer:
                known = {each["name"] for each in json.load(answer)["plants"]}
            body = season.plants_csv(_today(settings), known).encode("utf-8")
            urllib.request.urlopen(urllib.request.Request(f"{address}.csv", body, method="POST"), timeout=10.0).close()
            return
        except urllib.error.HTTPError as error:
            print(f"the demo's plants were not taken: {error}", file=sys.stderr, flush=True)
            return
        except OSError:
            continue


def _today(settings: Settings) -> date:
    return datetime.fromtimestamp(Clock().now().utc_ms / 1000, settings.site.zone).date()


class StoppedError(Exception):
    """Ctrl-C while the history was computed."""


def _history(settings_file: Path, folder: Path, days: float, stop: Event) -> None:
    for name in ("readings.db", "journal.db", heads.FILE):
        # An unfinished history cannot be gone on with.
        (folder / name).unlink(missing_ok=True)

    def tell(done: float) -> None:
        if stop.is_set():
            raise StoppedError
        filled = round(done * WIDTH)
        bar = "#" * filled + "." * (WIDTH - filled)
        end = "\n" if done >= 1 else ""
        print(f"\rcomputing {days:g} days of history [{bar}] {done * 100:3.0f} %", end=end, flush=True)

    (folder / season.STATION_FILE).write_text(season.station_csv(_today(load(settings_file))), encoding="utf-8")
    history.compute(settings_file, folder, Clock().now().utc_ms, days, tell)


def _welcome(settings: Settings) -> str:
    return (
        f"{settings.site.name}: weather, prices and events are made up; no heater is connected.\n"
        "Its pages say where once they answer. Ctrl-C stops everything."
    )
