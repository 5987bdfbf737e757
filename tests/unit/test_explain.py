"""Words: whatever the state, one verdict that agrees with the order, in the reader's unit."""

from typing import Any

import pytest

from controller.explain import TO_DO, explain, in_celsius, in_fahrenheit
from controller.report import status_of
from controller.safety.trip import TripKind
from controller.standing import Standing
from controller.status import Words
from tests.core_site import NIGHT_MS, NOON_MS, Bed, plan_of, warm_bed


def words_of(bed: Bed, fahrenheit: bool = False) -> Words:
    """Return what a bed's status says of itself."""
    return explain(status_of(bed.plan, bed.state, bed.now, 1), fahrenheit)


def bare(**changes: Any) -> dict[str, Any]:
    """Return the parts of a status that the words are made of: in service, nothing wrong."""
    status: dict[str, Any] = {
        "trips": [],
        "permissives": [{"name": "node heard", "holds": True, "detail": "", "returns": ""}],
        "armed": True,
        "soil_c": 18.0,
        "set_point": {"asked_c": 18.2, "working_c": 18.2},
        "heat": {"duty": 0.3, "ordered": True, "contact": True, "on_last_hour_s": 1080.0},
    }
    return status | changes


@pytest.mark.parametrize(
    ("text", "fahrenheit"),
    [
        ("Soil 20.0 Cel.", "Soil 68.0 °F."),
        ("at -40 Cel, limit 57.0 Cel", "at -40.0 °F, limit 134.6 °F"),
        ("Celsius 5 Celery", "Celsius 5 Celery"),
        ("3 K above", "3 K above"),
        ("", ""),
    ],
)
def test_every_temperature_in_a_sentence_is_rewritten(text: str, fahrenheit: str) -> None:
    """Temperatures, and nothing else."""
    assert in_fahrenheit(text) == fahrenheit
    assert in_celsius("20.0 Cel and -1.5 Cel") == "20.0 °C and -1.5 °C"


@pytest.mark.parametrize(
    ("soil_c", "asked_c", "working_c", "duty", "verdict"),
    [
        (18.0, 18.2, 18.2, 0.3, "Warm and safe."),
        (17.2, 18.2, 18.2, 0.3, "Warm and safe."),
        (17.1, 18.2, 18.2, 0.3, "Cool, being warmed."),
        (17.0, 19.0, 17.5, 0.3, "Cool, rising as fast as the ramp allows."),
        (15.0, 18.0, 18.0, 1.0, "Cold: the heater cannot keep up."),
        (16.5, 18.0, 18.0, 1.0, "Cool, being warmed."),
        (25.0, 18.0, 18.0, 0.0, "Warm without heat."),
        (18.0, None, None, 0.0, "Resting: the schedule asks for no heat."),
        (None, 18.0, None, 0.0, "Waiting for the soil probe."),
    ],
)
def test_the_verdict_in_service(
    soil_c: float | None, asked_c: float | None, working_c: float | None, duty: float, verdict: str
) -> None:
    """By how far the soil is from what is asked, and what the heater does."""
    status = bare(
        soil_c=soil_c,
        set_point={"asked_c": asked_c, "working_c": working_c},
        heat={"duty": duty, "ordered": duty > 0, "contact": duty > 0, "on_last_hour_s": 1080.0},
    )
    assert explain(status, False).verdict == verdict


@pytest.mark.parametrize("soil_c", [18.0, 25.0])
def test_nothing_is_called_safe_while_somebody_should_go_and_look(soil_c: float) -> None:
    """A relay that may be welded stood as an urgent alert under "Warm and safe."; one that is not urgent changes no
    verdict.
    """
    alert = {"name": "contact-closed", "detail": "it may be welded", "urgent": True}
    assert explain(bare(soil_c=soil_c, alerts=[alert]), False).verdict == "Warm, but go and look."
    assert "go and look" not in explain(bare(soil_c=soil_c, alerts=[{**alert, "urgent": False}]), False).verdict


def test_what_is_heated_is_not_called_warm_without_heat() -> None:
    """While the set point comes down a ramp, or heat is stored for a night, soil above what is asked is heated."""
    asked = {"asked_c": 10.0, "working_c": 15.5}
    for contact in (True, False, None):
        heat = {"duty": 0.3, "ordered": contact is not False, "contact": contact, "on_last_hour_s": 1080.0}
        words = explain(bare(soil_c=15.4, set_point=asked, heat=heat), False)
        assert words.verdict == "Warmer than asked, and heated.", "in a pause as well, and where nothing tells"


def test_no_share_is_said_where_nothing_tells_when_heat_is_on() -> None:
    """A plain relay without a probe of its contact: "Heat 0 % of the last hour" was said however much it heated."""
    heat = {"duty": 0.3, "ordered": True, "contact": None, "on_last_hour_s": 0.0}
    assert explain(bare(heat=heat), False).because == "Soil 18.0 °C, asked 18.2 °C."
    assert "Heat 30 % of" in explain(bare(heat={**heat, "on_last_hour_s": 1080.0}), False).because


def test_the_share_of_the_last_hour_is_said() -> None:
    """1080 s is 30 %."""
    assert explain(bare(), False).because == "Soil 18.0 °C, asked 18.2 °C. Heat 30 % of the last hour."


def test_warm_is_never_said_while_heat_is_held_off() -> None:
    """A lost permissive is the verdict, with what ends it."""
    lost = {"name": "node heard", "holds": False, "detail": "the relay node is silent", "returns": "when it reports"}
    words = explain(bare(permissives=[lost]), False)
    assert words.verdict == "Off: the relay node is silent."
    assert words.next == "Heat returns by itself when it reports."


def test_a_trip_is_said_before_everything_else() -> None:
    """Its cause, what a person must do, and how many more there are; the unit is the reader's."""
    bed = warm_bed()
    bed.says["soil"] = 46.0
    bed.run(60)
    bed.ask("disarm")
    words = words_of(bed, fahrenheit=True)
    assert words.verdict == "Heat is locked off: soil probe 'soil' reached 114.8 °F; limit 104.0 °F."
    assert "The cause is still there." in words.because
    assert "look" in words.do
    bed.says["soil"] = 10.0
    bed.run(20)
    assert "waits for a person" in words_of(bed).because


def test_more_than_one_trip_is_counted() -> None:
    """One more, or several."""
    trip = {"detail": "soil hot", "cause_gone": True, "kind": "soil-over"}
    assert "1 more trip latched." in explain(bare(trips=[trip] * 2), False).because
    assert "2 more trips latched." in explain(bare(trips=[trip] * 3), False).because


def test_of_several_trips_the_one_whose_cause_stands_is_told_first() -> None:
    """Of a welded relay, latched after hot air, it was told that the cause is gone, and nobody was sent to the plug."""
    gone = {"detail": "the heater's case reached 71 Cel", "cause_gone": True, "kind": "heater-surface-over"}
    stands = {"detail": "the relay is welded", "cause_gone": False, "kind": "node-fault"}
    words = explain(bare(trips=[gone, stands, stands]), False)
    assert words.verdict == "Heat is locked off: the relay is welded."
    assert words.because.startswith("The cause is still there. 2 more trips latched.")
    assert words.do.startswith("Pull the heater's plug")
    assert explain(bare(trips=[gone, gone]), False).because.startswith("The cause is gone")


def test_every_kind_of_trip_says_what_to_do() -> None:
    """None is left without a next step, and a fire says: call first."""
    assert set(TO_DO) == {each.value for each in TripKind}
    assert "Call for help first" in TO_DO["air-fire"]


@pytest.mark.parametrize("armed", [True, False])
def test_hot_air_in_the_sun_asks_someone_to_look(armed: bool) -> None:
    """The urgent alert of the air limits is said while armed; disarmed says disarmed."""
    bed = Bed(plan_of(), {"soil": 25.0, "air": 60.0}, Standing(armed=armed, override_c=20.0), begins_ms=NOON_MS)
    bed.run(30)
    words = words_of(bed)
    assert bed.trips == ()
    assert words.verdict.startswith("Off: air probe 'air'" if armed else "Not armed")
    assert ("go and look" in words.do.lower()) is armed


def told(bed: Bed) -> list[str]:
    """Return the words of every alert."""
    return [each["detail"] for each in status_of(bed.plan, bed.state, bed.now, 1)["alerts"]]


@pytest.mark.parametrize("silent", ["soil", "air"])
def test_a_silent_probe_is_named(silent: str) -> None:
    """Which probe, since when, and in the alerts as well."""
    bed = warm_bed()
    bed.says[silent] = None
    bed.run(120)
    assert f"probe '{silent}' last heard 2 min ago" in words_of(bed).verdict
    assert f"{silent} probe '{silent}' has gone quiet" in told(bed)


def test_a_clock_that_is_wrong_is_an_alert() -> None:
    """T03: people are told that the schedule waits."""
    bed = Bed(plan_of(), {"soil": 10.0, "air": 10.0}, begins_ms=0).run(20)
    assert any("clock is wrong" in each for each in told(bed))
    healthy = warm_bed(standing=Standing(armed=True, override_c=20.0, proved_ms=NIGHT_MS))
    assert told(healthy) == []


def test_the_status_never_mixes_order_and_contact() -> None:
    """Ordered on, contact unknown once the node is silent."""
    bed = warm_bed()
    heat = status_of(bed.plan, bed.state, bed.now, 1)["heat"]
    assert (heat["ordered"], heat["contact"], heat["watts"]) == (True, True, 450.0)
    bed.node_speaks = False
    bed.run(15)
    heat = status_of(bed.plan, bed.state, bed.now, 1)["heat"]
    assert (heat["ordered"], heat["contact"], heat["watts"]) == (False, None, None)
