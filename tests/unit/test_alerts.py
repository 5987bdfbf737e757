"""Alerts: raised, kept, over; journalled at each change alone."""

from dataclasses import replace

import pytest

from controller import alerts
from controller.alerts import Alert
from tests.core_site import AIR, NIGHT_MS, SECOND_SOIL, SOIL, Bed, plan_of, warm_bed


def test_an_alert_that_stands_keeps_since_when() -> None:
    """New words, same alert; of two of one name the later words are kept."""
    before = (Alert("a", "old words", since_ms=5),)
    found = alerts.raised(before, [Alert("a", "x"), Alert("a", "new words"), Alert("b", "y", urgent=True)], 9)
    assert found == (Alert("a", "new words", since_ms=5), Alert("b", "y", True, 9))


def test_the_journal_is_told_of_beginnings_and_ends() -> None:
    """Not of what stays, nor of new words."""
    before, now = (Alert("a", "x"), Alert("b", "y")), (Alert("b", "other words"), Alert("c", "z", urgent=True))
    told = alerts.entries("larch", before, now, 9)
    assert [(each.kind, each.body, each.why) for each in told] == [
        ("alert", {"alert": "c", "urgent": True}, "z"),
        ("alert-over", {"alert": "a"}, "x"),
    ]


def test_an_alert_whose_words_change_is_not_journalled_again() -> None:
    """H07: "for 6 h", "for 7 h": one entry."""
    bed = warm_bed()
    bed.state.response = replace(bed.state.response, short_s=bed.now.mono_s - 6 * 3600 - 1)
    bed.run(2 * 3600)
    told = [each for each in bed.entries if each.kind == "alert" and each.body["alert"] == "cannot-hold"]
    assert len(told) == 1
    assert "for 8 h" in next(each.detail for each in bed.state.alerts if each.name == "cannot-hold")


@pytest.mark.parametrize("seconds", [36, 37])
def test_a_probe_gone_quiet_is_told_once_it_is_stale(seconds: int) -> None:
    """Not at a start, not for a message lost; over when it speaks."""
    bed = Bed(plan_of(SOIL, SECOND_SOIL), {"soil": 10.0, "soil-two": None})
    bed.run(seconds)
    assert bed.alerts == (["probe:soil-two"] if seconds > 36 else [])
    bed.run(10)
    bed.says["soil-two"] = 10.0
    bed.run(20)
    assert bed.alerts == []


def test_a_probe_without_stamps_that_never_pauses_is_told_why_it_is_not_believed() -> None:
    """Every 4 s where settings say 10: not "not heard yet", which sends people to its battery."""
    bed = Bed(plan_of(), {"soil": None, "air": 10.0}, stamp=None, resumed_s=1000.0)
    for second in range(60):
        bed.extra = [bed.reading("soil", 10.0)] if second % 4 == 0 else []
        bed.tick()
    (alert,) = bed.state.alerts
    assert (alert.name, bed.on) == ("probe:soil", False)
    assert alert.detail.endswith("believed after a pause of half its period_s")


def test_after_a_pause_of_ours_no_probe_is_called_quiet() -> None:
    """What we did not hear is not their silence."""
    bed = warm_bed()
    bed.pause(600)
    bed.run(30)
    assert bed.alerts == []


def test_a_wrong_wall_clock_is_told() -> None:
    """T03: 1970 is no date, and no proof test is overdue by it."""
    bed = Bed(plan_of(), {"soil": 25.0, "air": 10.0}, begins_ms=0)
    bed.run(5)
    assert bed.alerts == ["clock"]


@pytest.mark.parametrize(("trip_c", "alerts"), [(21.0, []), (20.9, ["set-point-high"])])
def test_a_set_point_that_no_heat_can_reach_is_told(trip_c: float, alerts: list[str]) -> None:
    """Soil is heated no nearer to its trip than 1 K: a trip lowered to the set point left it cold without a word."""
    bed = Bed(plan_of(limits={"soil_trip": trip_c}), {"soil": trip_c - 0.9, "air": 10.0})
    bed.run(90)
    assert (bed.on, bed.alerts) == (False, alerts)


def test_foreign_commands_are_told_for_a_quarter_of_an_hour() -> None:
    """R08 C04: the node refuses what is not ours; urgent."""
    bed = warm_bed()
    bed.node["refused"] = (("unsigned", 1),)
    bed.run(895)
    assert bed.alerts == ["foreign-commands"]
    bed.run(20)
    assert bed.alerts == []


@pytest.mark.parametrize("seconds", [115, 125])
def test_a_node_that_takes_no_command_is_told(seconds: int) -> None:
    """R07 N07: heat is off in 15 s; it is told after two minutes, for one of which a booted node refuses everything."""
    bed = warm_bed()
    bed.also["seq"], bed.node = 9, {"seq": 5}
    bed.run(seconds)
    assert not bed.on
    assert bed.alerts == (["node-deaf"] if seconds > 120 else [])
    bed.node = {"seq": 9}
    bed.run(2)
    assert (bed.on, bed.alerts) == (True, [])


def test_a_node_is_not_called_deaf_for_a_broker_that_was_away() -> None:
    """B01: what was sent before is not obeyed yet when it is back; a moment later it is."""
    bed = warm_bed()
    bed.also["seq"], bed.node = 9, {"seq": 5}
    bed.run(5)
    bed.connected = bed.node_speaks = False
    bed.run(600)
    assert "node-deaf" not in bed.alerts
    bed.connected = bed.node_speaks = True
    bed.resumed_s = bed.now.mono_s
    bed.run(5)
    assert "node-deaf" not in bed.alerts


@pytest.mark.parametrize(("seconds", "alerts"), [(29, []), (32, ["contact-closed"])])
def test_a_contact_that_stays_closed_against_orders_is_told(seconds: int, alerts: list[str]) -> None:
    """N06: by a switch beside it, or a program that hangs; with no current sensed nothing else shows it for hours."""
    bed = warm_bed()
    bed.contact = True
    bed.ask("disarm")
    bed.run(seconds)
    assert bed.alerts == alerts
    bed.contact = False
    bed.run(1)
    assert bed.alerts == []


@pytest.mark.parametrize("away_s", [45, 70, 90, 600])
def test_reports_of_a_closed_contact_that_waited_for_the_network_are_not_told(away_s: int) -> None:
    """R01: its lease has opened it long since; nobody is sent to pull a plug for what was true before."""
    bed = warm_bed()
    made_s = bed.report(True).uptime_s
    bed.node_speaks = False
    bed.run(away_s)
    bed.node_speaks = True
    for after_s in (0.0, 5.0, 10.0, 15.0):
        bed.node = {"on": after_s < 15.0, "uptime_s": made_s + after_s}
        bed.tick()
        assert "contact-closed" not in bed.alerts
    assert bed.alerts == []
    bed.node, bed.contact = {}, True
    bed.ask("disarm")
    bed.run(35)
    assert bed.alerts == ["contact-closed"]


def test_commands_that_are_ever_too_late_are_told_and_one_burst_of_them_is_not() -> None:
    """R03 N05: the network held twelve back; or the node's clock is 3 % fast, and after half an hour all are late."""
    bed, late = warm_bed(), 0
    bed.contact = False
    for burst in (12, 0, 0, 0):
        late += burst
        bed.node = {"refused": (("late", late), ("replayed", 3))}
        bed.run(60)
        assert bed.alerts == []
    for _ in range(3):
        late += 2
        bed.node = {"refused": (("late", late),)}
        bed.run(60)
    assert bed.alerts == ["commands-late"]
    bed.run(310)
    assert bed.alerts == []


def test_a_network_that_holds_some_commands_back_for_ever_is_not_told_while_the_others_heat() -> None:
    """R02 R10: two of them every two minutes, all night; nobody is woken for a heater that heats."""
    bed = warm_bed()
    for late in range(0, 20, 2):
        bed.node = {"refused": (("late", late),)}
        bed.run(130)
        assert bed.alerts == []
    assert len(bed.on_seconds(90)) == 1300


def test_what_the_shell_notices_is_told() -> None:
    """Its notes are alerts by their names."""
    bed = warm_bed()
    bed.also["notes"] = (("broker-full", "the broker drops messages"),)
    bed.run(2)
    assert bed.alerts == ["broker-full"]


def test_a_plain_relay_has_no_node_to_be_silent() -> None:
    """No alert of what is not there."""
    bed = Bed(plan_of(heater={"kind": "soil-cable", "rated_w": 450.0, "depth_m": 0.1, "relay": "plain",
                               "plain_topic": "relay/1", "independent_cut_off": "frost thermostat"}),
              {"soil": 10.0, "air": 10.0})  # fmt: skip
    bed.node_speaks = False
    bed.run(100)
    assert (bed.state.alerts, bed.on) == ((), True)
    assert bed.begins_ms == NIGHT_MS


@pytest.mark.parametrize(("quantity", "closed", "still"), [("contact", 1.0, 0.0), ("current", 2.0, 0.05)])
def test_a_plain_relay_that_its_probe_shows_closed_against_orders_is_told(
    quantity: str, closed: float, still: float
) -> None:
    """K01 N18: a welded plug, whose own meter tells of it; it is over once that shows nothing more."""
    heater = {"kind": "soil-cable", "rated_w": 450.0, "depth_m": 0.1, "relay": "plain", "plain_topic": "relay/1",
              "independent_cut_off": "frost thermostat"}  # fmt: skip
    plan = plan_of(SOIL, AIR, {"name": "plug", "quantity": quantity}, heater=heater)
    bed = Bed(plan, {"soil": 10.0, "air": 10.0, "plug": closed})
    bed.node_speaks = False
    bed.run(100)
    assert (bed.on, bed.alerts) == (True, [])
    bed.ask("disarm")
    bed.run(29)
    assert bed.alerts == []
    bed.run(15)
    assert bed.alerts == ["contact-closed"]
    bed.says["plug"] = still
    bed.run(11)
    assert bed.alerts == []
