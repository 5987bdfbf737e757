"""A relay that knows only on and off: its words, its Will, and what is on record of its heat."""

import subprocess
import sys
import time
from pathlib import Path

import pytest

from controller.wire import session
from tests.wire.kit import PROBES, ROOT, Bench, Spy, through, throughout, until, write_site
from tests.wire.link import CONNECT, SUBSCRIBE, TAKEN_OVER, topic_of

TOPIC = "shed/relay"
PLAIN = f"""relay = "plain"
plain_topic = "{TOPIC}"
plain_on = "1"
plain_off = "0"
independent_cut_off = "mechanical frost thermostat, 12 Cel"
"""
AUXILIARY = """
[[enclosure.probe]]
name = "relay-contact"
quantity = "contact"
topic = "shed/relay/contact"
period_s = 1
"""
YIELDED = "SELECT why FROM journal WHERE kind = 'alert' AND why LIKE 'another client%'"


class Shed:
    """The relay as its topic tells it, and its auxiliary contact, which follows."""

    def __init__(self, bench: Bench) -> None:
        self._bench, self._spoke_s = bench, 0.0
        bench.node.silent.add("relay-contact")

    @property
    def words(self) -> list[bytes]:
        """Every word heard, oldest first."""
        return [heard.payload for heard in self._bench.spy.heard if heard.topic == TOPIC]

    @property
    def is_on(self) -> bool:
        """Whether the relay, which obeys the last word, is closed."""
        return self.words[-1:] == [b"1"]

    def speak(self) -> None:
        """Tell the contact, once a second."""
        if time.monotonic() - self._spoke_s >= 1.0:
            self._spoke_s = time.monotonic()
            self._bench.spy.client.publish("shed/relay/contact", b"1" if self.is_on else b"0", qos=1)


def _is_kept(bench: Bench) -> bool:
    """Whether the broker keeps a word for those who come later."""
    late = Spy(through(bench.settings, bench.broker.port), "late")
    try:
        late.publish("marker", b"all that is kept has come before this")
        until("all has come", lambda: any(heard.topic == "marker" for heard in late.heard), 5.0)
        return any(heard.topic == TOPIC for heard in late.heard if heard.retained)
    finally:
        late.close()


def test_on_and_off_reach_a_plain_relay_and_its_heat_is_recorded_from_its_contact(tmp_path: Path) -> None:
    """Both words arrive, none is retained; one run, as the contact told it."""
    bench = Bench(tmp_path, heater=PLAIN, probes=PROBES + AUXILIARY)
    shed = Shed(bench)
    with bench:
        bench.arm()
        until("the relay is on", lambda: shed.is_on, 20.0, shed.speak)
        throughout("it stays on", lambda: shed.is_on, 7.0, shed.speak)
        bench.ask("disarm")
        until("the relay is off", lambda: not shed.is_on, 5.0, shed.speak)
        runs = "SELECT end_ms - start_ms, energy_j, ended_by FROM heater_run WHERE end_ms IS NOT NULL"
        until("the run is on record", lambda: bench.rows(runs), 10.0, shed.speak)
        ((lasted_ms, joules, ended_by),) = bench.rows(runs)
        assert 6000 <= lasted_ms <= 12_000
        assert joules == pytest.approx(460 * lasted_ms / 1000, rel=0.3)
        assert ended_by == "not armed"
        assert not _is_kept(bench)
        assert not bench.spy.commands()


def test_a_run_whose_contact_probe_falls_silent_ends_where_it_was_last_sure(tmp_path: Path) -> None:
    """Nothing is claimed beyond the probe's own patience."""
    bench = Bench(tmp_path, heater=PLAIN, probes=PROBES + AUXILIARY)
    shed = Shed(bench)
    with bench:
        bench.arm()
        until("the relay is on", lambda: shed.is_on, 20.0, shed.speak)
        throughout("it stays on", lambda: shed.is_on, 3.0, shed.speak)
        ended = "SELECT ended_by FROM heater_run WHERE end_ms IS NOT NULL"
        until("the run has ended", lambda: bench.rows(ended) == [("relay-contact silent",)], 15.0)


def test_kill_9_of_the_controller_turns_a_plain_relay_off_by_its_will(tmp_path: Path) -> None:
    """The broker itself says the off word, once, not retained."""
    with Bench(tmp_path, heater=PLAIN) as bench:
        shed = Shed(bench)
        bench.arm()
        until("the relay is on", lambda: shed.is_on, 20.0)
        before = len(shed.words)
        bench.controller.kill()
        until("the relay is off", lambda: not shed.is_on, 5.0)
        assert shed.words[before:].count(b"0") == 1
        assert not _is_kept(bench)


def _is_connect(_up: bool, first: int, _body: bytes) -> bool:
    return first >> 4 == CONNECT


def test_a_plain_relay_is_told_off_when_only_our_own_session_is_gone(tmp_path: Path) -> None:
    """It has no lease: when the session ends and cannot be had again, its own connection still carries the off word."""
    with Bench(tmp_path, heater=PLAIN) as bench:
        shed = Shed(bench)
        bench.arm()
        until("the relay is on", lambda: shed.is_on, 20.0)
        bench.controller_link.loses = _is_connect
        settings = through(bench.settings, bench.broker.port)
        borrower = session.make_client(settings, "soilward-controller")
        session.connect(borrower, settings.broker, kept=False)
        try:
            until("the relay is off", lambda: not shed.is_on, 10.0)
            throughout("it stays off", lambda: not shed.is_on, 4.0)
        finally:
            borrower.disconnect()
            borrower.loop_stop()


def test_a_controller_that_has_yielded_its_name_leaves_the_relay_off_and_alone(tmp_path: Path) -> None:
    """Whoever has won commands now: after a last off, at the next look, not a word more comes from us."""
    subscribed: list[bytes] = []
    said_s = [time.monotonic()]

    def watch(up: bool, first: int, body: bytes) -> None:
        if up and topic_of(first, body) == TOPIC:
            said_s.append(time.monotonic())
        # The relay's own connection subscribes to nothing.
        if up and first >> 4 == SUBSCRIBE:
            subscribed.append(body)

    with Bench(tmp_path, watch, heater=PLAIN) as bench:
        shed = Shed(bench)
        bench.arm()
        until("the relay is on", lambda: shed.is_on, 20.0)
        for times in range(1, 4):
            until("it is in", lambda times=times: len(subscribed) >= times, 30.0)  # type: ignore[misc]
            bench.controller_link.say(TAKEN_OVER)
        until("it has yielded", lambda: bench.rows(YIELDED, file="journal.db"), 10.0)
        # Until it has left the relay, which may be a second later, it says off at every tick.
        until("the last word is said", lambda: time.monotonic() - said_s[-1] > 3.0, 15.0)
        assert not shed.is_on
        words = len(said_s)
        throughout("nothing more is said", lambda: len(said_s) == words, 6.0)
        assert bench.controller.is_alive


def _checked(file: Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "controller.cli", "check", "--settings", str(file)]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=90, check=False)


def test_check_refuses_a_plain_relay_without_an_independent_cut_off(tmp_path: Path) -> None:
    """Status 1, and the remedy."""
    without = "\n".join(line for line in PLAIN.splitlines() if "cut_off" not in line)
    done = _checked(write_site(tmp_path, 1883, heater=without))
    assert done.returncode == 1
    assert "independent_cut_off" in done.stderr


@pytest.mark.parametrize(("more", "noted"), [("", True), (AUXILIARY, False)])
def test_check_says_when_the_heat_of_a_plain_relay_leaves_no_record(tmp_path: Path, more: str, noted: bool) -> None:
    """With a contact probe there is nothing to say."""
    done = _checked(write_site(tmp_path, 1883, heater=PLAIN, probes=PROBES + more))
    assert done.returncode == 0
    assert ("no heater run is recorded" in done.stdout) is noted
