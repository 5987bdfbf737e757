"""The door through which every plant is driven."""

import math
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from typing import Any

import pytest

from controller.enclosure_settings import ProbeSettings
from controller.plant.from_settings import plant_of
from controller.plant.simulate import Ticked, Trace, simulate
from controller.plant.weather import SpringWeather
from controller.probe import Quantity
from controller.settings import Settings
from controller.status import Grade

START = datetime(2026, 3, 10, 18, tzinfo=UTC)
START_MS = round(START.timestamp() * 1000)
DAY_S = 86_400.0


def site(**enclosure: Any) -> Settings:
    """Return settings of one tunnel with a soil and an air probe."""
    larch: dict[str, Any] = {
        "name": "larch",
        "heater": {"kind": "soil-cable", "rated_w": 600.0, "depth_m": 0.14},
        "probe": [
            {"name": "soil", "quantity": "soil", "depth_m": 0.10},
            {"name": "air", "quantity": "air", "height_m": 0.10},
        ],
        "schedule": [{"from": "01-01", "set_point": 16.0}],
        **enclosure,
    }
    place = {"name": "Tarn Hollow", "time_zone": "Europe/Zurich", "latitude": 46.2, "longitude": 8.4}
    return Settings.model_validate({"site": place, "enclosure": [larch]})


def columns(trace: Trace) -> dict[str, list[Any]]:
    """Return the trace's arrays by name."""
    return {each.name: getattr(trace, each.name) for each in fields(trace)}


def spring_day() -> Trace:
    """Return one invented spring day of our own plant."""
    settings = site()
    plant = plant_of(settings.enclosure[0], SpringWeather(7, 46.2, 8.4, START_MS), START_MS, seed=3)
    return simulate(settings, "larch", plant, START, DAY_S)


@dataclass(slots=True)
class Bucket:
    """Somebody else's plant: one bucket of heat, losing to 4 Cel outside, with a perfect thermometer."""

    soil_c: float = 15.0
    energy_j: float = 0.0

    def advance(self, seconds: float, heater_on: bool) -> None:
        """Gain 1 K/h when heated, lose 3 % of the difference an hour."""
        self.soil_c += seconds / 3600.0 * (heater_on - 0.03 * (self.soil_c - 4.0))
        self.energy_j += 600.0 * seconds * heater_on

    def probes(self) -> dict[str, float]:
        """Return soil and air, nothing else."""
        return {"soil": self.soil_c, "air": 4.0}


def test_the_arrays_of_a_trace_have_one_length() -> None:
    """A trace has one sample per tick in every array, the first one tick after the start."""
    trace = simulate(site(), "larch", Bucket(), START, 3600.0, 10.0)
    assert {len(column) for column in columns(trace).values()} == {360}
    assert trace.at_s[0] == 10.0
    assert trace.at_s[-1] == 3600.0


def test_the_trace_has_the_arrays_that_the_design_promises() -> None:
    """The names are a contract with whoever brings a plant."""
    assert set(columns(Trace())) == {"at_s", "set_point_c", "soil_c", "air_c", "duty", "heater_on"}


def test_a_day_replayed_gives_identical_orders() -> None:
    """The same day run twice is the same bit for bit: orders, duties and temperatures."""
    assert columns(spring_day()) == columns(spring_day())


def test_a_foreign_plant_with_only_soil_and_air_is_held() -> None:
    """A plant that knows nothing of ours but the protocol is brought to its set point and kept there, both ways on."""
    plant = Bucket()
    trace = simulate(site(), "larch", plant, START, 2 * DAY_S, 10.0)
    settled = trace.soil_c[len(trace.soil_c) // 2 :]
    assert max(abs(soil_c - 16.0) for soil_c in settled) < 0.5
    assert set(trace.heater_on) == {True, False}
    assert plant.energy_j == pytest.approx(600.0 * 10.0 * sum(trace.heater_on[:-1]))


def test_start_may_be_a_time_or_milliseconds() -> None:
    """Both name the same instant, so both give the same run."""
    by_time = simulate(site(), "larch", Bucket(), START, 1800.0)
    by_number = simulate(site(), "larch", Bucket(), START_MS, 1800.0)
    assert columns(by_time) == columns(by_number)


def test_an_enclosure_may_be_given_itself() -> None:
    """The enclosure's settings stand for its name."""
    settings = site()
    named = simulate(settings, "larch", Bucket(), START, 600.0)
    assert columns(simulate(settings, settings.enclosure[0], Bucket(), START, 600.0)) == columns(named)


def test_an_unknown_enclosure_is_named_in_the_error() -> None:
    """The error says which name was not there."""
    with pytest.raises(KeyError, match="cellar"):
        simulate(site(), "cellar", Bucket(), START, 600.0)


def test_no_set_point_shows_as_a_gap_and_gives_no_heat() -> None:
    """Where the schedule is off, the set point is NaN in the trace, the duty is 0 and the relay stays open."""
    trace = simulate(site(schedule=[{"from": "01-01", "set_point": "off"}]), "larch", Bucket(), START, 1800.0)
    assert all(math.isnan(value) for value in trace.set_point_c)
    assert not any(trace.duty)
    assert not any(trace.heater_on)


def test_heat_warms_the_soil() -> None:
    """Direction: more than half a day of heat leaves the soil warmer than it began, and duty falls as it warms."""
    trace = simulate(site(), "larch", Bucket(soil_c=10.0), START, DAY_S)
    assert trace.soil_c[-1] > trace.soil_c[0] + 3.0
    assert trace.duty[360] > trace.duty[-1]


def test_a_simulated_contact_is_open_or_closed_and_nothing_between() -> None:
    """What keeps thermometers from looking stuck is not for it: the controller would refuse it."""
    settings = site()
    larch = settings.enclosure[0]
    contact = ProbeSettings(name="k1", quantity=Quantity.CONTACT)
    larch = larch.model_copy(update={"probe": (*larch.probe, contact)})
    plant = plant_of(larch, SpringWeather(7, 46.2, 8.4, START_MS), START_MS)
    ticks: list[Ticked] = []
    simulate(settings, larch, plant, START, DAY_S / 2, foresight=False, heard=ticks.append)
    told = [each for ticked in ticks for each in ticked.decision.judged if each[0].probe == "k1"]
    assert {reading.value for reading, _ in told} == {0.0, 1.0}
    assert {judged.grade for _, judged in told} == {Grade.GOOD}
