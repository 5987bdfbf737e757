"""The shell turned by hand: real databases, a manual clock, no broker."""

import gc
import sqlite3
import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from controller.clock import ManualClock, Moment
from controller.enclosure import Decision
from controller.errors import BrokerError
from controller.keeper import Keeper
from controller.safety import limits
from controller.safety.lease import Order
from controller.safety.trip import TripKind
from controller.service import ROOM_MADE_S, Controller
from controller.settings import Broker, Store
from controller.standing import from_text
from controller.store import journal, requests, runs
from controller.store.connection import open_reader, open_writer
from controller.store.journal import Entry
from controller.store.migrations import JOURNAL, READINGS, REQUESTS
from controller.store.receipts import Receipt
from controller.store.writer import Writer
from controller.wire.inbox import Inbox, LinkNow, Message
from controller.wire.relay import Health, encode_report
from controller.wire.senml import encode_senml
from tests.core_site import AIR, NIGHT_MS, SOIL, settings_of
from tests.heat_site import CABLE, FAN, OUTSIDE
from tests.unit.test_commissioned import account


class Shell:
    """A controller that takes a turn each second of its clock, and hears what it is told."""

    def __init__(self, folder: Path, **parts: Any) -> None:
        self.folder = folder
        self.clock = ManualClock(Moment(1000.0, NIGHT_MS))
        elsewhere = {"store": Store(folder=folder), "broker": Broker(kind="external")}
        settings = settings_of(**parts).model_copy(update=elsewhere)
        self.controller = Controller(settings, self.clock)

    def hear_node(self, on: bool, amps: float | None) -> None:
        """Queue a report of the node, as the network thread would."""
        now = self.clock.now()
        payload = encode_report(on, on, self.controller.memory.epoch, 1, 10.0, amps, 0, now.mono_s)
        self.controller.inbox.messages.put(Message("soilward/larch/heater/state", payload, False, now, 0, 0, 1))

    def turn(self, seconds: int) -> None:
        """Take a turn each second."""
        for _ in range(seconds):
            self.clock.sleep(1.0)
            self.controller._turn()

    def rows(self, query: str) -> list[tuple[object, ...]]:
        """Commit what waits and read it back."""
        self.clock.sleep(5.0)
        self.controller.writer.turn()
        with closing(sqlite3.connect(f"file:{self.folder / 'readings.db'}?mode=ro", uri=True)) as connection:
            return connection.execute(query).fetchall()


@pytest.fixture
def shell(tmp_path: Path) -> Iterator[Shell]:
    one = Shell(tmp_path)
    yield one
    one.controller._end()


def test_a_run_of_a_node_that_falls_silent_ends_in_the_record_with_its_energy(shell: Shell) -> None:
    """Heard closed for 5 s and then no more: 15 s later the run is over, 20 s long and with 20 s of its power."""
    shell.turn(1)
    shell.hear_node(True, 2.0)
    shell.turn(5)
    shell.hear_node(True, 2.0)
    shell.turn(15)
    open_run = "SELECT count(*) FROM heater_run WHERE end_ms IS NULL"
    assert shell.rows(open_run) == [(1,)]
    shell.turn(2)
    ended = shell.rows("SELECT end_ms - start_ms, energy_j, ended_by FROM heater_run")
    assert ended == [(20_000, pytest.approx(2.0 * 230.0 * 20), "node silent")]


def test_a_dead_nodes_last_report_told_over_and_over_stays_its_last(shell: Shell) -> None:
    """B09: a bridge in a loop, and a node that died with its contact closed: one run, and its silence is told."""
    shell.turn(1)
    now, node = shell.clock.now(), "soilward/larch/heater/state"
    payload = encode_report(True, True, shell.controller.memory.epoch, 1, 10.0, 2.0, 0, now.mono_s)
    for _ in range(120):
        again = Message(node, payload, False, shell.clock.now(), 0, 0, 1)
        shell.controller.inbox.messages.put(again)
        shell.turn(1)
    assert "node-quiet" in {each.name for each in shell.controller.keepers["larch"].state.alerts}
    assert shell.rows("SELECT count(*), max(end_ms - start_ms) FROM heater_run") == [(1, 15_000)]


def test_a_restart_forgets_no_heat_of_lately(tmp_path: Path) -> None:
    """Hot air within ten minutes of it is a fire, and no sunny day, for the next controller as well."""
    before = Shell(tmp_path)
    before.turn(1)
    for on in (True, False):
        before.hear_node(on, 2.0)
        before.turn(5)
    before.controller._end()
    after = Shell(tmp_path)
    after.controller._end()
    assert before.controller.keepers["larch"].heater.closings
    heat_s = after.controller.keepers["larch"].state.heat_s
    assert after.clock.now().mono_s - limits.HEATER_LATELY_ON_S < heat_s <= after.clock.now().mono_s


def test_that_there_are_no_pages_is_an_alert_and_nothing_against_heat(shell: Shell) -> None:
    """Told while the supervisor's word lies there, over with it; what is no text is no word."""
    shell.turn(2)
    keeper, file = shell.controller.keepers["larch"], shell.folder / "pages-away"
    before = keeper.state.permissives
    file.write_text("web.port: cannot listen")
    shell.turn(2)
    told = {each.name: each.detail for each in keeper.state.alerts}
    assert told["pages-away"] == "there are no pages: web.port: cannot listen"
    assert [each.holds for each in keeper.state.permissives] == [each.holds for each in before]
    for gone in (file.unlink, lambda: file.write_bytes(b"\xff")):
        gone()
        shell.turn(2)
        assert "pages-away" not in {each.name for each in keeper.state.alerts}


def alerts_of(shell: Shell) -> set[str]:
    """Return what stands of the one enclosure."""
    return {each.name for each in shell.controller.keepers["larch"].state.alerts}


@pytest.mark.parametrize("gaps", [4, 5])
def test_a_loop_that_falls_behind_again_and_again_is_told(shell: Shell, gaps: int) -> None:
    """C15: each time what was heard counts no more and control begins anew; a night of it is cold, one pause is not."""
    for _ in range(gaps):
        shell.clock.sleep(3.0)
        shell.turn(2)
    assert ("loop-late" in alerts_of(shell)) is (gaps == 5)
    shell.turn(601)
    assert "loop-late" not in alerts_of(shell)


def test_a_disk_that_takes_nothing_is_told_once_it_costs_heat(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    """D01 D02 D06: after a minute of it, and no longer than it lasts."""
    began_s = shell.clock.now().mono_s
    monkeypatch.setattr(Writer, "failing_since_s", began_s)
    shell.turn(60)
    assert "unrecorded" not in alerts_of(shell)
    shell.turn(3)
    assert "unrecorded" in alerts_of(shell)
    monkeypatch.setattr(Writer, "failing_since_s", None)
    shell.turn(2)
    assert "unrecorded" not in alerts_of(shell)


@pytest.fixture
def ran(tmp_path: Path) -> Iterator[None]:
    """Let a controller run that is stopped already, and put back afterwards what it set for the whole process."""
    before_s, thresholds, controller = sys.getswitchinterval(), gc.get_threshold(), Shell(tmp_path).controller
    gc.unfreeze()
    controller.stop()
    try:
        controller.run()
        yield
    finally:
        sys.setswitchinterval(before_s)
        gc.set_threshold(*thresholds)
        gc.unfreeze()
        # paho leaves the pair of sockets that wake its thread to the collector.
        controller.inbox.client._reset_sockets()


def test_a_connection_that_breaks_as_we_say_goodbye_leaves_nothing_unwritten(tmp_path: Path) -> None:
    """What waits for the disk is written, and the folder is free for the next."""
    one = Shell(tmp_path)
    one.turn(1)
    one.controller.inbox._connected = True
    one.controller._end()
    assert not one.controller.writer.queue_depth
    Shell(tmp_path).controller._end()


def test_a_busy_loop_hands_over_to_the_thread_that_sends(ran: None) -> None:
    """An opening is published by the loop and sent by the network thread, which waits no 5 ms for its turn."""
    assert sys.getswitchinterval() == pytest.approx(0.0005)


def test_the_collector_seldom_looks_through_what_waits_for_the_disk(ran: None) -> None:
    """What was there at the start is left alone; it looks once in 20 000 objects, and 500 for each enclosure."""
    assert gc.get_freeze_count() > 10_000
    assert gc.get_threshold() == (20_500, 10, 100)


def test_an_opening_is_out_before_anything_is_saved(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    """A trip is latched and written, which takes a disk its time; the network thread has sent the order by then."""
    done: list[str] = []
    one = shell.controller
    shell.turn(1)
    monkeypatch.setattr(one.relays, "send", lambda *_: done.append("sent"))
    monkeypatch.setattr(one.relays, "let_out", lambda: done.append("let out"))
    monkeypatch.setattr(one, "_save", lambda: done.append("saved"))
    monkeypatch.setattr(one._record, "put", lambda *_: done.append("recorded") or True)
    keeper = one.keepers["larch"]
    trip = replace(keeper.state.standing, armed=False)
    decision = Decision(Order(False, False, "hot"), True, (), ())

    def tick(*_: object) -> Decision:
        keeper.state.standing = trip
        return decision

    monkeypatch.setattr(Keeper, "tick", tick)
    keeper.state.standing = replace(trip, armed=True)
    one._step([keeper], shell.clock.now())
    assert done[:4] == ["sent", "let out", "saved", "recorded"]


@pytest.mark.parametrize(
    ("ordered", "reported", "lets_out"),
    [(True, False, True), (False, True, True), (False, None, True), (False, False, False)],
)
def test_only_what_may_still_be_closed_is_waited_for(
    shell: Shell, monkeypatch: pytest.MonkeyPatch, ordered: bool, reported: bool | None, lets_out: bool
) -> None:
    """An "off" is renewed every few seconds; where order and node both say open, the loop does not wait for it."""
    done: list[str] = []
    one = shell.controller
    shell.turn(1)
    if reported is not None:
        shell.hear_node(reported, None)
        shell.turn(1)
    monkeypatch.setattr(one.relays, "send", lambda *_: done.append("sent"))
    monkeypatch.setattr(one.relays, "let_out", lambda: done.append("let out"))
    keeper = one.keepers["larch"]
    keeper.state.order = Order(ordered, ordered, "as it was")
    off = Decision(Order(False, False, "off"), True, (), ())
    monkeypatch.setattr(Keeper, "tick", lambda *_: off)
    one._step([keeper], shell.clock.now())
    assert done == (["sent", "let out"] if lets_out else ["sent"])


@pytest.mark.parametrize(("wait_s", "turn_s", "times"), [(0.3, 0.001, 10), (0.0, 0.002, 3), (0.0, 0.006, 10)])
def test_what_a_turn_published_is_let_out_before_a_wait_and_every_few_milliseconds(
    shell: Shell, monkeypatch: pytest.MonkeyPatch, wait_s: float, turn_s: float, times: int
) -> None:
    """Ten turns: each that waits; where the loop is behind, those 5 ms after the last."""
    out: list[str] = []
    one = shell.controller
    monkeypatch.setattr(one.inbox.client, "let_out", lambda: out.append("out"))
    monkeypatch.setattr(one.inbox, "drain", lambda _wait_s: [])
    monkeypatch.setattr(one._ticking, "wait_s", lambda _now_s: wait_s)
    monkeypatch.setattr(one, "_step", lambda *_: None)
    for _ in range(10):
        shell.clock.sleep(turn_s)
        one._turn()
    assert len(out) == times


def test_what_was_gathered_does_not_wait_for_the_disk(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    """A renewal of the turn before, of whichever enclosure, went out only once another's trip had been saved."""
    done: list[str] = []
    one = shell.controller
    monkeypatch.setattr(one.inbox.client, "let_out", lambda: done.append("out"))
    monkeypatch.setattr(one.memory, "save", lambda _: done.append("saved"))
    one._save()
    assert done == ["out", "saved"]


def test_the_loop_gathers_while_it_runs_and_its_end_does_not(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What its last turn published goes out with its end, whose openings and goodbye wait for nobody."""
    done: list[str] = []

    @contextmanager
    def gathering() -> Iterator[None]:
        done.append("gathers")
        yield
        done.append("rings")

    before_s, thresholds, one = sys.getswitchinterval(), gc.get_threshold(), Shell(tmp_path).controller
    monkeypatch.setattr(one.inbox.client, "gathering", gathering)
    monkeypatch.setattr("controller.service.watch", lambda *_: None)
    monkeypatch.setattr(one, "_turn", lambda: (done.append("turn"), one.stop()))
    end = one._end
    monkeypatch.setattr(one, "_end", lambda: (done.append("end"), end()))
    try:
        one.run()
    finally:
        sys.setswitchinterval(before_s)
        gc.set_threshold(*thresholds)
        gc.unfreeze()
        one.inbox.client._reset_sockets()
    assert done == ["gathers", "turn", "rings", "end"]


@pytest.mark.parametrize(("waits", "looks"), [(0, 1), (3, 4), (1000, 40)])
def test_the_network_thread_is_waited_for_two_milliseconds_at_most(
    shell: Shell, monkeypatch: pytest.MonkeyPatch, waits: int, looks: int
) -> None:
    """A broker that takes nothing holds nobody up."""
    asked: list[float] = []
    slept: list[float] = []
    out: list[str] = []
    monkeypatch.setattr(shell.controller.inbox.client, "let_out", lambda: out.append("out"))
    monkeypatch.setattr(shell.controller.inbox.client, "want_write", lambda: asked.append(0) or len(asked) <= waits)
    monkeypatch.setattr("controller.wire.relays.time.sleep", slept.append)
    shell.controller.relays.let_out()
    assert out == ["out"], "what was gathered is on its way first"
    assert len(asked) == looks
    assert sum(slept) <= 0.002 + 1e-9


def test_the_last_hour_of_heat_is_known_after_a_restart(tmp_path: Path) -> None:
    """Of a run of 20 s that ended 10 min ago, and of one that ended before the hour."""
    with closing(open_writer(tmp_path / "readings.db", READINGS)) as record:
        for ended_min in (90, 10):
            end_ms = NIGHT_MS - ended_min * 60_000
            runs.begin(record, "larch", end_ms - 20_000)
            runs.finish(record, "larch", end_ms, "a test")
    controller = Shell(tmp_path).controller
    assert controller.keepers["larch"].heater.on_last_hour_s(NIGHT_MS) == 20.0
    controller._end()


def test_old_readings_wait_for_company_and_a_full_window_or_a_hot_one_for_nobody(
    shell: Shell, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A node that catches up costs a step a second, or one whenever 250 of its readings wait."""
    one, steps = shell.controller, list[int]()
    stepped = one._decide
    monkeypatch.setattr(
        one, "_decide", lambda keeper, now: (steps.append(len(keeper.readings)), stepped(keeper, now))[1]
    )

    acknowledged: list[object] = []
    put = one.writer.put_receipt
    monkeypatch.setattr(one.writer, "put_receipt", lambda told, done: (acknowledged.append(told), put(told, done))[1])

    def say(many: int, value: float = 15.0) -> None:
        now = shell.clock.now()
        for number in range(many):
            payload = encode_senml("larch", "soil", "Cel", [(now.utc_ms - 7_200_000 + 1000 * number, value)])
            one.inbox.messages.put(Message("soilward/larch/probe/soil", payload, False, now, 7, 1, 1))
        one._turn()

    shell.turn(1)
    steps.clear()
    say(3)
    assert (steps, acknowledged.count(None)) == ([], 0)
    shell.turn(1)
    assert (steps, acknowledged.count(None)) == ([3], 3)
    say(1, 75.0)
    assert steps == [3, 1]
    say(249)
    assert steps == [3, 1]
    say(1)
    assert steps == [3, 1, 250]


def test_where_a_quarter_of_the_window_is_held_the_first_is_stepped(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A thousand messages of many enclosures wait for their ticks: one more, and they wait no longer."""
    clock = ManualClock(Moment(1000.0, NIGHT_MS))
    one, stepped = three(tmp_path, clock), list[str]()
    monkeypatch.setattr(one, "_step", lambda keepers, _now: stepped.extend(each.plan.name for each in keepers))
    for _ in range(4):
        one._turn()
    stepped.clear()
    for number in range(999):
        one._held.add(Message("", b"", False, clock.now(), number, 1, 1), frozenset(("elder",)))
    found = []
    for number in (1000, 1001):
        one.inbox.messages.put(Message("nobody's", b"", False, clock.now(), number, 1, 1))
        one._turn()
        found.append([*stepped])
    monkeypatch.undo()
    one._end()
    assert found == [[], ["elder"]]


@pytest.mark.parametrize(
    ("before", "report", "at_once"),
    [
        (False, {}, False),
        (False, {"amps": 0.0}, False),
        (False, {"on": True}, True),
        (False, {"amps": 0.5}, True),
        (False, {"health": Health(faults=("current-when-open",))}, True),
        (True, {}, True),
        (None, {}, True),
    ],
)
def test_a_report_that_all_is_open_as_it_was_waits_for_the_tick(
    shell: Shell, monkeypatch: pytest.MonkeyPatch, before: bool | None, report: dict[str, Any], at_once: bool
) -> None:
    """Each node tells every 5 s that nothing happens: one tick in six was for those."""
    one, now = shell.controller, shell.clock.now()
    if before is not None:
        shell.hear_node(before, None)
    shell.turn(2)
    stepped: list[object] = []
    monkeypatch.setattr(one, "_step", lambda keepers, _now: stepped.extend(keepers))
    told = {"on": False, "armed": True, "epoch": one.memory.epoch, "seq": 1, "lease_left_s": 0.0, "amps": None}
    payload = encode_report(**{**told, "drops": 0, "uptime_s": now.mono_s + 5.0, **report})
    one.inbox.messages.put(Message("soilward/larch/heater/state", payload, False, shell.clock.now(), 0, 0, 1))
    one._turn()
    monkeypatch.undo()
    assert len(stepped) == at_once


@pytest.mark.parametrize(("closed", "after_each"), [(True, [1, 2, 3]), (None, [1, 2, 3]), (False, [0, 1, 1])])
def test_what_can_open_no_contact_waits_for_the_next_tick(
    shell: Shell, monkeypatch: pytest.MonkeyPatch, closed: bool | None, after_each: list[int]
) -> None:
    """A cold reading, a hot one, a cold one: all at once where heat may be on, only the hot one where none is."""
    one, steps = shell.controller, list[int]()
    if closed is not None:
        shell.hear_node(closed, None)
    shell.turn(1)
    stepped = one._decide
    monkeypatch.setattr(
        one, "_decide", lambda keeper, now: (steps.append(len(keeper.readings)), stepped(keeper, now))[1]
    )
    found = []
    for number, value in enumerate((15.0, 75.0, 15.0)):
        now = shell.clock.now()
        payload = encode_senml("larch", "soil", "Cel", [(now.utc_ms + number, value)])
        one.inbox.messages.put(Message("soilward/larch/probe/soil", payload, False, now, 7, 1, 1))
        one._turn()
        found.append(len(steps))
    assert found == after_each
    shell.turn(1)
    assert sum(steps) == 3


def test_a_count_of_closings_is_saved_within_a_minute_and_at_the_end_all_else_at_once(tmp_path: Path) -> None:
    """A thousand beds close three times a second; what a crash costs is a closing or two of a hundred thousand."""
    shell = Shell(tmp_path)

    def closings() -> int:
        return from_text((tmp_path / "standing.json").read_text()).enclosures["larch"].closings

    def cycle() -> None:
        for on in (True, False):
            shell.hear_node(on, 2.0)
            shell.turn(1)

    shell.turn(1)
    cycle()
    cycle()
    assert (shell.controller.keepers["larch"].state.standing.closings, closings()) == (2, 0)
    shell.turn(60)
    assert closings() == 2
    cycle()
    with closing(open_writer(tmp_path / "requests.db", REQUESTS)) as connection:
        requests.file(connection, NIGHT_MS, "larch", "disarm", {}, "keeper", "a test")
    shell.turn(2)
    assert closings() == 3
    cycle()
    shell.controller._end()
    assert closings() == 4


_PLAIN = {
    "kind": "soil-cable", "rated_w": 450.0, "depth_m": 0.14, "relay": "plain", "plain_topic": "shed/relay",
    "independent_cut_off": "frost thermostat",
}  # fmt: skip


def test_a_plain_relays_closings_are_those_on_record_and_none_has_gone_back(tmp_path: Path) -> None:
    """D07 K07: a probe tells of its runs and nobody counts beside the record: at each start it was told that a count
    had gone back."""
    with closing(open_writer(tmp_path / "readings.db", READINGS)) as record:
        for number in range(20):
            runs.begin(record, "larch", NIGHT_MS - 3_600_000 + 60_000 * number)
            runs.finish(record, "larch", NIGHT_MS - 3_570_000 + 60_000 * number, "a test")
    shell = Shell(tmp_path, heater=_PLAIN)
    shell.turn(2)
    assert "counter" not in alerts_of(shell)
    assert shell.controller.keepers["larch"].state.standing.closings == 20
    shell.controller._end()


def test_a_plain_relays_thread_that_a_fault_has_ended_ends_the_controller(tmp_path: Path) -> None:
    """C11: its connection, once lost, would never come back, and no word of ours reach it, nor any tell of that."""
    shell = Shell(tmp_path, heater=_PLAIN)
    shell.turn(2)
    shell.controller.relays._plain["larch"].has_died = True
    with pytest.raises(BrokerError, match="a thread of the network ended by a fault"):
        shell.turn(1)
    shell.controller._end()


def test_a_contact_found_closed_behind_a_silence_has_closed_anew(tmp_path: Path) -> None:
    """D07: on record it is another run; on a poor link the count of closings was told to have gone back."""
    shell = Shell(tmp_path)
    shell.turn(1)
    for _ in range(8):
        shell.hear_node(True, 2.0)
        shell.turn(5)
        shell.hear_node(True, 2.0)
        shell.turn(20)
    assert shell.rows("SELECT count(*) FROM heater_run") == [(8,)]
    assert shell.controller.keepers["larch"].state.standing.closings == 8
    shell.controller._end()


def test_what_found_no_room_is_not_acknowledged_and_the_rest_is(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    """A full line for the disk: the broker keeps the message, and is asked for it again."""
    one = shell.controller
    queued: list[Receipt] = []
    now = shell.clock.now()
    monkeypatch.setattr(one.writer, "put_reading", lambda row: row.taken_ms == now.utc_ms)
    monkeypatch.setattr(one.writer, "put_receipt", lambda told, _done: not queued.append(told))
    payload = encode_senml("larch", "soil", "Cel", [(now.utc_ms - 10_000, 15.0), (now.utc_ms, 15.0)])
    one.inbox.messages.put(Message("soilward/larch/probe/soil", payload, False, now, 7, 1, 1))
    one.inbox.messages.put(Message("soilward/larch/probe/soil", b"nothing", False, now, 8, 1, 1))
    shell.turn(1)
    assert one.inbox.dropped == 1
    assert [told.number for told in queued] == [8]


def test_an_entry_that_finds_no_room_has_no_reading_told_again(shell: Shell) -> None:
    """The journal has failed for hours and its line is full, the record is sound: the reading is kept, and a bare
    number that is told again is another one."""
    one = shell.controller
    shell.turn(1)
    while one.writer.put_journal(Entry("alert", "larch", "a test", "", {}, NIGHT_MS)):
        pass
    one.inbox.messages.put(Message("soilward/larch/probe/soil", b"46.0", False, shell.clock.now(), 7, 1, 1))
    shell.turn(1)
    assert one.keepers["larch"].state.standing.trips
    assert one.inbox.dropped == 0


@pytest.mark.parametrize(("readings", "crowded", "waits"), [(99, True, 0), (100, True, 1), (100, False, 0)])
def test_a_backlog_lets_the_writer_make_room(
    shell: Shell, monkeypatch: pytest.MonkeyPatch, readings: int, crowded: bool, waits: int
) -> None:
    """Of a station that a thousand enclosures share 300 readings for each came in one message, found no room, and were
    told again every half minute, each time with a new session and no heat."""
    one, slept = shell.controller, list[float]()
    monkeypatch.setattr(Writer, "is_crowded", property(lambda _: crowded))
    monkeypatch.setattr("controller.service.time.sleep", slept.append)
    shell.turn(1)
    now = shell.clock.now()
    told = [(now.utc_ms - 10_000 * number, 15.0) for number in range(readings)]
    payload = encode_senml("larch", "soil", "Cel", told)
    one.inbox.messages.put(Message("soilward/larch/probe/soil", payload, False, now, 7, 1, 1))
    shell.turn(2)
    assert slept == [ROOM_MADE_S] * waits


def test_an_acknowledgement_that_finds_no_room_gives_its_message_up(
    shell: Shell, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its rows are in line and it is not: unless it is told again as new, nothing would ever acknowledge it."""
    one = shell.controller
    monkeypatch.setattr(one.writer, "put_receipt", lambda *_: False)
    now = shell.clock.now()
    payload = encode_senml("larch", "soil", "Cel", [(now.utc_ms, 15.0)])
    one.inbox.messages.put(Message("soilward/larch/probe/soil", payload, False, now, 7, 1, 1))
    shell.turn(1)
    assert one.inbox.dropped == 1


def three(folder: Path, clock: ManualClock) -> Controller:
    """Return a controller of three enclosures."""
    settings = settings_of()
    larch = settings.enclosure[0]
    beds = tuple(larch.model_copy(update={"name": name}) for name in ("larch", "elder", "alder"))
    parts = {"store": Store(folder=folder), "broker": Broker(kind="external"), "enclosure": beds}
    return Controller(settings.model_copy(update=parts), clock)


def say_in(one: Controller, name: str, value: float, now: Moment) -> None:
    """Queue what a soil probe of an enclosure says."""
    payload = encode_senml(name, "soil", "Cel", [(now.utc_ms, value)])
    one.inbox.messages.put(Message(f"soilward/{name}/probe/soil", payload, False, now, 7, 1, 1))


def test_a_reading_over_its_limit_gives_its_enclosure_the_next_turn(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two enclosures have news, the hot one's came last: it is stepped first."""
    clock = ManualClock(Moment(1000.0, NIGHT_MS))
    one = three(tmp_path, clock)
    stepped: list[str] = []
    monkeypatch.setattr(one, "_step", lambda keepers, _now: stepped.extend(each.plan.name for each in keepers))
    for name, value in (("larch", 15.0), ("elder", 15.0), ("alder", 75.0)):
        say_in(one, name, value, clock.now())
    for _ in range(3):
        one._turn()
    monkeypatch.undo()
    one._end()
    assert stepped == ["alder", "larch", "elder"]


def test_where_many_are_hot_every_opening_is_out_before_one_saving_of_all_their_latches(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A site that locks off all at once: nobody's contact waits for the disk to take the others' trips."""
    clock = ManualClock(Moment(1000.0, NIGHT_MS))
    one, done = three(tmp_path, clock), list[str]()
    save, put = one.memory.save, one._record.put
    monkeypatch.setattr(one.relays, "send", lambda name, order, _now: done.append(f"{name} {order.on}"))
    monkeypatch.setattr(one.memory, "save", lambda standings: (done.append("saved"), save(standings)))
    monkeypatch.setattr(one._record, "put", lambda *told: (done.append("recorded"), put(*told))[1])
    monkeypatch.setattr(type(one.inbox), "link_now", LinkNow(True, 0.0))
    for name in one.keepers:
        say_in(one, name, 75.0, clock.now())
    one._turn()
    kept = from_text((tmp_path / "standing.json").read_text()).enclosures
    monkeypatch.undo()
    one._end()
    assert done == ["larch False", "elder False", "alder False", "saved", *["recorded"] * 3]
    assert [[trip.kind for trip in each.trips] for each in kept.values()] == [[TripKind.SOIL_OVER]] * 3


def test_what_the_last_proof_test_measured_holds_from_the_next_start_on(tmp_path: Path) -> None:
    """The window of hazard P14 is twice the measured lag."""
    with closing(open_writer(tmp_path / "journal.db", JOURNAL)) as connection:
        journal.append(connection, [account(NIGHT_MS, 3300.0)])
    controller = Shell(tmp_path, heater=CABLE).controller
    assert controller.keepers["larch"].plan.expected.window_s == pytest.approx(6600.0)
    controller._end()


FOUND_AT_START = {"start", "counter", "still-latched"}


def test_a_start_is_entered_in_the_journal_with_what_it_finds(tmp_path: Path) -> None:
    """The epoch, what is latched still, and a count of closings that had gone back."""
    before = Shell(tmp_path)
    before.turn(1)
    with closing(open_writer(tmp_path / "requests.db", REQUESTS)) as connection:
        requests.file(connection, NIGHT_MS, "larch", "stop", {}, "keeper", "a test")
    before.turn(2)
    before.controller._end()
    with closing(open_writer(tmp_path / "readings.db", READINGS)) as record:
        for number in range(6):
            runs.begin(record, "larch", NIGHT_MS + number)
            runs.finish(record, "larch", NIGHT_MS + number, "order")
    Shell(tmp_path).controller._end()
    with closing(open_reader(tmp_path / "journal.db")) as connection:
        found = [each for each in journal.after(connection, 0, 99) if each.kind in FOUND_AT_START]
    first, started, counter, latched = found
    assert [
        (each.kind, each.enclosure, each.who, each.body["epoch"]) for each in (first, started, counter, latched)
    ] == [
        ("start", None, "soilward", 1),
        ("start", None, "soilward", 2),
        ("counter", "larch", "soilward", 2),
        ("still-latched", "larch", "soilward", 2),
    ]
    assert (started.why, latched.why) == ("controller started, epoch 2", "stopped by keeper")
    assert "the 6 runs on record" in counter.why


def hear_another(shell: Shell, epoch: int, *, on: bool = True, lease_left_s: float = 10.0) -> None:
    """Queue a report of the node that it has obeyed another controller."""
    now, health = shell.clock.now(), Health(by="second")
    payload = encode_report(on, on, epoch, 1, lease_left_s, None, 0, now.mono_s, health)
    shell.controller.inbox.messages.put(Message("soilward/larch/heater/state", payload, False, now, 0, 0, 1))


def give_way(shell: Shell) -> None:
    """Overtake another controller, and be overtaken in turn."""
    for _ in range(2):
        hear_another(shell, shell.controller.memory.epoch + 1)
        shell.turn(1)
    assert shell.controller._nodes.is_anothers("larch")


def test_c04_what_another_controller_heats_is_not_warm_unasked(tmp_path: Path) -> None:
    """It latched at whoever had given way, within an hour of dark, and its trip opened the other's contact for good."""
    shell = Shell(tmp_path, heater={**FAN, "rated_w": 600.0}, probe=[SOIL, AIR, OUTSIDE])
    give_way(shell)
    for _ in range(80):
        now = shell.clock.now()
        for name, value in (("soil", 10.0), ("air", 25.0), ("outside", 0.0)):
            payload = encode_senml("larch", name, "Cel", [(now.utc_ms, value)])
            shell.controller.inbox.messages.put(Message(f"soilward/larch/probe/{name}", payload, False, now, 0, 0, 1))
        hear_another(shell, shell.controller.memory.epoch + 1)
        shell.turn(60)
        shell.controller.writer.turn()
    assert shell.controller.keepers["larch"].state.standing.trips == ()
    shell.controller._end()


def test_c04_whoever_gave_way_tells_at_once_that_heat_is_to_end_and_renews_nothing(
    shell: Shell, monkeypatch: pytest.MonkeyPatch
) -> None:
    """C04 A08: the order was "off" before, so nothing of it had changed: a stop waited up to 5 s for a renewal, and of
    a disarming nothing went out unless a renewal fell on that very tick."""
    monkeypatch.setattr(Inbox, "link_now", property(lambda _: LinkNow(True, 0.0)))
    give_way(shell)
    _ask(shell, "arm", {})
    for _ in range(20):
        shell.turn(20)
        shell.controller.writer.turn()
    sent: list[Order] = []
    monkeypatch.setattr(shell.controller.relays, "send", lambda _name, order, _now: sent.append(order))
    shell.turn(20)
    assert sent == []
    asked: list[tuple[requests.Kind, dict[str, Any], int]]
    asked = [("disarm", {}, 1), ("arm", {}, 0), ("at-work", {"minutes": 9}, 1), ("stop", {}, 1)]
    for kind, arguments, told in asked:
        sent.clear()
        _ask(shell, kind, arguments)
        shell.turn(2)
        assert [each.on for each in sent] == [False] * told, kind


def _ask(shell: Shell, kind: requests.Kind, arguments: dict[str, Any]) -> None:
    with closing(open_writer(shell.folder / "requests.db", REQUESTS)) as connection:
        requests.file(connection, shell.clock.now().utc_ms, "larch", kind, arguments, "keeper", "a test")


@pytest.mark.parametrize(("lease_left_s", "is_told"), [(0.0, False), (0.1, True)])
def test_c04_an_enclosure_that_another_controller_has_left_is_taken_over_without_an_alert(
    shell: Shell, lease_left_s: float, is_told: bool
) -> None:
    """Of enclosures that were given to a controller of their own it was told to stop one of the two."""
    hear_another(shell, 40, on=is_told, lease_left_s=lease_left_s)
    shell.turn(2)
    assert shell.controller.memory.epoch == 41
    assert ("second-controller" in alerts_of(shell)) is is_told


@pytest.mark.parametrize("by_another", [False, True])
def test_a_folder_older_than_what_its_node_has_obeyed_is_told_as_put_back(shell: Shell, by_another: bool) -> None:
    """Trips that latched after the backup are not in it, and only the node shows that there was an after."""
    if by_another:
        hear_another(shell, 40)
    else:
        now = shell.clock.now()
        payload = encode_report(False, False, 40, 1, 0.0, None, 0, now.mono_s, Health(by="controller"))
        shell.controller.inbox.messages.put(Message("soilward/larch/heater/state", payload, False, now, 0, 0, 1))
    shell.turn(2)
    assert ("put-back" in alerts_of(shell)) is not by_another


def test_a_folder_that_was_put_back_is_told_of_every_enclosure(tmp_path: Path) -> None:
    """It has forgotten the trips of each; of all but the first to report none was told, for ours had risen by then."""
    clock = ManualClock(Moment(1000.0, NIGHT_MS))
    one = three(tmp_path, clock)
    for name in ("larch", "elder"):
        payload = encode_report(False, False, 40, 1, 0.0, None, 0, 1000.0, Health(by="controller"))
        one.inbox.messages.put(Message(f"soilward/{name}/heater/state", payload, False, clock.now(), 0, 0, 1))
    for _ in range(3):
        clock.sleep(1.0)
        one._turn()
    one._end()
    told = [name for name, each in one.keepers.items() if "put-back" in {alert.name for alert in each.state.alerts}]
    assert told == ["larch", "elder", "alder"]


def test_c04_whoever_takes_an_obeying_node_from_us_is_told(shell: Shell) -> None:
    """Its "off" leaves no lease either."""
    shell.hear_node(False, None)
    shell.turn(1)
    hear_another(shell, 40, on=False, lease_left_s=0.0)
    shell.turn(2)
    assert "second-controller" in alerts_of(shell)


def test_thousands_share_what_is_told_of_readings_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One where a quarter of a status a second is the most: 4 s apart; with the real figure as every small site."""
    usual = Shell(tmp_path / "usual").controller
    monkeypatch.setattr("controller.keepers.MOST_A_SECOND", 0.25)
    many = Shell(tmp_path / "many").controller
    try:
        assert [one.keepers["larch"].apart_s for one in (usual, many)] == [0.9, 4.0]
    finally:
        usual._end()
        many._end()
