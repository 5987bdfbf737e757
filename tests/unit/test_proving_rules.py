"""When a step of a proof test has passed, and when a whole test counts."""

from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from controller.clock import Clock, ManualClock, Moment
from controller.errors import StoreError
from controller.memory import Memory
from controller.proving import criteria
from controller.proving.account import Account, Outcome, Result, entry_of, figure_of, from_entry
from controller.proving.bench import Patience
from controller.proving.command import CLIENT
from controller.proving.record import Record
from controller.proving.sequence import NAMES, STEPS
from controller.proving.stand import IDENTITY, Stand
from controller.proving.warmth import expected_of, nearest_soil
from controller.requests import answer
from controller.safety import limits
from controller.settings import Broker
from controller.standing import Standing
from controller.store import journal
from controller.store.connection import open_reader, open_writer
from controller.store.migrations import JOURNAL
from controller.store.requests import Request
from controller.store.writer import Writer
from controller.wire.inbox import Message
from controller.wire.relay import Health, encode_report
from tests.core_site import NIGHT_MS, plan_of, settings_of
from tests.unit.pages_site import SETTINGS

LEASE_S = 15.0
DAY_MS = 86_400_000


def account(*results: Result, aborted: bool = False, new_relay: bool = False) -> Account:
    """Return a test with these results, in the order of the steps."""
    outcomes = tuple(
        Outcome(step.name, step.title, step.bound, result, "as found", {"lag_s": 600.0})
        for step, result in zip(STEPS, results, strict=False)
    )
    return Account("larch", "keeper", "new cable", 1_772_338_322_000, 3600.0, new_relay, aborted, outcomes)


WHOLE = (Result.PASSED,) * len(NAMES)


@pytest.mark.parametrize(
    ("on_a", "off_a", "passed"),
    [
        (1.59, 0.0, False),
        (1.6, 0.0, True),
        (2.2, 0.0, True),
        (2.21, 0.0, False),
        (2.0, 0.09, True),
        (2.0, 0.1, False),
        (float("nan"), 0.0, False),
        (2.0, float("nan"), False),
    ],
)
def test_current_is_right_from_80_to_110_percent_and_below_a_tenth_when_off(
    on_a: float, off_a: float, passed: bool
) -> None:
    """Of a rated 2 A; a meter that was misread as no number at all passes nothing."""
    assert criteria.current(on_a, off_a, 2.0).passed is passed


@pytest.mark.parametrize(("longest_s", "passed"), [(16.99, True), (17.0, True), (17.01, False)])
def test_no_lease_may_outlast_its_bound(longest_s: float, passed: bool) -> None:
    """The longest of ten counts, not their mean."""
    assert criteria.leases([14.8] * 9 + [longest_s], LEASE_S, 10).passed is passed


@pytest.mark.parametrize(("times", "passed"), [(9, False), (10, True)])
def test_a_lease_is_measured_ten_times(times: int, passed: bool) -> None:
    """Nine are not enough, and ten is what the command asks for."""
    assert Patience().leases == 10
    assert criteria.leases([14.8] * times, LEASE_S, criteria.LEASE_TIMES).passed is passed


@pytest.mark.parametrize(
    ("closed_s", "opened_s", "passed"), [(5.0, 2.0, True), (5.01, 2.0, False), (5.0, 2.01, False), (4.9, 1.9, True)]
)
def test_a_contact_follows_within_its_times(closed_s: float, opened_s: float, passed: bool) -> None:
    """Five seconds to close, two to open."""
    assert criteria.contact(closed_s, opened_s).passed is passed


@pytest.mark.parametrize(("open_s", "passed"), [(17.0, True), (17.01, False)])
def test_a_killed_controller_leaves_heat_no_longer_than_a_lease(open_s: float, passed: bool) -> None:
    """And two seconds."""
    assert criteria.after_kill(open_s, LEASE_S).passed is passed


@pytest.mark.parametrize(("opened_s", "off_a", "passed"), [(2.0, 0.09, True), (2.01, 0.0, False), (0.4, 0.1, False)])
def test_a_limit_opens_the_contact_at_once(opened_s: float, off_a: float, passed: bool) -> None:
    """Two seconds from the first reading over, and nothing flows."""
    assert criteria.over_limit(opened_s, off_a, 21.0, 21.6).passed is passed


@pytest.mark.parametrize(("lag_s", "told"), [(1200.0, False), (1200.1, True)])
def test_a_far_later_answer_than_last_time_is_told_and_passes(lag_s: float, told: bool) -> None:
    """P23: twice as late makes people look where the probe lies."""
    finding = criteria.answered("soil-10", 0.31, lag_s, 600.0)
    assert finding.passed
    assert ("Look whether the probe" in finding.said) is told


def test_of_a_cable_the_probe_nearest_in_depth_answers_and_the_neighbours_soil_must_not() -> None:
    """C10: the deeper probe and the other enclosure's soil are rivals; air is not compared with soil."""
    larch, _ = SETTINGS.enclosure
    expected = expected_of(SETTINGS, larch, 1800.0)
    assert nearest_soil(larch).name == "soil-10"
    assert expected.answering == (("larch", "soil-10"),)
    assert set(expected.rivals) == {("larch", "soil-25"), ("southwall", "soil-8")}
    assert expected.within_s == 1800.0


@pytest.mark.parametrize(
    ("results", "aborted", "whole"),
    [
        (WHOLE, False, Result.PASSED),
        (WHOLE, True, Result.ABORTED),
        ((*WHOLE[:-1], Result.SKIPPED), False, Result.INCOMPLETE),
        ((*WHOLE[:-1], Result.NOT_REACHED), False, Result.INCOMPLETE),
        ((*WHOLE[:-1], Result.FAILED), False, Result.FAILED),
        ((), False, Result.INCOMPLETE),
    ],
)
def test_a_test_has_passed_only_if_every_step_has(
    tmp_path: Path, results: tuple[Result, ...], aborted: bool, whole: Result
) -> None:
    """O07: only then is its date kept and a new relay counted from here; the entry is journalled in any case."""
    memory = Memory(tmp_path, ("larch",), 0)
    memory.save({"larch": Standing(armed=True, closings=500, proved_ms=5)})
    clock = Clock()
    writer = Writer(tmp_path, clock)
    record = Record(Memory(tmp_path, ("larch",), 0), writer, "larch")
    writer.start()
    done = account(*results, aborted=aborted, new_relay=True)
    record.finish(done)
    assert done.result is whole
    kept = Memory(tmp_path, ("larch",), 0).recalled["larch"]
    passed = whole is Result.PASSED
    assert (kept.proved_ms, kept.relay_closings) == (done.at_ms if passed else 5, 0 if passed else 500)
    assert not kept.armed
    with closing(open_reader(tmp_path / "journal.db")) as connection:
        (entry,) = journal.read(connection, "larch", "proof-test")
    assert entry.body["result"] == whole


def test_an_account_reads_back_from_the_journal_as_it_was(tmp_path: Path) -> None:
    """Every word and figure; an entry that some other program wrote is none."""
    told = account(*WHOLE[:-1], Result.FAILED)
    with closing(open_writer(tmp_path / "journal.db", JOURNAL)) as connection:
        journal.append(connection, [entry_of(told, 7)])
        (entry,) = journal.read(connection, "larch")
    assert from_entry(entry) == told
    assert figure_of(from_entry(entry), "heat-pulse", "lag_s") == 600.0
    assert from_entry(replace(entry, body={"result": "passed"})) is None


def test_settings_cannot_put_a_proof_test_off_beyond_400_days() -> None:
    """O07: settings may ask for it sooner, never later."""
    assert limits.PROOF_EVERY_DAYS == 400
    wished = SETTINGS.model_dump(by_alias=True)
    for days, allowed in ((400.0, True), (400.5, False), (1.0, True), (0.5, False)):
        wished["enclosure"][0]["limits"]["proof_every_days"] = days
        if allowed:
            type(SETTINGS).model_validate(wished)
        else:
            with pytest.raises(ValueError, match="proof_every_days"):
                type(SETTINGS).model_validate(wished)


@pytest.mark.parametrize(
    ("since_ms", "arms"),
    [(413 * DAY_MS, True), (414 * DAY_MS, True), (414 * DAY_MS + 1, False), (500 * DAY_MS, False), (None, True)],
)
def test_an_overdue_proof_test_refuses_arming_and_names_the_command(since_ms: int | None, arms: bool) -> None:
    """O07: 400 days and 14 of grace, to the millisecond; where none was ever recorded, arming stays possible."""
    standing = Standing(proved_ms=None if since_ms is None else NIGHT_MS - since_ms)
    asked = Request(7, NIGHT_MS, "larch", "arm", {}, "Ada", "cold night")
    answered = answer(plan_of(), standing, asked, {}, Moment(500.0, NIGHT_MS))
    assert answered.standing.armed is arms
    detail = str(answered.entries[0].body["detail"])
    assert ("run `soilward proof-test larch` first" in detail) is not arms


def test_a_record_whose_writer_has_died_ends_heat_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A full disk may have room again within a minute (D01); a thread that ended writes nothing any more (C11)."""
    writer, clock = Writer(tmp_path, Clock()), Clock()
    record = Record(Memory(tmp_path, ("larch",), NIGHT_MS), writer, "larch")
    assert record.kept.is_possible(clock.now())

    def fail() -> None:
        raise RuntimeError("a fault of our own")

    monkeypatch.setattr(writer, "turn", fail)
    writer.start()
    assert writer.close() == 0
    assert not record.kept.is_possible(clock.now())


def test_a_date_that_cannot_be_kept_is_told(tmp_path: Path) -> None:
    """The account took the disk's last room: who walked for hours must not learn in a year that it did not count."""
    record = Record(Memory(tmp_path, ("larch",), NIGHT_MS), Writer(tmp_path, Clock()), "larch")
    (tmp_path / "standing.json").unlink()
    (tmp_path / "standing.json").mkdir()
    with pytest.raises(StoreError, match="the date of the passed proof test cannot be kept; free the disk"):
        record.finish(account(*WHOLE))


@pytest.mark.parametrize(("by", "is_ours"), [(IDENTITY, True), ("", True), ("controller", False)])
def test_c04_a_contact_that_another_controller_of_our_epoch_holds_is_not_taken_for_ours(by: str, is_ours: bool) -> None:
    """What it closes and opens would pass for what this test ordered; a later epoch ends that, or nothing is heard."""
    settings = settings_of().model_copy(update={"broker": Broker(kind="external")})
    stand = Stand(settings, "larch", ManualClock(Moment(1000.0, NIGHT_MS)), Standing(), 7, CLIENT)
    payload = encode_report(True, True, 7, 1, 10.0, 2.0, 0, 60.0, Health(by=by))
    now = stand.clock.now()
    stand.inbox.messages.put(Message("soilward/larch/heater/state", payload, False, now, 0, 0, 1))
    stand.turn(0.0)
    assert (stand.is_closed, stand.epoch) == ((True, 7) if is_ours else (False, 8))
