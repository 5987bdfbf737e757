"""`soilward tune` as people type it: against a running controller, a real broker and a node that heats nothing."""

import json
import subprocess
import sys
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from api import people
from api.people import Role
from api.writer import Writer
from controller.clock import Clock
from controller.plan import plan_for
from controller.planning.service import Service
from controller.store import keeping, plans, runs
from controller.store.connection import open_reader, open_writer, transaction
from controller.store.migrations import READINGS
from controller.store.readings import StoredReading
from tests.thermal_site import lived
from tests.unit.test_api_command import served
from tests.wire.kit import ROOT, STARTS_S, Bench, a_free_port, throughout, until

DAYS = 3.75
SAID = "SELECT why FROM journal WHERE kind = 'trial' ORDER BY sequence"


def by_the_sun(bench: Bench, hour: float) -> Path:
    """Move the site to where it is now so late by the sun, near the equator; return its settings file."""
    now = datetime.now(UTC)
    longitude = ((hour - now.hour - now.minute / 60) * 15.0 + 180.0) % 360.0 - 180.0
    file = bench.folder / "soilward.toml"
    text = file.read_text().replace("latitude = 46.2", "latitude = 10.0")
    file.write_text(text.replace("longitude = 8.4", f"longitude = {longitude:.2f}"))
    return file


def tune(file: Path, *written: str) -> subprocess.CompletedProcess[str]:
    """Type the command."""
    command = [sys.executable, "-m", "controller.cli", "tune", "larch", "--settings", str(file), *written]
    return subprocess.run(command, capture_output=True, text=True, timeout=90, cwd=ROOT, check=False)


def trying(bench: Bench) -> Path:
    """Arm with the soil just warm enough, ask for pulses, and wait for the first; return the settings file."""
    file = bench.folder / "soilward.toml"
    bench.ask("arm")
    bench.ask("set-point", set_point_c=14.8)
    until("it is armed", lambda: bench.spy.status().get("armed"), 20.0)
    # A node silent since the start is one more reason to cancel a trial, and its first word may come as late as 5 s.
    until("the node is heard", lambda: bench.spy.holds("node heard"), 20.0)
    throughout("soil so warm is not heated", lambda: not bench.node.core.on, 3.0)
    asked = tune(file, "--pulses", "3", "--person", "keeper")
    assert asked.returncode == 0, asked.stderr
    assert "3 pulses of half an hour, the first at" in asked.stdout
    until("the first pulse heats", lambda: bench.node.core.on, 30.0)
    return file


def said(bench: Bench) -> list[str]:
    """Return what the journal says of the trial."""
    return [why for (why,) in bench.rows(SAID, file="journal.db")]


def test_a_pulse_closes_the_contact_and_a_lost_probe_ends_the_trial_for_good(tmp_path: Path) -> None:
    """The page's words name the trial; with the air probe silent the contact opens; when it is back, no pulse is."""
    bench = Bench(tmp_path)
    by_the_sun(bench, 20.0)
    with bench:
        trying(bench)
        until("it is told", lambda: (bench.spy.status().get("control") or {}).get("tried"), 10.0)
        assert "for a pulse of the trial" in bench.spy.status()["control"]["words"]
        bench.node.silent.add("air-low")
        bench.open_within(30.0)
        until("the journal says why", lambda: len(said(bench)) == 2, 10.0)
        assert said(bench)[0].startswith("the trial begins: 3 pulses")
        assert "the trial was cancelled: air probe 'air-low'" in said(bench)[1]
        bench.node.silent.clear()
        until("all is well again", lambda: bench.spy.holds("air heard"), 20.0)
        throughout("nothing pulses", lambda: not bench.node.core.on, 15.0)


def test_a_controller_killed_in_a_pulse_does_not_go_on_with_it(tmp_path: Path) -> None:
    """The lease opens the contact; the next controller says that the trial was interrupted, and heats by the soil."""
    bench = Bench(tmp_path)
    by_the_sun(bench, 20.0)
    with bench:
        trying(bench)
        bench.controller.kill()
        bench.open_within(15.0)
        epoch = bench.spy.status()["epoch"]
        bench.controller.start()
        until("the journal says why", lambda: said(bench)[-1].endswith("the controller was started anew"), STARTS_S)
        until("it hears all", lambda: bench.spy.status()["epoch"] > epoch and bench.spy.holds("air heard"), 20.0)
        throughout("nothing pulses", lambda: not bench.node.core.on, 12.0)


def test_somebody_ends_it_by_the_same_command_while_the_pages_run(tmp_path: Path) -> None:
    """Filed by the running api in their name; who may only look is refused, and so is who is nobody."""
    bench = Bench(tmp_path, lease_s=15.0)
    file = by_the_sun(bench, 20.0)
    with file.open("a") as settings:
        settings.write(f"[web]\nport = {a_free_port()}\n")
    season = Writer(bench.data / "season.db", people.MIGRATIONS)
    season.do(people.add_person, "keeper", Role.OPERATE, "warm roots all night")
    season.do(people.add_person, "neighbour", Role.VIEW, "warm roots all night")
    season.close()
    with bench:
        trying(bench)
        with served(str(file)):
            looks = tune(file, "--pulses", "0", "--person", "neighbour")
            assert (looks.returncode, "has the role view" in looks.stderr) == (1, True)
            nobody = tune(file, "--pulses", "0", "--person", "stranger")
            assert (nobody.returncode, "is not known" in nobody.stderr) == (1, True)
            until("it pulses", lambda: bench.node.core.on, 60.0)
            ended = tune(file, "--pulses", "0", "--person", "keeper")
            assert (ended.returncode, ended.stdout) == (0, "the trial is ended\n")
            bench.open_within(20.0)


def record(bench: Bench) -> None:
    """Let the site have lived almost four days, until now, with readings each ten minutes and heat by hours."""
    geometry = plan_for(bench.settings, bench.settings.enclosure[0]).tuned.model
    log = lived(replace(geometry, bed_j_k=geometry.bed_j_k * 1.3), DAYS)
    now_ms = Clock().now().utc_ms // 600_000 * 600_000
    begins_ms = now_ms - len(log) * 600_000
    columns = {"soil-10": ("soil", log.soil_c), "air-low": ("air", log.air_c), "outside": ("outside", log.outside_c)}
    with closing(open_writer(bench.data / "readings.db", READINGS)) as connection:
        for name, (quantity, values) in columns.items():
            rows = [(begins_ms + row * 600_000 + 60_000, float(value)) for row, value in enumerate(values)]
            kept = [StoredReading("larch", name, quantity, "Cel", value, at, at, "good") for at, value in rows]
            keeping.add(connection, kept)
        with transaction(connection):
            for row, duty in enumerate(log.duty):
                at = begins_ms + row * 600_000
                runs.begin(connection, "larch", at)
                runs.finish(connection, "larch", at + round(600_000 * float(duty)), "order")


def test_a_model_found_in_the_record_is_shown_drawn_and_adopted_only_with_a_yes(tmp_path: Path) -> None:
    """Without a yes nothing is filed; with one the controller answers, the journal has it, the planner takes it."""
    bench = Bench(tmp_path)
    record(bench)
    file = by_the_sun(bench, 24.0 * (DAYS % 1.0))
    with bench:
        until("the controller speaks", lambda: bench.spy.status().get("enclosure"), 20.0)
        shown = tune(file, "--plot", str(tmp_path / "larch.svg"))
        assert shown.returncode == 0, shown.stderr
        assert "soil warmer after 24 h of full heat, K" in shown.stdout
        assert "Nothing is adopted." in shown.stdout
        assert (tmp_path / "larch.svg").read_text().startswith("<svg")
        assert adoptions(bench) == []
        taken = tune(file, "--yes", "--person", "keeper", "--why", "new cable")
        assert taken.returncode == 0, taken.stderr
        assert taken.stdout.endswith("adopted: the planner takes this model at its next half hour\n")
        ((who, why, body),) = adoptions(bench)
        assert (who, why) == ("keeper", "new cable")
        service = Service(bench.settings, Clock())
        service.turn()
        service.close()
    with closing(open_reader(bench.data / "plans.db")) as connection:
        (learnt,) = plans.learnt_of(connection, "larch", 9)
    assert learnt.model.bed_j_k == json.loads(body)["arguments"]["figures"]["bed_j_k"]
    assert np.isfinite(learnt.figures["rise_24h_k"]).all()


def adoptions(bench: Bench) -> list[tuple[Any, ...]]:
    """Return who adopted what, and why."""
    return bench.rows("SELECT who, why, body FROM journal WHERE body LIKE '%\"adopt\"%'", file="journal.db")


def test_a_site_without_days_of_record_is_told_what_is_missing(tmp_path: Path) -> None:
    """Exit status 1, the hours there are, and how to ask for pulses; misuse is 2."""
    bench = Bench(tmp_path)
    file = bench.folder / "soilward.toml"
    with bench:
        until("the controller speaks", lambda: bench.spy.status().get("enclosure"), 20.0)
        short = tune(file)
        assert short.returncode == 1
        assert "only 0 h of record" in short.stderr
        assert "--pulses 6 --person NAME" in short.stderr
        assert tune(file, "--yes").returncode == 2
