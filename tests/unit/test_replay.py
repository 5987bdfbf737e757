"""Replay: a recorded life gives the same decisions again; what is not on record is taken as it was, and said."""

import json
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing
from dataclasses import replace
from math import sin
from pathlib import Path

import pytest

from controller import beginning
from controller.clock import Moment
from controller.control.foresight import Foresight
from controller.demo import history, scenario
from controller.enclosure_settings import Enclosure
from controller.errors import SoilwardError
from controller.foreseen import plan_at
from controller.heater_log import HeaterLog
from controller.keeper import stored
from controller.order_log import OrderLog
from controller.plan import Plan
from controller.proving import commissioned
from controller.proving.commissioned import Answer, judged_by
from controller.replay.command import asked_of, replay
from controller.replay.compare import Comparison, compare
from controller.replay.decided import Decided, Rerun
from controller.replay.record import sessions
from controller.replay.rerun import rerun
from controller.standing import Standing
from controller.store import journal, keeping, runs
from controller.store.connection import open_writer
from controller.store.journal import JSON, Entry
from controller.store.migrations import JOURNAL, READINGS
from tests.core_site import NIGHT_MS, Bed, plan_of, settings_of
from tests.kept import alter_values
from tests.unit.test_commissioned import account

pytestmark = pytest.mark.xdist_group("replay")

ARMED = Standing(armed=True, override_c=20.0)
FOREVER = 253_402_300_799_999


def bed(**parts: object) -> Bed:
    """Return a bed that heats by one soil probe."""
    return Bed(plan_of(), {"soil": 10.0, "air": 10.0}, **parts)  # type: ignore[arg-type]


class Recorder:
    """What the shell would keep of a bed's life."""

    def __init__(self, folder: Path, lived: Bed) -> None:
        self.readings = open_writer(folder / "readings.db", READINGS)
        self.journal = open_writer(folder / "journal.db", JOURNAL)
        for each in (self.readings, self.journal):
            each.execute("PRAGMA synchronous = OFF")
        self._bed, self._orders = lived, OrderLog("larch")
        self._heater = HeaterLog("larch", lived.plan.rated_w, lived.plan.volts)
        began = beginning.body_of(settings_of(), {"larch": lived.standing})
        journal.append(self.journal, [Entry("start", None, "soilward", "started", began, lived.begins_ms)])

    def live(self, seconds: int) -> None:
        """Tick each second, and keep what came of it."""
        for _ in range(seconds):
            self.tick()

    def tick(self, act: Callable[[], object] | None = None) -> None:
        """Tick once (or `act`, which ticks once), and keep what came of it."""
        because, judged, entries = self._bed.state.why_open, len(self._bed.judged), len(self._bed.entries)
        (act or self._bed.tick)()
        inputs, now = self._bed.inputs[-1]
        events = [event for report in inputs.reports for event in self._heater.take(report, because)]
        events += self._heater.lapse(now.mono_s)
        for event in [*events, *self._orders.take(self._bed.state, now)]:
            runs.apply(self.readings, event)
        kept = [stored(self._bed.plan, each, how.grade, how.taken_ms) for each, how in self._bed.judged[judged:]]
        if rows := [row for row in kept if row is not None]:
            keeping.add(self.readings, rows)
        journal.append(self.journal, self._bed.entries[entries:])

    def close(self) -> None:
        """Let go of both files."""
        self.readings.close()
        self.journal.close()

    def replayed(self) -> tuple[Rerun, Comparison]:
        """Replay the whole of it."""
        (session,) = sessions(self.journal, self.readings)
        assert session.began is not None
        found = rerun(self.journal, self.readings, self._bed.plan, session.began.standing["larch"], session, FOREVER)
        return found, compare(found.recorded, found.replayed, found.reasons, 0, session.end_ms, 5000)


@pytest.fixture
def recorder(tmp_path: Path) -> Iterator[Callable[[Bed], Recorder]]:
    """Keep lives in the test's folder, until its end."""
    with ExitStack() as stack:
        yield lambda lived: stack.enter_context(closing(Recorder(tmp_path, lived)))


def agrees(kept: Recorder) -> list[str]:
    """Return the recorded decisions, all of which the replay takes too."""
    found, result = kept.replayed()
    assert result.differences == ()
    assert result.agreed == result.recorded
    assert found.graded_alike == found.readings
    return [each.what for each in found.recorded]


def test_arming_heat_a_trip_and_a_refused_reset_are_decided_again(recorder: Callable[[Bed], Recorder]) -> None:
    """A person's requests are inputs, the decisions they lead to are not."""
    lived = bed(standing=Standing(override_c=20.0))
    kept = recorder(lived)
    kept.live(60)
    kept.tick(lambda: lived.ask("arm"))
    kept.live(120)
    lived.says["soil"] = 46.0
    kept.live(30)
    kept.tick(lambda: lived.ask("reset", trip="soil-over:soil"))
    kept.live(20)
    assert agrees(kept) == [
        "heat off, not armed", "heat on", "request 1 (arm) done", "heat off, not armed", "trip soil-over:soil",
        "request 2 (reset) refused",
    ]  # fmt: skip


def test_a_broker_that_was_away_is_away_in_the_replay(recorder: Callable[[Bed], Recorder]) -> None:
    """Readings of the absence came late in life, or never; heat waits for new ones in both."""
    lived = bed(standing=ARMED)
    kept = recorder(lived)
    kept.live(95)
    lived.connected, said, lived.says = False, lived.says, {}
    kept.live(30)
    lived.connected, lived.says, lived.resumed_s = True, said, lived.now.mono_s
    kept.live(60)
    assert agrees(kept).count("heat on") == 2


def test_a_node_that_was_silent_is_silent_in_the_replay(recorder: Callable[[Bed], Recorder]) -> None:
    """No reading tells of it, so it is taken from the record: off while it was silent, on after."""
    lived = bed(standing=ARMED)
    kept = recorder(lived)
    kept.live(95)
    lived.node_speaks = False
    kept.live(40)
    lived.node_speaks = True
    kept.live(60)
    assert agrees(kept).count("heat on") == 2


def test_a_node_first_heard_late_lets_no_replay_heat_earlier(recorder: Callable[[Bed], Recorder]) -> None:
    """What is missing at the start is on record as well, though no journal entry tells it."""
    lived = bed(standing=ARMED, node_speaks=False)
    kept = recorder(lived)
    kept.live(90)
    lived.node_speaks = True
    kept.live(60)
    found, _ = kept.replayed()
    assert agrees(kept)[-1] == "heat on"
    assert next(each.at_ms for each in found.recorded if each.what == "heat on") >= NIGHT_MS + 90_000


def test_nothing_is_taken_to_hold_before_the_first_order_on_record(recorder: Callable[[Bed], Recorder]) -> None:
    """A live tick comes a moment after the reading that called for it: in that moment the replay knows nothing."""
    lived = bed(standing=ARMED, node_speaks=False)
    kept = recorder(lived)
    kept.live(30)
    kept.readings.execute("UPDATE order_change SET at_ms = at_ms + 900 WHERE id = 1")
    assert agrees(kept) == ["heat off, not armed"]


def test_a_replay_ends_where_it_is_told_to(recorder: Callable[[Bed], Recorder]) -> None:
    """Asked for the first half, it does not go through the second."""
    kept = recorder(bed(standing=ARMED))
    kept.live(100)
    (session,) = sessions(kept.journal, kept.readings)
    half = rerun(kept.journal, kept.readings, plan_of(), ARMED, session, NIGHT_MS + 45_000)
    whole = rerun(kept.journal, kept.readings, plan_of(), ARMED, session, FOREVER)
    assert 0 < half.readings < whole.readings


def test_a_trip_that_the_node_reported_is_taken_from_the_record_and_counted(
    recorder: Callable[[Bed], Recorder],
) -> None:
    """Its cause is not on record; what follows from it is."""
    lived = bed(standing=ARMED)
    kept = recorder(lived)
    kept.live(95)
    lived.node = {"faults": ("k2-welded",)}
    kept.live(30)
    assert "trip node-fault:k2-welded" in agrees(kept)
    assert kept.replayed()[0].given == 1


def test_a_contact_that_the_node_let_go_rests_in_the_replay(recorder: Callable[[Bed], Recorder]) -> None:
    """A lapsed lease is seen in how the run ended: heat waits the shortest opening, in both."""
    lived = bed(standing=ARMED)
    kept = recorder(lived)
    kept.live(95)
    lived.contact, lived.node = False, {"drops": 1}
    kept.live(40)
    lived.contact = None
    kept.live(60)
    assert agrees(kept).count("heat on") == 2


def test_what_a_silent_node_let_go_rests_from_its_return_in_the_replay(recorder: Callable[[Bed], Recorder]) -> None:
    """Nothing was heard while the lease lapsed: the first report tells of it, and heat waits from then on, in both.

    The run on record says so as well.
    """
    lived = bed(standing=ARMED)
    kept = recorder(lived)
    kept.live(95)
    lived.node_speaks, lived.contact, lived.node = False, False, {"drops": 1}
    kept.live(int(lived.plan.times.least_off_s) + 40)
    lived.node_speaks, lived.contact = True, None
    kept.live(int(lived.plan.times.least_off_s) + 60)
    assert agrees(kept).count("heat on") == 2
    ended = kept.readings.execute("SELECT ended_by FROM heater_run ORDER BY id").fetchall()
    assert ended[0] == ("node silent; it let go by itself",)


def test_a_lease_that_lapsed_before_an_order_came_through_rests_in_the_replay(
    recorder: Callable[[Bed], Recorder],
) -> None:
    """The broker was gone for 8 s: the order to open stood, and the node let go before it heard of it."""
    lived = bed(standing=ARMED)
    kept = recorder(lived)
    kept.live(95)
    lived.connected, lived.node_speaks, said, lived.says = False, False, lived.says, {}
    kept.live(8)
    lived.connected, lived.node_speaks, lived.says, lived.resumed_s = True, True, said, lived.now.mono_s
    lived.contact, lived.node = False, {"drops": 1}
    kept.live(2)
    lived.contact = None
    kept.live(int(lived.plan.times.least_off_s) + 60)
    assert agrees(kept).count("heat on") == 2


def test_a_late_reading_is_history_again_and_ends_no_heat(recorder: Callable[[Bed], Recorder]) -> None:
    """A stamp of an hour ago and 46 Cel: kept, compared with nothing."""
    lived = bed(standing=ARMED, stamp=-0.2)
    kept = recorder(lived)
    kept.live(95)
    lived.extra = [lived.reading("soil", 46.0, taken_ms=lived.now.utc_ms - 3_600_000)]
    kept.live(30)
    assert "heat on" in agrees(kept)


def test_a_retained_hot_reading_is_known_by_its_grade(recorder: Callable[[Bed], Recorder]) -> None:
    """Young by its stamp and yet filed as history: the broker had kept it."""
    lived = bed(standing=ARMED, stamp=-0.2)
    kept = recorder(lived)
    kept.live(95)
    lived.extra = [replace(lived.reading("soil", 46.0), retained=True)]
    kept.live(30)
    assert not any(each.startswith("trip") for each in agrees(kept))


class Drifting(Bed):
    """A bed whose ticks come a little late each time, as a loop's do, and so at no whole second."""

    @property
    def now(self) -> Moment:
        """This tick on both clocks."""
        at_s = 0.37 + 1.0037 * self.second
        return Moment(1000.0 + at_s, self.begins_ms + round(1000 * at_s))


def test_ticks_of_another_phase_share_out_the_same_heat(recorder: Callable[[Bed], Recorder]) -> None:
    """An hour of part heat: every start and end within five seconds, though all orders but the first are hidden."""
    plan = plan_of(control={"gain_per_k": 0.5, "integral_h": 1.0, "ramp_k_per_h": 20.0, "window_s": 300.0})
    lived = Drifting(plan, {"soil": lambda second: 19.4 + 0.3 * sin(second / 700), "air": 10.0}, ARMED)
    kept = recorder(lived)
    kept.live(4200)
    recorded = kept.replayed()[0].recorded
    kept.readings.execute("DELETE FROM order_change WHERE id > 1")
    found, _ = kept.replayed()
    result = compare(recorded, found.replayed, {}, 0, recorded[-1].at_ms, 5000)
    assert (result.differences, result.cut) == ((), 0)
    assert result.recorded == result.agreed > 20


@pytest.mark.parametrize(("apart_ms", "agreed"), [(4999, 1), (5000, 1), (5001, 0), (-5000, 1), (-5001, 0)])
def test_decisions_agree_up_to_five_seconds_apart(apart_ms: int, agreed: int) -> None:
    """Just under, at, and just over, on either side."""
    result = compare(
        [Decided(100_000, "heat on", "")], [Decided(100_000 + apart_ms, "heat on", "")], {}, 0, 10**6, 5000
    )
    assert (result.recorded, result.agreed, len(result.differences)) == (1, agreed, 2 - 2 * agreed)


def test_one_replayed_decision_answers_one_recorded_one() -> None:
    """Two on record and one replayed is one too few; another word is no counterpart."""
    recorded = [Decided(1000, "heat on", "cold"), Decided(2000, "heat on", "cold")]
    replayed = [Decided(1500, "heat on", "cold"), Decided(1500, "trip soil-over:soil", "hot")]
    result = compare(recorded, replayed, {2000: "heat off, armed: warm"}, 0, 10**6, 5000)
    assert result.agreed == 1
    assert [(each.at_ms, each.recorded, each.replayed) for each in result.differences] == [
        (1500, "nothing; last heat on", "trip soil-over:soil (hot)"),
        (2000, "heat on (cold)", "heat off, armed: warm"),
    ]


def test_only_what_was_asked_for_is_compared_and_the_very_end_is_left_open() -> None:
    """Outside the window nothing counts; what is alone in its last five seconds is counted apart."""
    recorded = [Decided(at_ms, "heat on", "") for at_ms in (1000, 50_000, 97_000)]
    result = compare(recorded, [], {}, 20_000, 100_000, 5000)
    assert (result.recorded, result.agreed, result.cut) == (2, 0, 1)
    assert [each.at_ms for each in result.differences] == [50_000]


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A simulated day of the demo's three enclosures, as the demo writes it."""
    folder = tmp_path_factory.mktemp("day")
    (folder / "keys").mkdir()
    for number, each in enumerate(scenario.ENCLOSURES):
        (folder / "keys" / f"{each['name']}.key").write_text(f"{0x5F + number:02x}" * 32 + "\n")
    (folder / "soilward.toml").write_text(scenario.settings_text(18830, 8460))
    history.compute(folder / "soilward.toml", folder, NIGHT_MS, 1.0, lambda done: None)
    return folder


@pytest.fixture
def copied(day: Path, tmp_path: Path) -> Path:
    """A copy of that day, to be spoilt."""
    return Path(shutil.copytree(day, tmp_path / "day"))


def spoil(folder: Path, file: str, change: str) -> None:
    """Change what is on record."""
    with closing(sqlite3.connect(folder / file, isolation_level=None)) as connection:
        connection.execute(change)


def told(folder: Path, capsys: pytest.CaptureFixture[str], *more: str | None) -> tuple[int, str]:
    """Replay a folder; return the exit status and the words."""
    settings, enclosure, start, end = (*more, None, None, None, None)[:4]
    status = replay(asked_of(folder, Path(settings) if settings else None, enclosure, start, end))
    return status, capsys.readouterr().out


def counts(text: str) -> Iterator[tuple[int, int]]:
    """Yield (decisions on record, how many agree) of each enclosure."""
    for line in text.splitlines():
        if "decisions on record" in line:
            words = line.split()
            yield int(words[1]), int(words[5])


def test_a_simulated_day_is_decided_again_to_the_last_order(day: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Three enclosures, hundreds of decisions, no difference; and what cannot be known is said."""
    status, text = told(day, capsys)
    assert status == 0
    found = list(counts(text))
    assert len(found) == 3
    assert all(recorded == agreed > 50 for recorded, agreed in found)
    assert "not on record, and so not judged" in text
    assert "how many messages and readings were refused is not on record" in text


def test_one_enclosure_and_part_of_a_day_can_be_asked_for(day: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Fewer decisions than the whole day has, and no other enclosure."""
    _, whole = told(day, capsys, None, "elder")
    status, part = told(day, capsys, None, "elder", "2026-03-01T10:00:00Z", "2026-03-01T12:00:00Z")
    ((of_all, _),), ((of_part, agreed),) = counts(whole), counts(part)
    assert (status, of_part) == (0, agreed)
    assert 0 < of_part < of_all / 4


def test_a_colder_record_makes_the_replay_differ(copied: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Soil readings half a degree lower ask for more heat than there was."""
    with closing(open_writer(copied / "readings.db", READINGS)) as connection:
        alter_values(connection, lambda value: value - 0.5 if 10 <= value <= 17 else value)
    status, text = told(copied, capsys)
    assert status == 1
    assert "replayed: heat" in text


def test_a_replay_judges_by_the_proof_test_of_then(
    copied: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """One from before the start counts, as it did for the controller; one from after it does not."""
    answers: list[Answer | None] = []

    def noting(plan: Plan, enclosure: Enclosure, answer: Answer | None) -> Plan:
        answers.append(answer)
        return judged_by(plan, enclosure, answer)

    monkeypatch.setattr(commissioned, "judged_by", noting)
    for days in (1, -30):
        with closing(open_writer(copied / "journal.db", JOURNAL)) as connection:
            journal.append(connection, [account(NIGHT_MS + days * 86_400_000, 1000.0 + days)])
        told(copied, capsys, None, "larch")
    assert [each and each.lag_s for each in answers] == [None, 970.0]


def test_a_lower_limit_makes_the_replay_trip_and_names_the_settings(
    copied: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What a tighter limit would have done that day."""
    file = copied / "tighter.toml"
    file.write_text((copied / "soilward.toml").read_text().replace("air_no_heat = 35.0", "soil_trip = 12.0"))
    status, text = told(copied, capsys, str(file), "larch")
    assert status == 1
    assert "its settings were others than these" in text
    assert "replayed: trip soil-over:soil-10" in text


def test_a_trip_that_no_reading_explains_is_a_difference(copied: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A forged entry in the journal stands alone."""
    at_ms = NIGHT_MS - 3_600_000
    body: dict[str, JSON] = {"trip": "air-fire:air-low", "probe": "air-low", "value": 60.0, "limit": 57.0}
    with closing(open_writer(copied / "journal.db", JOURNAL)) as connection:
        journal.append(connection, [Entry("trip", "larch", "soilward", "air hot", body, at_ms)])
    status, text = told(copied, capsys, None, "larch")
    assert status == 1
    assert "recorded: trip air-fire:air-low (air hot)" in text


def test_a_start_that_says_nothing_is_not_replayed_and_is_no_agreement(
    tmp_path: Path, day: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The journal of an older program: said, and exit status 1."""
    with closing(open_writer(tmp_path / "journal.db", JOURNAL)) as connection:
        journal.append(connection, [Entry("start", None, "soilward", "started", {"epoch": 1}, NIGHT_MS)])
    open_writer(tmp_path / "readings.db", READINGS).close()
    status, text = told(tmp_path, capsys, str(day / "soilward.toml"))
    assert (status, "does not say what it began with" in text) == (1, True)
    assert "nothing on record could be replayed" in text


def test_a_life_that_began_before_the_clock_was_set_is_not_ticked_through(
    copied: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """T03: a machine without a clock of its own starts in 1970; the lives after it are replayed as ever."""
    with closing(sqlite3.connect(copied / "journal.db")) as connection:
        (body,) = connection.execute("SELECT body FROM journal WHERE kind = 'start'").fetchone()
    unset = Entry("start", None, "soilward", "started", json.loads(body), 5000)
    (copied / "journal.db").unlink()
    with closing(open_writer(copied / "journal.db", JOURNAL)) as connection:
        journal.append(connection, [unset, Entry("start", None, "soilward", "started", json.loads(body), NIGHT_MS)])
    _, text = told(copied, capsys)
    assert "1970-01-01T00:00:05.000Z" in text
    assert text.count("clock that was not set yet: not replayed") == 1
    assert len(list(counts(text))) == 3


def test_a_record_without_orders_is_refused(tmp_path: Path, day: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A database of the first version has nothing to compare with."""
    open_writer(tmp_path / "journal.db", JOURNAL).close()
    open_writer(tmp_path / "readings.db", READINGS[:1]).close()
    with pytest.raises(SoilwardError, match="holds no orders"):
        told(tmp_path, capsys, str(day / "soilward.toml"))


@pytest.mark.parametrize(
    ("enclosure", "start", "words"),
    [
        ("birch", None, "has no enclosure 'birch'"),
        (None, "last night", "write times as"),
        (None, "2026-03-01T04:00", "Z"),
    ],
)
def test_what_cannot_be_meant_is_refused_with_a_remedy(
    day: Path, capsys: pytest.CaptureFixture[str], enclosure: str | None, start: str | None, words: str
) -> None:
    """An unknown enclosure, a time that is none, a time without its offset."""
    with pytest.raises(SoilwardError, match=words):
        told(day, capsys, None, enclosure, start)


def test_a_stop_tells_how_many_were_refused_and_ends_the_life(recorder: Callable[[Bed], Recorder]) -> None:
    """Killed, a life ends with its last word on record; stopped, with its stop."""
    kept = recorder(bed(standing=ARMED))
    kept.live(30)
    stop = Entry("stop", None, "soilward", "stopped", {"refused": {"larch": 7}}, NIGHT_MS + 40_000)
    again = Entry("start", None, "soilward", "started", {}, NIGHT_MS + 50_000)
    (killed,) = sessions(kept.journal, kept.readings)
    journal.append(kept.journal, [stop, again])
    stopped, last = sessions(kept.journal, kept.readings)
    assert (killed.end_ms, killed.refused) == (NIGHT_MS + 20_000, None)
    assert (stopped.end_ms, stopped.refused) == (NIGHT_MS + 40_000, {"larch": 7})
    assert (last.start_ms, last.end_ms, last.began) == (NIGHT_MS + 50_000, NIGHT_MS + 50_000, None)


def test_the_digest_knows_a_limit_from_a_title() -> None:
    """What no decision depends on changes nothing; a limit does."""
    plain = settings_of()
    assert beginning.digest(settings_of(title="figs")) == beginning.digest(plain)
    assert beginning.digest(settings_of(limits={"soil_trip": 39.0})) != beginning.digest(plain)


def test_plans_that_were_followed_are_followed_again(recorder: Callable[[Bed], Recorder]) -> None:
    """With the plans of then every decision agrees; without them the heat is another."""
    plan = plan_of(control={"gain_per_k": 0.5, "integral_h": 1.0, "ramp_k_per_h": 20.0, "window_s": 300.0})
    made = [
        Foresight(NIGHT_MS + at * 1000, 1800.0, (duty, duty), (19.4,) * 3, (20.0, 20.0))
        for at, duty in ((-600, 0.9), (1200, 0.2), (3000, 0.7))
    ]
    lived = Bed(plan, {"soil": 19.4, "air": 10.0}, ARMED)
    kept = recorder(lived)
    for _ in range(4200):
        lived.also["foresight"] = plan_at(made, lived.now.utc_ms)
        kept.tick()
    (session,) = sessions(kept.journal, kept.readings)
    again = rerun(kept.journal, kept.readings, plan, ARMED, session, FOREVER, made)
    alone = rerun(kept.journal, kept.readings, plan, ARMED, session, FOREVER)
    same = compare(again.recorded, again.replayed, again.reasons, 0, session.end_ms, 5000)
    assert (same.differences, same.agreed > 10) == ((), True)
    assert compare(alone.recorded, alone.replayed, alone.reasons, 0, session.end_ms, 5000).differences
