"""Hazard rows that cross the wire: a real broker, a real controller process, a node with the real dead-man."""

import json
import math
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from controller.clock import ManualClock, Moment, rfc3339
from controller.load_settings import load
from controller.node.relay_core import RelayCore
from controller.node.simulated import STEP_S, SimulatedNode
from controller.safety.lease import Order
from controller.wire.relay import encode_command, mac_of
from tests.faults.cases import LOOK_S, seen
from tests.wire.kit import (
    KEY,
    ROOT,
    STARTS_S,
    Bench,
    ConstantPlant,
    Mosquitto,
    Spy,
    through,
    throughout,
    until,
    write_site,
)
from tests.wire.link import Link, topic_of

CLASS_C_S, CLASS_E_S = 15.0, 60.0
"""[s] restated from the hazard table."""
LEASE_S = 6.0
"""[s] the lease these sites are set to, except where said."""
DUTY_EACH_S = 30.0
"""[s] restated: how often the working set point moves."""
START_MS = 1_772_338_322_000
ON, OFF = Order(True, True, ""), Order(False, False, "")


class HandNode:
    """A node alone with a broker, on a clock the test moves; commands are made by hand."""

    topic = "soilward/larch/heater/command"

    def __init__(self, folder: Path) -> None:
        self.broker = Mosquitto(folder / "broker")
        self.broker.start()
        self.link = Link(self.broker.port)
        self.settings = load(write_site(folder, self.broker.port))
        self.clock = ManualClock(Moment(5000.0, START_MS))
        self.spy = Spy(self.settings)
        self.granted: list[float] = []
        self._asked, self._taken = 0, set[bytes]()
        self.node = self._node()
        self.node.start()
        self._await_node()

    def _node(self) -> SimulatedNode:
        settings = through(self.settings, self.link.port)
        node = SimulatedNode(settings, settings.enclosure[0], ConstantPlant(), self.clock)
        turn = node.board.turn

        def watched(now_s: float, waiting: Any) -> None:
            waiting = list(waiting)
            turn(now_s, waiting)
            self._taken.update(payload for payload, _ in waiting)
            if node.core.on:
                self.granted.append(now_s)

        node.board.turn = watched  # type: ignore[method-assign, assignment]
        return node

    def closed_for(self, before: int) -> float:
        """[s] of turns in which heat was granted, after the first `before` such turns: 0 is never."""
        return (len(self.granted) - before) * STEP_S

    def _await_node(self) -> None:
        until("the node listens", self.ask_in_vain, 10.0)

    @property
    def nonsense(self) -> int:
        """How many commands of no meaning the node has refused."""
        return self.node.core.refused["not-json"]

    def ask_in_vain(self) -> bool:
        """Whether a command of no meaning has come through."""
        self.spy.publish(self.topic, b"?")
        return self.nonsense > 0

    def command(
        self, order: Order = ON, seq: int = 1, epoch: int = 1, lease_s: float = 15.0, age_s: float = 0
    ) -> bytes:
        """Return a signed command issued `age_s` [s] ago by the moved clock."""
        issued_ms = self.clock.now().utc_ms - round(age_s * 1000)
        return encode_command(order, lease_s, epoch, seq, issued_ms, "hand", KEY.encode())

    def send(self, *payloads: bytes, retain: bool = False) -> None:
        """Publish commands and wait until the node has taken them all and turned twice."""
        for payload in payloads:
            self.spy.publish(self.topic, payload, retain=retain)
        for _ in range(2):
            self._asked += 1
            # A word of no meaning too, and no other's: one of those asked in vain may come only now.
            asked = b"? %d" % self._asked
            self.spy.publish(self.topic, asked)
            until("the node turns", partial(self._taken.__contains__, asked), 10.0)

    def pass_time(self, seconds: float) -> None:
        """Let the node's clock run on, and the node notice."""
        self.clock.sleep(seconds)
        self.send()

    def restart_node(self) -> None:
        """Power the node off and on."""
        self.node.stop()
        self.node = self._node()
        self.node.start()

    def close(self) -> None:
        """End everything."""
        self.node.stop()
        self.spy.close()
        self.link.close()
        self.broker.stop()


@pytest.fixture
def hand(tmp_path: Path) -> Iterator[HandNode]:
    """Give a node alone with a broker."""
    one = HandNode(tmp_path)
    yield one
    one.close()


def test_n10_a_replayed_on_is_refused_and_counted(hand: HandNode) -> None:
    """An "on" heard once, sent again after the "off", leaves the contact open."""
    recorded = hand.command(ON, seq=1)
    hand.send(recorded)
    assert hand.node.core.on
    hand.send(hand.command(OFF, seq=2))
    before = len(hand.granted)
    hand.send(recorded)
    seen("N10", hand.closed_for(before))
    assert not hand.node.core.on
    assert hand.node.core.refused["replayed"] == 1


def test_n11_a_lease_of_an_hour_ends_after_15_seconds(hand: HandNode) -> None:
    """`lease_s` 3600 is cut to 15 s by the node's own clock."""
    hand.send(hand.command(ON, lease_s=3600.0))
    since_s = hand.clock.now().mono_s
    hand.pass_time(CLASS_C_S - 0.1)
    assert hand.node.core.on
    hand.pass_time(0.2)
    assert not hand.node.core.on
    seen("N11", hand.granted[-1] - since_s)


def _with_lease(hand: HandNode, lease_s: Any) -> bytes:
    """Return a well signed command whose lease is as given, or absent."""
    fields = json.loads(hand.command(ON))
    fields["lease_s"] = lease_s
    if lease_s is None:
        del fields["lease_s"]
    fields["mac"] = mac_of(fields, KEY.encode())
    return json.dumps(fields).encode()


@pytest.mark.parametrize("lease_s", [0, -1, math.nan, math.inf, None, "15", True])
def test_n12_an_on_without_a_sound_lease_is_refused(hand: HandNode, lease_s: Any) -> None:
    """A lease of 0, below 0, NaN, infinity, text, truth or none at all closes nothing."""
    hand.send(_with_lease(hand, lease_s))
    seen("N12", hand.closed_for(0))
    assert not hand.node.core.on
    assert hand.node.core.refused["bad-lease_s"] == 1


def test_n14_a_node_that_reboots_onto_a_retained_on_stays_off(hand: HandNode) -> None:
    """A booting node is off and takes no retained command, however well signed."""
    hand.spy.publish(hand.topic, hand.command(ON, seq=7), retain=True)
    hand.restart_node()
    before = len(hand.granted)
    until("the retained one has come", lambda: hand.node.core.refused["retained"] == 1, 10.0)
    hand.send()
    seen("N14", hand.closed_for(before))
    assert not hand.node.core.on
    assert not hand.node.core.armed


def test_b03_a_retained_on_does_not_renew_a_lease(hand: HandNode) -> None:
    """A node that comes back to the broker and finds a retained "on" does not obey it."""
    hand.send(hand.command(ON, seq=7), retain=True)
    hand.pass_time(CLASS_C_S + 0.1)
    assert not hand.node.core.on
    before = len(hand.granted)
    hand.link.cut()
    hand.link.mend()
    until("the retained one has come again", lambda: hand.node.core.refused["retained"] >= 1, 15.0)
    hand.send()
    seen("B03", hand.closed_for(before))
    assert not hand.node.core.on


def test_b02_an_on_that_waited_in_the_broker_closes_nothing(hand: HandNode) -> None:
    """An "on" published while the node was away, the broker restarted between: it is not delivered, or not obeyed."""
    hand.send(hand.command(ON, seq=1), hand.command(OFF, seq=2))
    before = len(hand.granted)
    hand.link.cut()
    hand.spy.publish(hand.topic, hand.command(ON, seq=3))
    hand.broker.stop()
    hand.clock.sleep(60.0)
    hand.broker.start()
    hand.link.mend()
    until("both are back", lambda: hand.node.client.is_connected() and hand.spy.client.is_connected(), 20.0)
    asked = hand.nonsense
    until("commands come again", lambda: hand.nonsense > asked, 10.0, hand.ask_in_vain)
    seen("B02", hand.closed_for(before))
    assert not hand.node.core.on
    assert hand.node.core.seq == 2


def test_r03_a_flood_of_old_ons_after_a_minute_of_silence_is_refused_to_the_last(hand: HandNode) -> None:
    """Commands 20 to 55 s late are all refused; a prompt one after them is obeyed."""
    hand.send(hand.command(ON, seq=1))
    hand.pass_time(60.0)
    assert not hand.node.core.on
    before = len(hand.granted)
    flood = [hand.command(ON, seq=2 + n, age_s=55.0 - 5 * n) for n in range(8)]
    hand.send(*flood)
    assert hand.node.core.refused["late"] == len(flood)
    seen("R03", hand.closed_for(before))
    assert not hand.node.core.on
    hand.send(hand.command(ON, seq=20))
    assert hand.node.core.on


def test_r04_an_on_overtaken_by_its_off_is_refused(hand: HandNode) -> None:
    """ "Off" number 8 first, "on" number 7 after it: the contact stays open."""
    hand.send(hand.command(ON, seq=6))
    hand.send(hand.command(OFF, seq=8))
    before = len(hand.granted)
    hand.send(hand.command(ON, seq=7))
    seen("R04", hand.closed_for(before))
    assert not hand.node.core.on
    assert hand.node.core.refused["replayed"] == 1


def test_r05_a_thousand_copies_of_an_on_do_not_stretch_its_lease(hand: HandNode) -> None:
    """The lease ends 15 s after the first copy."""
    once = hand.command(ON, seq=1)
    hand.send(once)
    since_s = hand.clock.now().mono_s
    hand.pass_time(10.0)
    for _ in range(999):
        hand.spy.client.publish(hand.topic, once, qos=1)
    until("all are refused", lambda: hand.node.core.refused["replayed"] == 999, 30.0)
    assert hand.node.core.on
    hand.pass_time(CLASS_C_S - 10.0 - 0.1)
    hand.pass_time(0.2)
    assert not hand.node.core.on
    seen("R05", hand.granted[-1] - since_s)


@pytest.mark.parametrize("seed", range(20))
def test_r02_half_of_all_commands_lost_never_means_more_than_15_seconds_of_stale_heat(seed: int) -> None:
    """Over ten minutes: closed only within 15 s of a command heard, and open 15 s after the last "on" was sent."""
    chance, core = random.Random(seed), RelayCore(KEY.encode())
    heard_s = last_on_s = -math.inf
    stalest_s = 0.0
    for now_s in range(900):
        order = ON if now_s < 600 else OFF
        if now_s % 5 == 0:
            last_on_s = now_s if order.on else last_on_s
            if chance.random() < 0.5:
                payload = encode_command(order, 15.0, 1, now_s // 5 + 1, START_MS + now_s * 1000, "c", KEY.encode())
                core.receive(payload, False, float(now_s))
                heard_s = now_s
        if core.advance(float(now_s)):
            stalest_s = max(stalest_s, now_s - heard_s)
            assert now_s - heard_s < CLASS_C_S
            assert now_s - last_on_s < CLASS_C_S
    seen("R02", stalest_s)
    assert core.drops <= 40


def test_r01_a_cut_link_ends_heat_at_the_node_and_is_told(tmp_path: Path) -> None:
    """Open within the lease; the controller learns of the silence and orders off."""
    with Bench(tmp_path) as bench:
        bench.heat()
        bench.node_link.cut()
        seen("R01", bench.open_within(CLASS_C_S + LOOK_S), LEASE_S + LOOK_S)
        until("the controller knows", lambda: bench.spy.holds("node heard") is False, 15.0)
        assert not bench.spy.status()["heat"]["ordered"]
        gone = "SELECT count(*) FROM journal WHERE kind = 'node-offline'"
        until("it is journalled", lambda: bench.rows(gone, file="journal.db") == [(1,)], 5.0)


def test_r06_a_node_that_hears_but_is_not_heard_is_told_off(tmp_path: Path) -> None:
    """No report for 10 s stops the lease, though probes are still heard: open within 25 s."""
    with Bench(tmp_path) as bench:
        bench.node.silent |= set(bench.plant.values)

        def speak() -> None:
            bench.spy.say_each_second(bench.plant.values)

        bench.arm()
        until("the heater is on", lambda: bench.node.heated, 60.0, speak)
        until("it is settled", lambda: bench.spy.status()["heat"]["contact"], 15.0, speak)
        bench.node_link.lost_up = True
        took_s = bench.open_within(CLASS_C_S + 10.0, speak)
        seen("R06", took_s, LEASE_S + 10.0 + LOOK_S)
        assert took_s > 3.0
        assert bench.spy.holds("soil heard")


def test_r07_a_node_that_is_heard_but_hears_nothing_opens_by_its_lease(tmp_path: Path) -> None:
    """Renewals that never arrive end the heat."""
    with Bench(tmp_path) as bench:
        bench.heat()
        bench.node_link.lost_down = True
        seen("R07", bench.open_within(CLASS_C_S + LOOK_S), LEASE_S + LOOK_S)
        assert bench.node.core.drops == 1


def _commands(up: bool, first: int, body: bytes) -> bool:
    return not up and topic_of(first, body).endswith("/heater/command")


def test_n07_a_node_that_takes_no_command_loses_its_lease_and_is_asked_no_more(tmp_path: Path) -> None:
    """It reports and hears other things, only no order: open within the lease; no "on" is sent after three in vain."""
    with Bench(tmp_path) as bench:
        bench.heat()
        bench.node_link.loses = _commands
        deaf_s = time.monotonic()
        seen("N07", bench.open_within(CLASS_C_S + LOOK_S), LEASE_S + LOOK_S)
        until("it is asked no more", lambda: "taken a command" in bench.spy.lost("node obeys"), CLASS_C_S + LOOK_S)
        assert time.monotonic() - deaf_s <= CLASS_C_S + 2 * LOOK_S
        asked_s = time.monotonic()
        throughout("stays open", lambda: not bench.closed, LEASE_S)
        assert not any(command["on"] for command in bench.spy.commands(after_s=asked_s))
        bench.node_link.loses = None
        bench.permitted_within(45.0)


def test_w01_a_node_whose_mains_blink_is_open_heard_at_once_and_heats_again(tmp_path: Path) -> None:
    """Rebooted within its first minute: open, never missed, its clock not called slow; heat returns by itself."""
    with Bench(tmp_path) as bench:
        bench.heat()
        board, blinks_s = bench.node.board, bench.node.clock.now().mono_s
        board.lose_mains(blinks_s)
        board.regain_mains(blinks_s)
        seen("W01", bench.closed_for(1.0))
        blinked_s = time.monotonic()
        until("it is known to be open", lambda: bench.spy.status()["heat"]["contact"] is False, 15.0)
        until("heat returns by itself", lambda: bench.node.heated, 90.0)
        lost = {each["name"] for told in bench.spy.statuses(after_s=blinked_s) for each in told["permissives"]
                if not each["holds"]}  # fmt: skip
        assert "node heard" not in lost
        assert bench.spy.status()["trips"] == []


def test_b01_a_killed_broker_ends_heat_and_its_return_alone_brings_none(tmp_path: Path) -> None:
    """Open within the lease; after the broker is back, heat waits for probes that speak again."""
    with Bench(tmp_path) as bench:
        bench.heat()
        bench.broker.stop(signal.SIGKILL)
        seen("B01", bench.open_within(CLASS_C_S + LOOK_S), LEASE_S + LOOK_S)
        bench.node.silent |= set(bench.plant.values)
        throughout("stays open", lambda: not bench.node.core.on, 3.0)
        bench.broker.start()
        back_s = time.monotonic()
        until("all are back", lambda: bench.spy.statuses(after_s=back_s), 15.0)
        throughout("no heat on the broker's word alone", lambda: not bench.node.core.on, 2.0)
        bench.node.silent.clear()
        until("heat returns by itself", lambda: bench.node.heated, 60.0)


def test_b10_a_megabyte_and_bytes_that_are_no_text_are_refused_and_heat_goes_on(tmp_path: Path) -> None:
    """Both are counted; the process lives and its tick keeps the contact closed."""
    with Bench(tmp_path, lease_s=CLASS_C_S) as bench:
        bench.heat()
        for payload in (b"9" * 1_000_000, b"\xff\xfe\x00\x80"):
            bench.spy.publish("soilward/larch/probe/soil-10", payload)
            bench.spy.publish("soilward/larch/heater/state", payload)

        def counted() -> bool:
            refused = bench.spy.status()["refused"]
            unread = refused.get("not-utf8", 0) + refused.get("not-json", 0)
            return bool(refused.get("too-large", 0) == 2 and unread == 2)

        until("all four are counted", counted, 10.0)
        throughout("heat goes on", lambda: bench.node.heated and bench.controller.is_alive, CLASS_C_S + LOOK_S)


def test_c01_a_killed_controller_ends_heat_and_a_new_one_begins_off(tmp_path: Path) -> None:
    """Open within 15 s; the new one, armed as before, orders no heat until probes speak to it."""
    with Bench(tmp_path, lease_s=CLASS_C_S) as bench:
        bench.heat()
        before = bench.spy.commands()[-1]["epoch"]
        bench.controller.kill()
        bench.node.silent |= set(bench.plant.values)
        seen("C01", bench.open_within(CLASS_C_S + LOOK_S), CLASS_C_S + LOOK_S)
        assert bench.node.core.drops == 1
        killed_s = time.monotonic()
        bench.controller.start()
        until("it commands again", lambda: bench.spy.commands(after_s=killed_s), STARTS_S)
        assert bench.spy.commands(after_s=killed_s)[0]["epoch"] > before
        throughout("stays open", lambda: not bench.node.core.on, 2.0)
        assert not any(command["on"] for command in bench.spy.commands(after_s=killed_s))
        bench.node.silent.clear()
        until("heat returns by itself", lambda: bench.node.heated, 15.0)


def test_c16_a_trip_outlives_kill_9(tmp_path: Path) -> None:
    """Soil at 46 Cel latches; after kill -9 and a restart with cool soil the trip stands and no "on" is sent."""
    with Bench(tmp_path) as bench:
        bench.heat()
        bench.node.override["soil-10"] = 46.0
        assert bench.open_within(CLASS_C_S + LOOK_S) <= 3.0
        until("it is latched", lambda: bench.spy.status()["trips"], 5.0)
        name, epoch = bench.spy.status()["trips"][0]["name"], bench.spy.status()["epoch"]
        bench.controller.kill()
        bench.node.override.clear()
        killed_s = time.monotonic()
        bench.controller.start()
        until("the next one speaks", lambda: bench.spy.status()["epoch"] > epoch, STARTS_S)
        seen("C16", bench.closed_for(4.0))
        assert [each["name"] for each in bench.spy.status()["trips"]] == [name]
        assert not any(command["on"] or command["armed"] for command in bench.spy.commands(after_s=killed_s))


@pytest.mark.parametrize("pause_s", [15.0, pytest.param(60.0, marks=pytest.mark.whole)])
def test_c05_a_controller_paused_for_long_lets_go_and_wakes_with_a_clean_slate(tmp_path: Path, pause_s: float) -> None:
    """Open by the lease; awake again it trusts no value from before, and its control starts afresh, by itself."""
    with Bench(tmp_path) as bench:
        bench.heat()
        until("the ramp has moved", lambda: bench.spy.status()["set_point"]["working_c"] > 15.2, 45.0)
        bench.controller.send(signal.SIGSTOP)
        paused_s = time.monotonic()
        seen("C05", bench.open_within(CLASS_C_S + LOOK_S), LEASE_S + LOOK_S)
        bench.node.silent |= set(bench.plant.values)
        throughout("stays open", lambda: not bench.node.core.on, pause_s - (time.monotonic() - paused_s))
        woken_s, woken = time.monotonic(), rfc3339(time.time_ns() // 1_000_000)
        bench.controller.send(signal.SIGCONT)
        until("it speaks", lambda: len(bench.spy.statuses(after_s=woken_s)) > 1, 10.0)
        throughout("no heat on old values", lambda: not bench.node.core.on, 3.0)
        # One that was decided before the pause may go out only now, and is refused as late.
        assert not any(each["on"] and each["issued"] >= woken for each in bench.spy.commands(after_s=woken_s))
        assert bench.controller.is_alive
        asleep = bench.spy.status()
        assert (asleep["heat"]["duty"], asleep["set_point"]["working_c"]) == (0.0, None)
        bench.node.silent.clear()
        until("control begins again by itself", lambda: _ramps(bench, woken_s), 10.0)
        assert _ramps(bench, woken_s)[0] == pytest.approx(15.0 + 20 * DUTY_EACH_S / 3600)


def _ramps(bench: Bench, after_s: float) -> list[float]:
    """Return the working set points told after a moment, where there was one."""
    told = (status["set_point"]["working_c"] for status in bench.spy.statuses(after_s=after_s))
    return [working_c for working_c in told if working_c is not None]


def test_c08_settings_above_a_hard_limit_are_refused_before_anything_is_sent(tmp_path: Path) -> None:
    """soil_trip = 60: the controller ends with status 1 and says file, key, value and bound."""
    file = write_site(tmp_path, 1883, soil_trip=60)
    command = [sys.executable, "-m", "controller.cli", "controller", "--settings", str(file)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=90, check=False)
    assert done.returncode == 1
    assert all(word in done.stderr for word in ("soilward.toml", "limits.soil_trip", "60", "40", "never loosened"))
    assert not (tmp_path / "data").exists()


def test_p25_two_senders_of_one_probe_are_both_refused_and_heat_ends(tmp_path: Path) -> None:
    """A second node that claims the probe, with a colder value, stops the heat instead of steering it."""
    with Bench(tmp_path) as bench:
        bench.heat()

        def rival() -> None:
            bench.spy.say_each_second({"soil-10": 14.9}, "rival")

        took_s = bench.open_within(CLASS_E_S, rival)
        seen("P25", took_s)
        assert took_s <= 5.0
        throughout("stays open", lambda: not bench.node.core.on, 3.0, rival)
        until("it is told", lambda: bench.spy.holds("soil heard") is False, 5.0, rival)
        probe = next(p for p in bench.spy.status()["readings"] if p["probe"] == "soil-10")
        assert "two senders" in probe["reason"]


def test_p27_a_probe_that_speaks_a_hundred_times_a_second_is_thinned_and_disturbs_nothing(tmp_path: Path) -> None:
    """The excess is refused and counted; renewals keep their pace and the contact stays closed."""
    with Bench(tmp_path, lease_s=CLASS_C_S) as bench:
        bench.heat()
        began_s = time.monotonic()
        sent = [0]

        def babble() -> None:
            while sent[0] < (time.monotonic() - began_s) * 100:
                bench.spy.say("soil-10", 15.0)
                sent[0] += 1

        throughout("heat goes on", lambda: bench.node.heated, 8.0, babble)
        assert sent[0] >= 700
        until("the excess is counted", lambda: bench.spy.status()["refused"].get("implausible", 0) >= 600, 5.0)
        renewed_s = [h.at_s for h in bench.spy.heard if h.topic.endswith("/command") and h.at_s > began_s]
        assert all(later - earlier < 6.5 for earlier, later in pairwise(renewed_s))
