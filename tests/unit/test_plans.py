"""The planner over a real record: what it reads, what it leaves, and what the loop takes of it."""

import shutil
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from controller.clock import ManualClock, Moment
from controller.control.foresight import Foresight
from controller.control.tuned import tuned_by
from controller.foreseen import Foreseen
from controller.planning.recorded import log_of
from controller.planning.service import Service
from controller.settings import Settings
from controller.store import keeping, plans, runs
from controller.store.connection import open_reader, open_writer, transaction
from controller.store.migrations import PLANS, READINGS
from controller.store.plans import Learnt
from controller.store.readings import StoredReading
from tests.core_site import AIR, SOIL, settings_of
from tests.thermal_site import CABLE, MIDNIGHT_MS, lived

OUTSIDE = {"name": "outside", "quantity": "outside"}
LIGHT = {"name": "light", "quantity": "light"}
NAMES = {
    "soil_c": ("soil", "Cel"),
    "air_c": ("air", "Cel"),
    "outside_c": ("outside", "Cel"),
    "light_w_m2": ("light", "W/m2"),
}
DAYS = 3.5
PLAN = Foresight(
    MIDNIGHT_MS, 1800.0, (0.25, 0.5), (17.0, 17.5, 18.0), (18.0, None), (3.0, 2.0), (0.0, 10.0), tuned_by(CABLE)
)


def site(folder: Path) -> Settings:
    """Return settings whose record is in the folder, with a schedule."""
    settings = settings_of(SOIL, AIR, OUTSIDE, LIGHT, control={}, schedule=[{"from": "01-01", "set_point": 18.0}])
    return settings.model_copy(update={"store": settings.store.model_copy(update={"folder": folder})})


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a record of some days that ended at midnight: readings each ten minutes, runs as the duty was."""
    made = tmp_path_factory.mktemp("record")
    log = lived(CABLE, DAYS)
    rows, begins_ms = len(log), MIDNIGHT_MS - len(log) * 600_000
    with closing(open_writer(made / "readings.db", READINGS)) as connection:
        for column, (name, unit) in NAMES.items():
            values = getattr(log, column)
            keeping.add(
                connection,
                [
                    StoredReading("larch", name, name, unit, float(values[row]), at, at, "good")
                    for row in range(rows)
                    for at in (begins_ms + row * 600_000 + 60_000,)
                ],
            )
        with transaction(connection):
            for row in range(rows):
                at = begins_ms + row * 600_000
                runs.begin(connection, "larch", at)
                runs.finish(connection, "larch", at + round(600_000 * float(log.duty[row])), "order")
    return made


@pytest.fixture
def service(folder: Path) -> Iterator[Service]:
    """Give a planner that has read nothing yet, ten seconds after midnight."""
    (folder / "plans.db").unlink(missing_ok=True)
    made = Service(site(folder), ManualClock(Moment(50.0, MIDNIGHT_MS + 30_000)))
    yield made
    made.close()


def test_the_record_is_read_as_it_was_lived(folder: Path) -> None:
    """Ten-minute means of each quantity, and the part of each that the contact was closed."""
    log = lived(CABLE, DAYS)
    with closing(open_reader(folder / "readings.db")) as connection:
        read = log_of(connection, "larch", MIDNIGHT_MS + 30_000)
    assert (read.ends_ms, len(read)) == (MIDNIGHT_MS, len(log))
    for name in ("soil_c", "air_c", "outside_c", "light_w_m2"):
        assert getattr(read, name) == pytest.approx(getattr(log, name)), name
    assert read.duty == pytest.approx(log.duty, abs=1e-5)


def test_silent_probes_are_gaps_and_an_unknown_enclosure_is_empty(folder: Path) -> None:
    """An hour after the record ended its rows are missing, not invented."""
    with closing(open_reader(folder / "readings.db")) as connection:
        later = log_of(connection, "larch", MIDNIGHT_MS + 3_600_000)
        nobody = log_of(connection, "oak", MIDNIGHT_MS)
    assert np.isnan(later.soil_c[-6:]).all()
    assert np.isfinite(later.soil_c[-7])
    assert len(nobody) == 0


def test_a_turn_learns_plans_and_leaves_both_on_disk(service: Service, folder: Path) -> None:
    """The plan begins at the half hour; what was learnt has an interval for each figure; no word of complaint."""
    service.turn()
    with closing(open_reader(folder / "plans.db")) as connection:
        (plan,) = plans.plans_from(connection, "larch", 0, MIDNIGHT_MS)
        (learnt,) = plans.learnt_of(connection, "larch")
        assert plans.word_of(connection, "larch") == (MIDNIGHT_MS, "")
    assert plan.starts_ms == MIDNIGHT_MS
    assert set(plan.set_point_c) == {18.0}
    low, high = learnt.figures["rise_24h_k"][1:]
    assert 0.0 < low < learnt.figures["rise_24h_k"][0] < high
    assert plan.tuned is not None
    assert plan.tuned.model == learnt.model


def test_what_was_learnt_outlives_a_restart(service: Service, folder: Path) -> None:
    """A new planner begins with the last one's model and figures, and learns no second time within a day."""
    service.turn()
    model, figures = service.planners["larch"].model, service.planners["larch"].figures
    service.close()
    again = Service(site(folder), service.clock)
    assert again.planners["larch"].model == model
    assert again.planners["larch"].figures == figures != {}
    again.turn()
    with closing(open_reader(folder / "plans.db")) as connection:
        assert len(plans.learnt_of(connection, "larch", 9)) == 1
    again.close()


def test_a_planner_without_a_record_says_so(tmp_path: Path) -> None:
    """No reading yet: no plan, and the reason where the page finds it; no file at all: nothing breaks."""
    open_writer(tmp_path / "readings.db", READINGS).close()
    service = Service(site(tmp_path), ManualClock(Moment(50.0, MIDNIGHT_MS)))
    service.turn()
    with closing(open_reader(tmp_path / "plans.db")) as connection:
        word = plans.word_of(connection, "larch")
    assert word is not None
    assert "only 0 h of record" in word[1]
    (tmp_path / "readings.db").unlink()
    service.turn()
    service.close()


@pytest.mark.parametrize(("after_s", "wait_s"), [(0.0, 20.0), (19.0, 1.0), (20.0, 1800.0), (1799.0, 21.0)])
def test_the_planner_waits_for_the_next_half_hour_s_readings(service: Service, after_s: float, wait_s: float) -> None:
    """Twenty seconds after each half hour, when its last readings are on disk."""
    service.clock.set_wall(MIDNIGHT_MS + round(1000 * after_s))  # type: ignore[attr-defined]
    assert service.wait_s() == pytest.approx(wait_s)


def test_plans_come_back_as_they_were_put(tmp_path: Path) -> None:
    """To the last digit, model and gains included; of two with one start the first stands, for it may be followed."""
    with closing(open_writer(tmp_path / "plans.db", PLANS)) as connection:
        plans.put_plan(connection, "larch", PLAN)
        plans.put_plan(connection, "larch", replace(PLAN, duty=(0.0, 0.0)))
        plans.put_learnt(connection, "larch", Learnt(1, CABLE, {"loss_w_k": (10.0, 8.0, 12.5)}))
        assert plans.plans_from(connection, "larch", 0, MIDNIGHT_MS) == [PLAN]
        assert plans.plans_from(connection, "elder", 0, MIDNIGHT_MS) == []
        assert plans.learnt_of(connection, "larch") == [Learnt(1, CABLE, {"loss_w_k": (10.0, 8.0, 12.5)})]


def test_a_plan_is_kept_as_long_as_the_night_can_be_replayed(tmp_path: Path) -> None:
    """One of each half hour: else a season of them would fill the card."""
    with closing(open_writer(tmp_path / "plans.db", PLANS)) as connection:
        for starts_ms in (MIDNIGHT_MS - plans.KEPT_MS - 1, MIDNIGHT_MS - plans.KEPT_MS, MIDNIGHT_MS):
            plans.put_plan(connection, "larch", replace(PLAN, starts_ms=starts_ms))
        starts = [starts_ms for _, starts_ms in plans.starts_from(connection, 0, MIDNIGHT_MS)]
    assert starts == [MIDNIGHT_MS - plans.KEPT_MS, MIDNIGHT_MS]


def test_the_loop_takes_the_plan_that_holds(tmp_path: Path) -> None:
    """Two minutes after its start; looked for every ten seconds; a damaged file is no plan and no trouble."""
    foreseen = Foreseen(tmp_path)
    begin = Moment(1000.0, MIDNIGHT_MS)
    foreseen.look(begin)
    assert foreseen.plan("larch", begin) is None
    with closing(open_writer(tmp_path / "plans.db", PLANS)) as connection:
        plans.put_plan(connection, "larch", PLAN)
    foreseen.look(begin.later(10.0))
    assert foreseen.plan("larch", begin.later(119.0)) is None
    assert foreseen.plan("larch", begin.later(120.0)) == PLAN
    (tmp_path / "plans.db").write_bytes(b"no database at all, but long enough to look like one" * 100)
    foreseen.look(begin.later(200.0))
    assert foreseen.plan("larch", begin.later(200.0)) is None


def test_the_loop_takes_each_plan_of_a_half_hour_whenever_it_is_left(tmp_path: Path) -> None:
    """The planner leaves those of a large site over minutes, all of one start; none is passed over, none lost."""
    foreseen, begin = Foreseen(tmp_path), Moment(1000.0, MIDNIGHT_MS)
    later = replace(PLAN, starts_ms=MIDNIGHT_MS + 1_800_000)
    with closing(open_writer(tmp_path / "plans.db", PLANS)) as connection:
        for number, (name, plan) in enumerate((("larch", PLAN), ("elder", PLAN), ("larch", later), ("elder", later))):
            plans.put_plan(connection, name, plan)
            now = begin.later(10.0 + 900.0 * number)
            foreseen.look(now)
            assert foreseen.plan(name, now.later(3600.0)) == plan
    assert foreseen.plan("larch", begin.later(300.0)) == foreseen.plan("elder", begin.later(300.0)) == PLAN


def test_many_plans_are_read_in_parts_a_second_apart(tmp_path: Path) -> None:
    """The ticks of all enclosures wait for a look; what it left waits no ten seconds for the next."""
    foreseen, begin = Foreseen(tmp_path), Moment(1000.0, MIDNIGHT_MS)
    names = [f"e{number:03d}" for number in range(250)]
    with closing(open_writer(tmp_path / "plans.db", PLANS)) as connection, transaction(connection):
        for name in names:
            plans.put_plan(connection, name, PLAN)

    def held(after_s: float) -> int:
        now = begin.later(after_s)
        foreseen.look(now)
        return sum(foreseen.plan(name, now) is not None for name in names)

    assert [held(200.0), held(201.0), held(202.0)] == [100, 200, 250]


SPOILT = ["""'{"starts_ms": 5}'""", """'{"starts_ms": '""", "'[]'", "'null'", "CAST(x'7BFFFE7D' AS TEXT)"]
"""What is no plan and no model, what is no JSON, and what is no text."""


def damaged(folder: Path, table: str, column: str, where: str, text: str) -> None:
    """Spoil a row as a failing card or another program does; `text` is SQL."""
    with closing(open_writer(folder / "plans.db", PLANS)) as connection:
        connection.execute("PRAGMA ignore_check_constraints = ON")
        connection.execute(f"UPDATE {table} SET {column} = {text} WHERE {where}")


SPOILT_EACH = pytest.mark.parametrize("text", SPOILT)


@SPOILT_EACH
def test_a_plan_that_cannot_be_read_takes_no_other_away(tmp_path: Path, text: str) -> None:
    """One enclosure's newest row is spoilt: it follows the one before, and every other enclosure its own."""
    foreseen, begin = Foreseen(tmp_path), Moment(1000.0, MIDNIGHT_MS)
    earlier = replace(PLAN, starts_ms=MIDNIGHT_MS - 1_800_000)
    with closing(open_writer(tmp_path / "plans.db", PLANS)) as connection:
        for name, plan in (("elder", PLAN), ("larch", earlier), ("larch", PLAN), ("rowan", PLAN)):
            plans.put_plan(connection, name, plan)
    damaged(tmp_path, "plan", "body", f"enclosure = 'larch' AND starts_ms = {MIDNIGHT_MS}", text)
    for after_s in (200.0, 220.0):
        now = begin.later(after_s)
        foreseen.look(now)
        assert [foreseen.plan(name, now) for name in ("elder", "larch", "rowan")] == [PLAN, earlier, PLAN]


@SPOILT_EACH
def test_a_lesson_that_cannot_be_read_is_none_and_the_one_before_it_counts(
    service: Service, folder: Path, text: str
) -> None:
    """The planner starts all the same, and knows what it had learnt before."""
    name = "larch"
    before = Learnt(1000, replace(service.planners[name].geometry, deep_c=7.0), {"loss_w_k": (10.0, 8.0, 12.5)})
    service.close()
    with closing(open_writer(folder / "plans.db", PLANS)) as connection:
        plans.put_learnt(connection, name, before)
        plans.put_learnt(connection, name, replace(before, at_ms=2000))
    damaged(folder, "learnt", "model", "at_ms = 2000", text)
    again = Service(site(folder), service.clock)
    assert (again.planners[name].model, again.planners[name].learnt_ms) == (before.model, 1000)
    again.close()


def test_a_clock_that_was_once_years_ahead_hides_no_plan(tmp_path: Path) -> None:
    """Set right again, each plan of now is followed, by a loop that went on and by one that began anew."""
    ahead_ms, begin = MIDNIGHT_MS + 4000 * 86_400_000, Moment(1000.0, MIDNIGHT_MS)
    foreseen = Foreseen(tmp_path)
    with closing(open_writer(tmp_path / "plans.db", PLANS)) as connection:
        plans.put_plan(connection, "larch", replace(PLAN, starts_ms=ahead_ms))
        ahead = Moment(900.0, ahead_ms + 200_000)
        foreseen.look(ahead)
        assert foreseen.plan("larch", ahead) is not None
        plans.put_plan(connection, "larch", PLAN)
        begun = Foreseen(tmp_path)
        for each in (foreseen, begun):
            each.look(begin.later(200.0))
            assert each.plan("larch", begin.later(200.0)) == PLAN
        later = replace(PLAN, starts_ms=MIDNIGHT_MS + 1_800_000)
        plans.put_plan(connection, "larch", later)
        for each in (foreseen, begun):
            each.look(begin.later(2000.0))
            assert each.plan("larch", begin.later(2000.0)) == later


def test_a_heater_that_settings_have_changed_is_the_settings_own(service: Service, folder: Path) -> None:
    """Of twice the power: soil and cover stay as they were learnt, what the heater gives does not."""
    learnt = replace(service.planners["larch"].geometry, bed_j_k=9e5)
    service.close()
    with closing(open_writer(folder / "plans.db", PLANS)) as connection:
        plans.put_learnt(connection, "larch", Learnt(MIDNIGHT_MS - 5000, learnt, {"heater_w": (450.0, 440.0, 460.0)}))
    settings = site(folder)
    heater = settings.enclosure[0].heater.model_copy(update={"rated_w": 900.0})
    stronger = settings.enclosure[0].model_copy(update={"heater": heater})
    again = Service(settings.model_copy(update={"enclosure": (stronger,)}), service.clock)
    planner = again.planners["larch"]
    assert planner.model == replace(learnt, heater_w=900.0, lag_s=planner.geometry.lag_s)
    assert planner.figures == {}
    assert planner.learnt_ms == MIDNIGHT_MS - 5000
    again.close()


def test_what_fails_in_one_enclosure_ends_no_other_s_plan(service: Service, folder: Path) -> None:
    """Figures that nobody foresaw, in the first of two: the second is planned, and the first says why it is not."""
    service.close()
    settings = site(folder)
    elder = settings.enclosure[0].model_copy(update={"name": "elder"})
    two = Service(settings.model_copy(update={"enclosure": (elder, settings.enclosure[0])}), service.clock)

    def fails(_log: object) -> None:
        raise ArithmeticError("the linear programme found nothing")

    two.planners["elder"].turn = fails  # type: ignore[method-assign,assignment]
    two.turn()
    two.close()
    with closing(open_reader(folder / "plans.db")) as connection:
        assert plans.word_of(connection, "elder") == (
            MIDNIGHT_MS,
            "the planner failed here (the linear programme found nothing)",
        )
        assert len(plans.plans_from(connection, "larch", 0, MIDNIGHT_MS)) == 1


def test_a_damaged_block_of_one_record_ends_no_other_s_plan(folder: Path, tmp_path: Path) -> None:
    """The enclosure whose readings cannot be read says so; the one after it is turned to all the same."""
    shutil.copy(folder / "readings.db", tmp_path)
    with closing(open_writer(tmp_path / "readings.db", READINGS)) as connection:
        for table in ("tail", "block"):
            connection.execute(f"UPDATE {table} SET packed = zeroblob(length(packed))")
    settings = site(tmp_path)
    elder = settings.enclosure[0].model_copy(update={"name": "elder"})
    two = Service(
        settings.model_copy(update={"enclosure": (settings.enclosure[0], elder)}),
        ManualClock(Moment(50.0, MIDNIGHT_MS + 30_000)),
    )
    two.turn()
    two.close()
    with closing(open_reader(tmp_path / "plans.db")) as connection:
        words = [(plans.word_of(connection, name) or (0, ""))[1] for name in ("larch", "elder")]
    assert "the planner failed here" in words[0]
    assert "only 0 h of record" in words[1]


def test_a_damaged_file_of_plans_is_set_aside_and_another_begun(service: Service, folder: Path) -> None:
    """It only advises: no planner must wait for a person to move it away."""
    service.close()
    (folder / "plans.db").write_bytes(b"no database at all, but long enough to look like one" * 100)
    again = Service(site(folder), service.clock)
    again.turn()
    again.close()
    assert (folder / f"plans.db.damaged-{service.clock.now().utc_ms}").exists()
    with closing(open_reader(folder / "plans.db")) as connection:
        assert len(plans.plans_from(connection, "larch", 0, MIDNIGHT_MS)) == 1


def test_many_plans_that_cannot_be_read_keep_no_other_waiting(tmp_path: Path) -> None:
    """More than one look reads, of another program: each is looked at once, and the plans of after them come."""
    foreseen, begin = Foreseen(tmp_path), Moment(1000.0, MIDNIGHT_MS)
    with closing(open_writer(tmp_path / "plans.db", PLANS)) as connection, transaction(connection):
        for number in range(150):
            plans.put_plan(connection, f"e{number:03d}", PLAN)
    damaged(tmp_path, "plan", "body", "true", "'{}'")
    with closing(open_writer(tmp_path / "plans.db", PLANS)) as connection:
        plans.put_plan(connection, "larch", PLAN)
    for after_s in (200.0, 201.0):
        foreseen.look(begin.later(after_s))
    assert foreseen.plan("larch", begin.later(201.0)) == PLAN


def test_a_file_of_plans_that_is_damaged_within_is_set_aside_too(service: Service, folder: Path) -> None:
    """All but its first page: it can be opened, and nothing in it can be read."""
    service.turn()
    service.close()
    file = folder / "plans.db"
    with file.open("r+b") as raw:
        raw.seek(4096)
        raw.write(b"\xa5" * (file.stat().st_size - 4096))
    again = Service(site(folder), service.clock)
    again.turn()
    again.close()
    with closing(open_reader(file)) as connection:
        assert len(plans.plans_from(connection, "larch", 0, MIDNIGHT_MS)) == 1
