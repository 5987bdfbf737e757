"""What a person with nothing but the broker's own tools can do: tell a reading, see the duty and the command."""

import json
import subprocess
import time
from pathlib import Path
from typing import Any

import pytest

from controller.clock import rfc3339
from tests.wire.kit import STARTS_S, Bench, until

HAND_PROBES = """
[[enclosure.probe]]
name = "soil-10"
quantity = "soil"
depth_m = 0.10
period_s = 1
[[enclosure.probe]]
name = "soil-25"
quantity = "soil"
depth_m = 0.25
form = "number"
period_s = 1
[[enclosure.probe]]
name = "soil-40"
quantity = "soil"
depth_m = 0.40
form = "json"
topic = "garden/shed"
pointer = "/sensor/temperature"
unit = "F"
period_s = 1
"""


def _tell(bench: Bench, topic: str, payload: str) -> None:
    port = str(bench.broker.port)
    subprocess.run(["mosquitto_pub", "-p", port, "-q", "1", "-t", topic, "-m", payload], check=True, timeout=30)


def _tell_all(bench: Bench) -> None:
    pack = [{"bn": "urn:dev:ops:hand:", "n": "soil-10", "u": "Cel", "bt": time.time(), "v": 15.2}]
    _tell(bench, "soilward/larch/probe/soil-10", json.dumps(pack))
    _tell(bench, "soilward/larch/probe/soil-25", "15.4")
    _tell(bench, "garden/shed", '{"sensor": {"temperature": 60.08, "battery": 3.1}}')


def _believed(bench: Bench) -> dict[str, Any]:
    """Return what the status says of each probe it believes and finds fresh."""
    probes = bench.spy.status().get("readings", ())
    return {p["probe"]: p["value"] for p in probes if p["fresh"] and p["grade"] == "good"}


def _now_and_then(bench: Bench) -> Any:
    """Return a function that tells all three readings, at most once a second."""
    last_s = [0.0]

    def tell() -> None:
        if time.monotonic() - last_s[0] >= 1.0:
            last_s[0] = time.monotonic()
            _tell_all(bench)

    return tell


def test_three_forms_told_by_hand_arrive_and_a_heater_command_is_seen_by_hand(tmp_path: Path) -> None:
    """A SenML pack, a bare number and a foreign JSON (in F) arrive; duty rises; `mosquitto_sub` shows "on"."""
    bench = Bench(tmp_path, probes=HAND_PROBES)
    bench.node.silent |= {"soil-10", "soil-25", "soil-40"}
    with bench:
        bench.plant.values |= {"soil-25": 0.0, "soil-40": 0.0}
        bench.arm()
        tell = _now_and_then(bench)
        heard = tmp_path / "heard.txt"
        topic = "soilward/larch/heater/command"
        with heard.open("wb") as file:
            listening = subprocess.Popen(
                ["mosquitto_sub", "-p", str(bench.broker.port), "-q", "1", "-t", topic], stdout=file
            )
            try:
                until("all three are believed", lambda: len(_believed(bench)) == 3, STARTS_S, tell)
                until("an on is seen", lambda: '"on":true' in heard.read_text(), 10.0, tell)
            finally:
                listening.terminate()
                listening.wait(5.0)
        assert _believed(bench) == pytest.approx({"soil-10": 15.2, "soil-25": 15.4, "soil-40": 15.6})
        until("the duty is told", lambda: bench.spy.status()["heat"]["duty"] > 0, 5.0, tell)
        first = json.loads(heard.read_text().splitlines()[0])
        assert set(first) == {"on", "armed", "lease_s", "epoch", "seq", "issued", "by", "mac"}


def test_a_reading_left_retained_on_the_broker_is_history_and_heats_nothing(tmp_path: Path) -> None:
    """A retained cold reading, stamped now, is shown to nobody as fresh."""
    bench = Bench(tmp_path, probes=HAND_PROBES)
    pack = [{"n": "soil-10", "u": "Cel", "t": time.time(), "v": 3.0}]
    bench.spy.publish("soilward/larch/probe/soil-10", json.dumps(pack), retain=True)
    bench.node.silent |= {"soil-10", "soil-25", "soil-40"}
    with bench:
        bench.arm()
        until("it runs", bench.spy.status, STARTS_S)
        until("it is on record", lambda: 3.0 in {row[3] for row in bench.kept("soil-10")}, 10.0)
        assert {row[4] for row in bench.kept("soil-10") if row[3] == 3.0} == {"history"}
        assert not any(command["on"] for command in bench.spy.commands())
        assert not _believed(bench)


def test_what_cannot_be_read_is_counted_and_its_beginning_is_kept(tmp_path: Path) -> None:
    """Refusals are counted by reason in the status; the last bad payload of a topic is kept, cut to 200 bytes."""
    bench = Bench(tmp_path, probes=HAND_PROBES)
    bench.node.silent |= {"soil-10", "soil-25", "soil-40"}
    with bench:
        # It speaks a moment before it has subscribed; a node that it has heard shows that it listens.
        until("it listens", lambda: bench.spy.holds("node heard"), STARTS_S)
        topic = "soilward/larch/probe/soil-25"
        for payload in ("NaN", '"21.5"', "warm " * 100):
            bench.spy.publish(topic, payload)
        until("three are counted", lambda: sum(bench.spy.status()["refused"].values()) == 3, 10.0)
        assert bench.spy.status()["last_refused"][topic] == ("warm " * 100)[:200]


def test_commands_carry_the_time_by_our_clock(tmp_path: Path) -> None:
    """`issued` is within 5 s of the wall clock, in RFC 3339."""
    with Bench(tmp_path) as bench:
        until("a command", bench.spy.commands, STARTS_S)
        now_ms = time.time_ns() // 1_000_000
        assert rfc3339(now_ms - 5000) <= bench.spy.commands()[-1]["issued"] <= rfc3339(now_ms + 100)
