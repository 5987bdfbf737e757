"""What three days tell, shown and drawn; a model adopted only within bounds and only with a yes."""

import json
import re
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any
from xml.etree import ElementTree
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from controller.clock import ManualClock, Moment
from controller.control.model_of import model_of
from controller.control.pid import Gains
from controller.control.thermal import LEARNT, ThermalModel
from controller.control.tuned import tuned_by
from controller.planning.learning import taught
from controller.planning.service import Service
from controller.plant.construction import HeaterKind
from controller.plant.identify import FREE, NotExcitedError
from controller.requests import answer
from controller.standing import Standing
from controller.store import journal, plans
from controller.store.connection import open_reader, open_writer
from controller.store.migrations import JOURNAL, READINGS
from controller.store.plans import Learnt
from controller.store.requests import Request
from controller.tuning.adoption import UnfitError, adopted, figures_of, likely_of
from controller.tuning.draw import drawing
from controller.tuning.fit import Fit, fit, lines
from controller.tuning.taken import adopted_since
from tests.core_site import NIGHT_MS, plan_of
from tests.identified_site import enclosed, logged
from tests.thermal_site import CABLE, MIDNIGHT_MS, facts, lived, with_gaps
from tests.unit.test_plans import site

PLAN = plan_of()
GEOMETRY = PLAN.tuned.model
OTHER = replace(GEOMETRY, bed_j_k=GEOMETRY.bed_j_k * 1.4, loss_w_k=GEOMETRY.loss_w_k * 0.7, deep_c=7.5)
LIKELY = {"rise_24h_k": [6.0, 5.0, 7.2]}


def asked(arguments: dict[str, Any], standing: Standing | None = None) -> tuple[str, Standing, journal.Entry]:
    """Ask to adopt; returns the words, what stands then, and the entry."""
    request = Request(9, NIGHT_MS, "larch", "adopt", arguments, "Ada", "fits well")
    found = answer(PLAN, standing or Standing(), request, {}, Moment(5.0, NIGHT_MS))
    (entry,) = found.entries
    return str(entry.body["detail"]), found.standing, entry


def test_the_figures_are_those_that_are_learnt() -> None:
    """One list here, because the controller loads no numpy; the other beside the least squares."""
    assert tuple(FREE) == LEARNT


def test_a_model_within_bounds_is_adopted_and_heat_is_not_touched() -> None:
    """The answer carries the figures; nothing but the number of the request changes in the standing orders."""
    words, standing, entry = asked({"figures": figures_of(OTHER), "likely": LIKELY}, Standing(armed=True))
    assert words == "adopted: the planner takes this model at its next half hour"
    assert standing == Standing(armed=True, answered=9)
    assert adopted(GEOMETRY, entry.body["arguments"]["figures"]) == OTHER  # type: ignore[index,call-overload]


@pytest.mark.parametrize("times", [0.19, 0.21, 4.9, 5.1])
def test_no_figure_is_adopted_five_times_off_geometry(times: float) -> None:
    """At either side of either bound."""
    figures = {**figures_of(OTHER), "loss_w_k": GEOMETRY.loss_w_k * times}
    if 0.2 <= times <= 5.0:
        assert adopted(GEOMETRY, figures).loss_w_k == GEOMETRY.loss_w_k * times
        return
    with pytest.raises(UnfitError, match=r"loss_w_k .* is outside .*check them in the settings"):
        adopted(GEOMETRY, figures)


def test_what_a_sound_bed_with_a_light_probe_teaches_can_be_adopted() -> None:
    """Three stores take up in the heater's lag what lies between cable and probe: many times the cable's own."""
    bed = enclosed(1, HeaterKind.SOIL_CABLE)
    geometry = model_of(bed.told, bed.depth_m)
    known = facts(floor_m2=bed.told.floor_m2, built=bed.told, depth_m=bed.depth_m)
    found = taught(known, geometry, logged(bed)[0]).model
    assert found.lag_s > 5.5 * geometry.lag_s
    assert adopted(geometry, figures_of(found)).lag_s == found.lag_s
    for lag_s in (9.0, 90_000.0):
        with pytest.raises(UnfitError, match=r"lag_s .* is outside 10 to 8\.64e"):
            adopted(geometry, {**figures_of(found), "lag_s": lag_s})


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"lag_s": None}, "lag_s: None is no number"),
        ({"lag_s": True}, "lag_s: True is no number"),
        ({"lag_s": float("nan")}, "lag_s: nan is no number"),
        ({"lag_s": float("inf")}, "lag_s: inf is no number"),
        ({"deep_c": 31.0}, "deep_c 31 is outside -5 to 30"),
        ({"heater_w": 9e9}, "missing or unknown: 'heater_w'"),
    ],
)
def test_what_is_no_figure_is_refused_by_name(changed: dict[str, Any], said: str) -> None:
    """The heater's power is the settings' own and cannot be adopted."""
    words, _, entry = asked({"figures": {**figures_of(OTHER), **changed}, "likely": {}})
    assert said in words
    assert entry.body["outcome"] == "refused"


@pytest.mark.parametrize(
    "written", [None, 3, {"a": 1.0}, {"a": [1.0, 2.0]}, {"a": [1.0, 2.0, 3.0]}, {"a": [1, 0, "2"]}]
)
def test_what_is_likely_is_three_numbers_in_order(written: object) -> None:
    """Value between low and high."""
    with pytest.raises(UnfitError):
        likely_of(written)
    assert likely_of({"a": [2, 1, 3.5]}) == {"a": (2.0, 1.0, 3.5)}


def test_no_figures_at_all_are_refused() -> None:
    """A request without a body."""
    assert "adopted by its figures" in asked({})[0]


def journalled(folder: Path, at_ms: int, arguments: dict[str, Any]) -> None:
    """Let the controller's answer stand in the journal."""
    entry = replace(asked(arguments)[2], at_ms=at_ms)
    with closing(open_writer(folder / "journal.db", JOURNAL)) as connection:
        journal.append(connection, [entry])


def test_the_planner_takes_an_adopted_model_once_and_keeps_it_in_its_history(tmp_path: Path) -> None:
    """Adopted after the last lesson: in use and on record from the next turn on; a second turn adds nothing."""
    open_writer(tmp_path / "readings.db", READINGS).close()
    service = Service(site(tmp_path), ManualClock(Moment(50.0, MIDNIGHT_MS)))
    geometry = service.planners["larch"].geometry
    other = replace(geometry, bed_j_k=geometry.bed_j_k * 1.4)
    entry = replace(
        asked({"figures": figures_of(OTHER), "likely": LIKELY})[2],
        at_ms=MIDNIGHT_MS - 5,
    )
    entry.body["arguments"] = {"figures": figures_of(other), "likely": LIKELY}  # type: ignore[dict-item]
    with closing(open_writer(tmp_path / "journal.db", JOURNAL)) as connection:
        journal.append(connection, [entry])
    service.turn()
    service.turn()
    service.close()
    with closing(open_reader(tmp_path / "plans.db")) as connection:
        assert plans.learnt_of(connection, "larch", 9) == [
            Learnt(MIDNIGHT_MS - 5, other, {"rise_24h_k": (6.0, 5.0, 7.2)})
        ]
    assert service.planners["larch"].model == other


@pytest.mark.parametrize("lesson_ahead", [True, False])
def test_a_clock_that_ran_ahead_neither_hides_an_adoption_nor_brings_it_back(
    tmp_path: Path, lesson_ahead: bool
) -> None:
    """The last lesson, or the adoption, lies years ahead and the other is of now: the model is taken, and once."""
    open_writer(tmp_path / "readings.db", READINGS).close()
    service = Service(site(tmp_path), ManualClock(Moment(50.0, MIDNIGHT_MS)))
    planner = service.planners["larch"]
    other = replace(planner.geometry, bed_j_k=planner.geometry.bed_j_k * 1.4)
    ahead_ms = MIDNIGHT_MS + 3650 * 86_400_000
    planner.learnt_ms, adopted_ms = (ahead_ms, MIDNIGHT_MS - 5) if lesson_ahead else (0, ahead_ms)
    entry = replace(asked({"figures": figures_of(OTHER), "likely": LIKELY})[2], at_ms=adopted_ms)
    entry.body["arguments"] = {"figures": figures_of(other), "likely": LIKELY}  # type: ignore[dict-item]
    with closing(open_writer(tmp_path / "journal.db", JOURNAL)) as connection:
        journal.append(connection, [entry])
    service.turn()
    assert planner.model == other
    lesson = replace(other, bed_j_k=other.bed_j_k * 1.1)
    planner.know(lesson, {}, MIDNIGHT_MS)
    service.turn()
    service.close()
    assert planner.model == lesson


def test_what_was_adopted_before_the_last_lesson_or_refused_is_not_taken(tmp_path: Path) -> None:
    """An old yes does not undo newer lessons; a refused one never was a yes; a missing journal is none."""
    assert adopted_since(tmp_path, "larch", 0, GEOMETRY) is None
    journalled(tmp_path, 1000, {"figures": figures_of(OTHER), "likely": {}})
    journalled(tmp_path, 2000, {"figures": {}, "likely": {}})
    found = adopted_since(tmp_path, "larch", 999, GEOMETRY)
    assert found is not None
    assert (found.at_ms, found.model) == (1000, OTHER)
    assert adopted_since(tmp_path, "larch", 1000, GEOMETRY) is None
    assert adopted_since(tmp_path, "elder", 0, GEOMETRY) is None
    small = replace(GEOMETRY, bed_j_k=GEOMETRY.bed_j_k / 9.0)
    assert adopted_since(tmp_path, "larch", 0, small) is None, "settings changed: it no longer keeps its bounds"


def test_an_answer_that_cannot_be_read_is_no_adoption_and_no_trouble(tmp_path: Path) -> None:
    """A failing card has spoilt its row: the planner goes on with what it has."""
    journalled(tmp_path, 1000, {"figures": figures_of(OTHER), "likely": {}})
    with closing(open_writer(tmp_path / "journal.db", JOURNAL)) as connection:
        connection.execute("PRAGMA ignore_check_constraints = ON")
        connection.execute("DROP TRIGGER journal_is_not_edited")
        connection.execute("UPDATE journal SET body = substr(body, 1, 40)")
    assert adopted_since(tmp_path, "larch", 0, GEOMETRY) is None


TRUE = replace(CABLE, bed_j_k=CABLE.bed_j_k * 1.3, upper_bed_w_k=CABLE.upper_bed_w_k * 0.75)


@pytest.fixture(scope="module")
def found() -> Fit:
    """Give what three days of another bed than geometry's tell."""
    return fit(facts(), CABLE, None, lived(TRUE, 3.2))


def test_figures_stand_side_by_side_with_what_is_likely(found: Fit) -> None:
    """Now, found, likely; the gains too; and how well the fit holds."""
    told = "\n".join(lines(found))
    row = next(line for line in lines(found) if line.startswith("soil warmer after 24 h"))
    numbers = [float(each) for each in re.findall(r"\d+\.?\d*(?:e[+-]\d+)?", row.split("heat, K")[1])]
    now, value, low, high = numbers[:4]
    assert low < value < high
    assert now == pytest.approx(found.rises[0][-1], rel=0.01)
    assert value == pytest.approx(found.found.figures["rise_24h_k"].value, rel=0.01)
    gains = tuned_by(CABLE).gains
    assert f"{gains.gain_per_k:.3g}" in next(line for line in lines(found) if line.startswith("gain of the feedback"))
    assert "root mean square" in told
    assert "settings name gains" not in told
    assert "settings name gains" in "\n".join(lines(replace(found, own_gains=Gains(1.0, 3600.0))))


def test_what_was_learnt_before_is_what_stands_beside_it() -> None:
    """The model in use and its loss, not geometry's."""
    learnt = Learnt(1, TRUE, {"loss_w_k": (33.0, 30.0, 40.0)})
    made = fit(facts(), CABLE, learnt, lived(TRUE, 3.2))
    assert made.present == TRUE
    assert made.now["loss_w_k"] == 33.0


def test_still_days_are_refused_with_what_is_missing() -> None:
    """Soil that never moved."""
    with pytest.raises(NotExcitedError, match="let it heat and cool once"):
        fit(facts(), CABLE, None, replace(lived(CABLE, 3.0), soil_c=np.full(432, 15.0)))


def test_the_drawing_is_a_document_with_both_curves_inside_its_frame(found: Fit) -> None:
    """Measured and found soil and air, heat, the response with its band; every point on the paper; gaps stay gaps."""
    gone = replace(found, log=replace(found.log, soil_c=with_gaps(found.log.soil_c, 40)))
    for made in (found, gone):
        root = ElementTree.fromstring(drawing(made, "Larch & co", ZoneInfo("UTC")))
        names = [each.get("class", "") for each in root.iter()]
        assert names.count("line found") == 4, "key, soil, air, response"
        assert names.count("heat") > 100
        assert names.count("likely") == 1
        points = [each.get("points", "") for each in root.iter() if each.get("points")]
        for x, y in re.findall(r"(-?[\d.]+),(-?[\d.]+)", " ".join(points)):
            assert 52 <= float(x) <= 884
            assert 74 <= float(y) <= 570
    assert "Larch &amp; co" in drawing(found, "Larch & co", ZoneInfo("UTC"))
    soils = [len(list(runs(each, "line soil"))) for each in (found, gone)]
    assert soils[1] > soils[0] + 5


def runs(made: Fit, name: str) -> Iterator[ElementTree.Element]:
    """Yield the lines of one name."""
    root = ElementTree.fromstring(drawing(made, "x", ZoneInfo("UTC")))
    yield from (each for each in root.iter() if each.get("class") == name and each.get("points"))


def test_figures_survive_json() -> None:
    """What a request carries over the file comes back as the same model, to the last digit."""
    model: ThermalModel = replace(OTHER, lag_s=1234.56789012345)
    assert adopted(GEOMETRY, json.loads(json.dumps(figures_of(model)))) == model
