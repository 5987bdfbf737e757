"""The table of hard limits: nothing left out, nothing invented, and when each last acted."""

import io
from contextlib import closing
from pathlib import Path

import pytest

from controller import cli, limit_table
from controller.limit_table import hard_limits, last_acted_ms, tighter
from controller.proving.commissioned import Answer
from controller.safety import limits, node_limits
from controller.safety.node_fault import NodeFault
from controller.store import journal
from controller.store.connection import open_writer
from controller.store.journal import Entry
from controller.store.migrations import JOURNAL
from tests.core_site import settings_of
from tests.heat_site import AIR, FAN, GLASS, SOIL

NAMES = [name for name in vars(limits) if name.isupper()]
NODE_NAMES = [name for name in vars(node_limits) if name.isupper() and name not in NAMES]


def test_every_limit_of_the_code_is_in_the_table_once() -> None:
    """In the code's order, the node's own after ours, with its value as people read it."""
    assert [each.name for each in hard_limits()] == NAMES + NODE_NAMES
    assert {"FLOW_A", "NO_CURRENT_S", "WATCHDOG_S", "OVER_POWER"} <= set(NODE_NAMES)
    by_name = {each.name: each for each in hard_limits()}
    assert (by_name["SOIL_TRIP_C"].value, by_name["SOIL_TRIP_C"].unit) == ("40", "Cel")
    assert by_name["WORKING_RANGE_C"].value == "-40 to 85"
    assert by_name["SOIL_TRIP_C"].words == "soil trip"


@pytest.mark.parametrize("limit", hard_limits(), ids=lambda each: each.name)
def test_every_limit_says_what_it_is_for(limit: limit_table.Limit) -> None:
    """A meaning, and a source or a pointer to the limit that has one."""
    assert len(limit.meaning) > 5
    assert limit.source or limit.meaning.startswith("See ") or len(limit.meaning) > 10
    if limit.name.endswith(("_C", "_S", "_K", "_DAYS")):
        assert limit.unit


def test_a_limit_that_the_settings_tighten_shows_the_value_in_force() -> None:
    """Only where it is tighter, and only for the limits that may be tightened."""
    settings = settings_of(limits={"soil_trip": 35.0})
    assert tighter(settings, "SOIL_TRIP_C", {}) == {"larch": 35.0}
    assert tighter(settings, "AIR_FIRE_C", {}) == {}
    assert tighter(settings, "TICK_S", {}) == {}


def test_what_a_proof_test_measured_of_an_air_heater_shows_as_the_tighter_rise() -> None:
    """Of that enclosure, at that limit and at no other."""
    settings = settings_of(SOIL, AIR, heater=FAN, shape=GLASS)
    answers = {"larch": Answer(80.0, FAN["rated_w"] / 230.0, 1.5)}
    assert tighter(settings, "AIR_RISE_K_PER_MIN", answers) == {"larch": 6.0}
    assert tighter(settings, "AIR_RISE_K_PER_MIN", {}) == tighter(settings, "SOIL_TRIP_C", answers) == {}


def test_the_journal_tells_when_a_limit_last_acted(tmp_path: Path) -> None:
    """The newest entry that shows it, of its own kind and name and no other."""
    with closing(open_writer(tmp_path / "journal.db", JOURNAL)) as connection:
        entries = [
            Entry("trip", "larch", "soilward", "hot", {"trip": "soil-over:soil"}, 1000),
            Entry("trip", "larch", "soilward", "hot", {"trip": "soil-over:soil"}, 2000),
            Entry("trip", "larch", "soilward", "air", {"trip": "air-rise:air"}, 3000),
            Entry("answer", "larch", "Ada", "soil-over", {"trip": "soil-over:soil"}, 4000),
            Entry("trip", "larch", "soilward", "welded", {"trip": "node-fault:current-when-open"}, 5000),
        ]
        journal.append(connection, entries)
        found = {"SOIL_TRIP_C": 2000, "AIR_RISE_K_PER_MIN": 3000, "OPEN_SETTLE_S": 5000}
        assert last_acted_ms(connection, NAMES + NODE_NAMES) == found


def test_what_a_node_finds_shows_at_a_limit_of_its_own() -> None:
    """Each fault by its name in the node's report, but those that are no figure passed: its constants, its memory."""
    shown = {begins for (kind, _), begins in limit_table._ACTS.values() if begins.startswith("node-fault:")}
    assert shown == {f"node-fault:{each}" for each in NodeFault if each.value not in {"constants", "memory-lost"}}


def test_what_shows_that_a_limit_acted_names_real_limits() -> None:
    """A limit renamed in the code fails here."""
    assert set(limit_table._ACTS) | set(limit_table._TIGHTENED) <= set(NAMES + NODE_NAMES)


def test_the_command_prints_every_limit(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """`soilward check --limits`, before there is any journal."""
    monkeypatch.setattr("sys.stdin", io.StringIO("a long enough password\n"))
    init = ["init", "--settings", str(tmp_path / "s.toml"), "--person", "ada", "--password-stdin"]
    assert cli.main(init) == 0
    capsys.readouterr()
    assert cli.main(["check", "--settings", str(tmp_path / "s.toml"), "--limits"]) == 0
    printed = capsys.readouterr().out
    assert all(each.meaning in printed for each in hard_limits())
