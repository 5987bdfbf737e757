"""Packing: what is put in comes out, wherever it lies by then; days are rolled up once and added to afterwards."""

import math
import sqlite3
import tracemalloc
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.status import Grade
from controller.store import blocks, columns, comparing, packing, rolled, shelves
from controller.store.blocks import Row
from controller.store.columns import DamagedBlockError
from controller.store.connection import open_writer
from controller.store.keeping import PACK_ROWS, Keeping
from controller.store.migrations import READINGS
from controller.store.readings import HOUR_MS, MINUTE_MS, StoredReading
from controller.store.stretch import EVER_MS, Stretches, ThriftyStretches
from controller.store.sums import DAY_MS
from tests import kept

T0 = 1_772_000_000_000 - 1_772_000_000_000 % DAY_MS

FIRST_FORM = (
    "01100003000000006c18929c010000f000000000000000789cab606480000f063810501750afd080729ce0c28c8c153026005092028c"
)
"""Three readings as version 0.3 packed them."""


@pytest.fixture
def store(tmp_path: Path) -> Iterator[sqlite3.Connection]:
    """Yield an empty record."""
    connection = open_writer(tmp_path / "readings.db", READINGS)
    yield connection
    connection.close()


def said(at_ms: int, value: float = 15.0, probe: str = "soil", grade: str = "good", lag_ms: int = 40) -> StoredReading:
    """Return a reading taken at T0 + `at_ms`."""
    return StoredReading("larch", probe, "soil", "Cel", value, T0 + at_ms, T0 + at_ms + lag_ms, grade)


def places(store: sqlite3.Connection) -> dict[str, int]:
    """Return how many rows each part of the record has."""
    tables = ("tail", "block", "hours", "tens", "minutes")
    return {table: store.execute(f"SELECT count(*) FROM {table}").fetchone()[0] for table in tables}


def pack(keeping: Keeping, now_ms: int) -> bool:
    """Do all that is due; returns whether anything was."""
    pieces = 0
    while keeping.pack(now_ms):
        pieces += 1
    return pieces > 0


def test_what_lies_on_disk_is_looked_for_under_the_keys_that_it_got() -> None:
    """Whatever changes in the program: under others a year of readings would be of other probes, or not found."""
    far = ((T0, 300), (EVER_MS - 1, 1_048_575))
    assert [shelves.block_id(*each) for each in far] == [516_125_884_716, 73_808_769_712_127]
    assert [shelves.day_id(probe, at_ms) for at_ms, probe in far] == [1_258_311_709, 4_398_045_249_696]
    assert [shelves.tail_ids(shelves.shelf_of(probe)) for probe in (255, 256)] == [
        (0, 1_099_511_627_775),
        (1_099_511_627_776, 2_199_023_255_551),
    ]


def test_a_reading_waits_in_the_tail_until_its_hour_is_over(store: sqlite3.Connection) -> None:
    """One chunk a batch; a minute after the hour one block per probe and hour, and the tail is empty."""
    keeping = Keeping(store)
    for minute in range(50, 60):
        keeping.add([said(minute * MINUTE_MS), said(minute * MINUTE_MS, probe="deep")])
    pack(keeping, T0 + HOUR_MS + 59_000)
    assert places(store) == {"tail": 10, "block": 0, "hours": 0, "tens": 0, "minutes": 0}
    assert pack(keeping, T0 + HOUR_MS + MINUTE_MS)
    assert places(store) == {"tail": 0, "block": 2, "hours": 0, "tens": 0, "minutes": 0}
    assert len(kept.rows(store)) == 20


def test_what_came_in_the_new_hour_waits_for_its_own_end(store: sqlite3.Connection) -> None:
    """So each block is written once, not twice."""
    keeping = Keeping(store)
    keeping.add([said(10)])
    keeping.add([said(HOUR_MS + 10)])
    assert pack(keeping, T0 + HOUR_MS + 5 * MINUTE_MS)
    assert (places(store)["tail"], places(store)["block"]) == (1, 1)
    pack(keeping, T0 + HOUR_MS + 50 * MINUTE_MS)
    assert (places(store)["tail"], places(store)["block"]) == (1, 1)
    again = Keeping(store)
    assert pack(again, T0 + 2 * HOUR_MS + 5 * MINUTE_MS)
    assert (places(store)["tail"], places(store)["block"]) == (0, 2)


def test_what_a_clock_that_was_ahead_left_is_packed_with_the_next_hour(store: sqlite3.Connection) -> None:
    """Heard years from now, it would wait till then; and what came behind it did, for fifty thousand readings."""
    keeping = Keeping(store)
    for at_ms in (29 * 365 * DAY_MS, 10, HOUR_MS + 10):
        keeping.add([said(at_ms)])
    assert pack(keeping, T0 + HOUR_MS + 2 * MINUTE_MS)
    assert (places(store)["tail"], places(store)["block"]) == (1, 2)
    assert len(kept.rows(store)) == 3


def test_a_long_tail_is_packed_whatever_the_hour(store: sqlite3.Connection) -> None:
    """A backlog of days does not wait in memory for the hour to end, nor for its end to be rolled up."""
    keeping = Keeping(store)
    keeping.add([said(number * 10_000) for number in range(PACK_ROWS)])
    keeping.pack_much()
    assert (places(store)["tail"], len(kept.rows(store))) == (0, PACK_ROWS)
    assert places(store)["hours"] == PACK_ROWS * 10_000 // DAY_MS


def test_a_long_tail_is_packed_while_its_hour_lasts(store: sqlite3.Connection) -> None:
    """By the writer as well, of many probes that speak often: what one hour may hold in memory is bounded."""
    keeping = Keeping(store)
    keeping.add([said(number * 30) for number in range(PACK_ROWS - 1)])
    assert not pack(keeping, T0 + 30 * MINUTE_MS)
    keeping.add([said(29 * MINUTE_MS)])
    assert pack(keeping, T0 + 30 * MINUTE_MS)
    assert (places(store)["tail"], len(kept.rows(store))) == (0, PACK_ROWS)


def test_a_day_is_rolled_up_once_it_is_over(store: sqlite3.Connection) -> None:
    """Not before the shelves have had their turn; what it comes to is what the readings come to."""
    keeping = Keeping(store)
    keeping.add([said(hour * HOUR_MS + part, hour + part / 1000) for hour in range(24) for part in (0, 250, 60_000)])
    pack(keeping, T0 + DAY_MS + 2 * MINUTE_MS)
    assert places(store)["hours"] == 0
    assert not pack(keeping, T0 + DAY_MS + 20 * MINUTE_MS)
    before = list(rolled.hours(Stretches(store), 1, 0, EVER_MS).rows())
    assert pack(keeping, T0 + DAY_MS + 40 * MINUTE_MS)
    assert places(store) == {"tail": 0, "block": 24, "hours": 1, "tens": 1, "minutes": 1}
    assert list(rolled.hours(Stretches(store), 1, 0, EVER_MS).rows()) == before
    assert before[3] == (T0 + 3 * HOUR_MS, 3, 3.0, 63.0, 3.0 + 3.25 + 63.0)
    minutes = list(rolled.minutes(Stretches(store), 1, T0 + HOUR_MS, T0 + 2 * HOUR_MS).rows())
    assert minutes == [(T0 + HOUR_MS, 2, 1.0, 1.25, 2.25), (T0 + HOUR_MS + 60_000, 1, 61.0, 61.0, 61.0)]
    assert not pack(keeping, T0 + DAY_MS + 41 * MINUTE_MS)


def test_a_reading_from_a_far_future_makes_no_reader_slow(store: sqlite3.Connection) -> None:
    """A clock was once 70 years ahead: 600 000 hours lie between, of which nobody asks about each."""
    keeping = Keeping(store)
    keeping.add([said(0), said(HOUR_MS), said(70 * 365 * DAY_MS)])
    keeping.pack_all()
    asked: list[str] = []
    store.set_trace_callback(asked.append)
    assert [row[1] - T0 for row in Stretches(store).rows(1, 0, EVER_MS)] == [0, HOUR_MS, 70 * 365 * DAY_MS]
    assert len(asked) < 10


def test_a_late_reading_joins_a_day_that_is_closed(store: sqlite3.Connection) -> None:
    """While it waits and once it is packed."""
    keeping = Keeping(store)
    keeping.add([said(hour * HOUR_MS, 10.0) for hour in range(30)])
    keeping.pack_all()
    keeping.add([said(5 * HOUR_MS + 1000, 99.5, lag_ms=30 * HOUR_MS)])
    for _ in range(2):
        (hour,) = rolled.hours(Stretches(store), 1, T0 + 5 * HOUR_MS, T0 + 6 * HOUR_MS).rows()
        assert hour == (T0 + 5 * HOUR_MS, 2, 10.0, 99.5, 109.5)
        (minute,) = rolled.minutes(Stretches(store), 1, T0 + 5 * HOUR_MS, T0 + 6 * HOUR_MS).rows()
        assert minute == hour
        keeping.pack_all()
    assert [row[:2] for row in store.execute("SELECT probe_id, taken_ms FROM late")] == [(1, T0 + 5 * HOUR_MS + 1000)]


@pytest.mark.parametrize("table", ["hours", "tens", "minutes"])
def test_roll_ups_that_cannot_be_read_are_made_anew_from_their_readings(store: sqlite3.Connection, table: str) -> None:
    """A late reading comes for their day: they alone are damaged, and cost nobody the record."""
    keeping = Keeping(store)
    keeping.add([said(number * MINUTE_MS, 10.0 + number % 9) for number in range(30 * 60)])
    keeping.pack_all()
    store.execute(f"UPDATE {table} SET packed = substr(packed, 1, length(packed) - 1)")
    keeping.add([said(5 * HOUR_MS + 1000, 99.5)])
    keeping.pack_all()
    (one,) = comparing.closed_days(store)
    assert comparing.compare(store, one, T0).tables == ()
    (hour,) = rolled.hours(Stretches(store), 1, T0 + 5 * HOUR_MS, T0 + 6 * HOUR_MS).rows()
    assert (hour[1], hour[3]) == (61, 99.5)


def test_what_comes_again_once_it_is_taken_away_counts_once(store: sqlite3.Connection) -> None:
    """An old export imported again doubles no roll-up, in whatever parts it comes; a later reading counts as ever."""
    told = [said(5 * HOUR_MS + number * 10_000, 10.0 + number / 16) for number in range(200)]
    keeping = Keeping(store)
    keeping.add([*told, said(30 * HOUR_MS)])
    keeping.pack_all()
    day = (T0, T0 + DAY_MS)
    before = [list(rolls(Stretches(store), 1, *day).rows()) for rolls in (rolled.minutes, rolled.tens, rolled.hours)]
    store.execute("DELETE FROM block WHERE id < ?", (shelves.block_id(T0 + DAY_MS, 0),))
    again = Keeping(store)
    for part in (told[:75], told[75:]):
        assert again.add(part) == len(part)
        again.pack_all()
        after = [list(rolls(Stretches(store), 1, *day).rows()) for rolls in (rolled.minutes, rolled.tens, rolled.hours)]
        assert after == before
    again.add([said(5 * HOUR_MS + 5, 99.0)])
    again.pack_all()
    (hour,) = rolled.hours(Stretches(store), 1, *day).rows()
    assert hour[1:4] == (201, 10.0, 99.0)


def test_a_reading_of_an_hour_that_was_taken_away_widens_its_extremes(store: sqlite3.Connection) -> None:
    """Whether it was counted nobody can tell any more; where nothing was, it counts."""
    keeping = Keeping(store)
    keeping.add([said(hour * HOUR_MS, 10.0) for hour in range(0, 30, 2)])
    keeping.pack_all()
    store.execute("DELETE FROM block WHERE id < ?", (shelves.block_id(T0 + DAY_MS, 0),))
    again = Keeping(store)
    again.add([said(4 * HOUR_MS + 1000, 99.5), said(5 * HOUR_MS + 1000, 7.5)])
    again.pack_all()
    found = list(rolled.hours(Stretches(store), 1, T0 + 4 * HOUR_MS, T0 + 6 * HOUR_MS).rows())
    assert found == [(T0 + 4 * HOUR_MS, 1, 10.0, 99.5, 10.0), (T0 + 5 * HOUR_MS, 1, 7.5, 7.5, 7.5)]


def test_a_late_hour_of_refused_readings_alone_rolls_up_to_nothing(store: sqlite3.Connection) -> None:
    """They are kept, and no roll-up of that hour begins with none in it."""
    keeping = Keeping(store)
    keeping.add([said(30 * HOUR_MS)])
    keeping.pack_all()
    keeping.add([said(5 * HOUR_MS, 85.0, grade="refused")])
    keeping.pack_all()
    assert (places(store)["tail"], places(store)["hours"], len(kept.rows(store))) == (0, 0, 2)


def test_each_shelf_of_probes_is_packed_in_its_turn_and_a_restart_goes_on_behind_it(store: sqlite3.Connection) -> None:
    """Hundreds of probes: what comes once a shelf is packed, or the program began anew, hides nothing of another."""
    names = [f"p{number}" for number in range(2 * shelves.SHELF_PROBES + 2)]
    for start_ms in (0, 1000, 2000):
        Keeping(store).add([said(start_ms, number / 16, name) for number, name in enumerate(names)])
    assert places(store)["tail"] == 9
    assert pack(Keeping(store), T0 + HOUR_MS + 2 * MINUTE_MS)
    assert (places(store)["tail"], places(store)["block"]) == (3, 2 * shelves.SHELF_PROBES - 1)
    for start_ms in (HOUR_MS, HOUR_MS + 1000):
        Keeping(store).add([said(start_ms, number / 16, name) for number, name in enumerate(names)])
    found = kept.rows(store)
    assert len(found) == len(set(found)) == 5 * len(names)
    pack(Keeping(store), T0 + 2 * HOUR_MS + 3 * MINUTE_MS)
    assert (places(store)["tail"], kept.rows(store)) == (0, found)


def test_late_readings_join_their_minutes_in_whatever_order_they_come(store: sqlite3.Connection) -> None:
    """Each batch is in order of time; the batches are not."""
    keeping = Keeping(store)
    keeping.add([said(0), said(30 * HOUR_MS)])
    keeping.pack_all()
    for at_ms, value in ((HOUR_MS + 2000, 4.0), (HOUR_MS + 61_000, 8.0), (HOUR_MS + 1000, 16.0)):
        keeping.add([said(at_ms, value)])
    keeping.pack_all()
    minutes = list(rolled.minutes(Stretches(store), 1, T0 + HOUR_MS, T0 + 2 * HOUR_MS).rows())
    assert minutes == [(T0 + HOUR_MS, 2, 4.0, 16.0, 20.0), (T0 + HOUR_MS + 60_000, 1, 8.0, 8.0, 8.0)]
    (hour,) = rolled.hours(Stretches(store), 1, T0 + HOUR_MS, T0 + 2 * HOUR_MS).rows()
    assert hour == (T0 + HOUR_MS, 3, 4.0, 16.0, 28.0)


def test_what_was_looked_up_is_forgotten_when_it_is_packed(store: sqlite3.Connection) -> None:
    """A node that catches up sends all again, while it waits and once it is packed; one writer all along."""
    keeping = Keeping(store)
    keeping.add([said(0), said(2 * HOUR_MS)])
    keeping.pack_all()
    for again in range(3):
        assert keeping.add([said(1000), said(HOUR_MS)]) == (0 if again else 2)
        if again:
            keeping.pack_all()
    assert keeping.add([said(1500), said(1000), said(1500)]) == 1
    assert len(kept.rows(store)) == 5


def test_a_redelivered_reading_is_known_wherever_it_lies(store: sqlite3.Connection) -> None:
    """In the tail, in a block, in the same batch; by the writer that kept it and by the next one."""
    first = Keeping(store)
    assert first.add([said(0), said(10), said(0)]) == 2
    first.pack_all()
    assert first.add([said(20), said(10)]) == 1
    assert first.add([said(20), said(0), said(5)]) == 1
    again = Keeping(store)
    assert again.add([said(0), said(5), said(10), said(20), said(30)]) == 1
    assert [row[1] - T0 for row in kept.rows(store)] == [0, 5, 10, 20, 30]


def test_packing_that_fails_leaves_all_as_it_was(store: sqlite3.Connection, monkeypatch: pytest.MonkeyPatch) -> None:
    """One transaction: nothing is lost and nothing is there twice."""
    keeping = Keeping(store)
    keeping.add([said(number * MINUTE_MS) for number in range(90)])

    def full(*_: object) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    with monkeypatch.context() as broken:
        broken.setattr(packing, "write_days", full)
        with pytest.raises(sqlite3.OperationalError):
            keeping.pack_all()
    assert (places(store)["tail"], places(store)["block"], len(kept.rows(store))) == (1, 0, 90)


def hour_of_many(keeping: Keeping) -> None:
    """Keep an hour of ten probes, 3600 readings, in ninety batches."""
    for batch in range(90):
        keeping.add([said(40_000 * batch + 4_000 * (n // 10), n / 16, f"p{n % 10}") for n in range(40)])


def test_commits_go_on_between_the_pieces_of_packing(store: sqlite3.Connection, tmp_path: Path) -> None:
    """New, late, known and closed-day readings come after each piece; in the end all lies as if nothing had come."""
    with closing(open_writer(tmp_path / "other.db", READINGS)) as other:
        come = [said(HOUR_MS + 1), said(10, 7.0, "p3"), said(4_000, probe="p1"), said(2 * HOUR_MS + 5, probe="p1")]
        pieces = 0
        for record in (store, other):
            keeping = Keeping(record)
            hour_of_many(keeping)
            while record is store and keeping.pack(T0 + HOUR_MS + 5 * MINUTE_MS):
                assert keeping.add(come) == (0 if pieces else 3)
                assert len(kept.rows(record)) == 3603
                pieces += 1
            keeping.add(come)
            keeping.pack_all()
        assert pieces > 7
        assert kept.rows(store) == kept.rows(other)
        for table in ("tail", "block", "late", "minutes", "hours", "probe"):
            query = f"SELECT * FROM {table} ORDER BY id"
            assert store.execute(query).fetchall() == other.execute(query).fetchall()


def test_no_piece_of_packing_or_closing_is_long(store: sqlite3.Connection, monkeypatch: pytest.MonkeyPatch) -> None:
    """Some thousand rows at a time, whatever waits: whoever waits for an acknowledgement waits for one piece."""
    keeping = Keeping(store)
    hour_of_many(keeping)
    handled: list[int] = []
    pack_rows, unpack_rows = blocks.pack, blocks.unpack

    def packed(rows: list[Row]) -> bytes:
        handled.append(len(rows))
        return pack_rows(rows)

    def unpacked(block: bytes) -> list[Row]:
        rows = unpack_rows(block)
        handled.append(len(rows))
        return rows

    monkeypatch.setattr(blocks, "pack", packed)
    monkeypatch.setattr(blocks, "unpack", unpacked)
    whole = 0
    while keeping.pack(T0 + DAY_MS + 50 * MINUTE_MS):
        assert sum(handled) < 2 * packing.PIECE_ROWS
        whole += sum(handled)
        handled.clear()
    assert whole == 3 * 3600
    assert places(store) == {"tail": 0, "block": 10, "hours": 10, "tens": 10, "minutes": 10}


def test_a_clock_that_goes_back_opens_no_day(store: sqlite3.Connection) -> None:
    """A day is closed for good: what is said of it later is added, or its roll-ups would go with its old readings."""
    keeping = Keeping(store)
    keeping.add([said(hour * HOUR_MS, 10.0) for hour in range(48)])
    keeping.pack_all()
    pack(keeping, T0 + 400 * DAY_MS + 12 * HOUR_MS)
    pack(keeping, T0 + 12 * HOUR_MS)
    assert packing.closed_ms(store, 1) == T0 + 400 * DAY_MS
    keeping.add([said(2 * DAY_MS, 12.0)])
    keeping.pack_all()
    assert [hour[3] for hour in rolled.hours(Stretches(store), 1, 0, EVER_MS).rows()] == [10.0] * 48 + [12.0]


ROWS = st.lists(
    st.tuples(
        st.integers(0, 3000),
        st.integers(0, EVER_MS - 1),
        st.integers(0, EVER_MS - 1),
        st.one_of(
            st.integers(-1000, 10_000).map(lambda steps: steps / 16),
            st.integers(-10_000, 100_000).map(lambda cents: cents / 100),
            st.floats(-273.15, 1e6),
        ),
        st.sampled_from([each.value for each in Grade]),
    ),
    min_size=1,
    max_size=50,
)


@given(ROWS)
def test_a_block_gives_back_exactly_what_was_put_in(rows: list[Row]) -> None:
    """Times of any order, values on a grid or on none, to the last bit."""
    found = blocks.unpack(blocks.pack(rows))
    assert found == rows
    assert all(type(row[3]) is float for row in found)


@pytest.mark.parametrize("bits", [8, 16, 32, 63])
def test_a_column_just_too_wide_for_its_bytes_gets_more_of_them(bits: int) -> None:
    """Times that lie 256 ms apart, as others do: exactly at each width, and one to either side."""
    for span in (2**bits - 1, 2**bits, 2**bits + 1):
        packed = columns.pack([[-7, span - 7, 0]])
        (laid,) = columns.lay(packed, 0, 3, 1)
        assert columns.unpack(packed, laid, 3) == [-7, span - 7, 0]


@pytest.mark.parametrize(
    ("values", "grid"),
    [
        ([1.0, 2.0], 1),
        ([0.0625, 21.4375], 16),
        ([21.3, -0.7], 10),
        ([21.37, 0.29], 100),
        ([0.0625, 21.37], 10_000),
        ([math.pi], 0),
        ([1e6 + 1 / 3], 0),
    ],
)
def test_values_are_whole_numbers_of_the_coarsest_grid_that_holds_them(values: list[float], grid: int) -> None:
    """A sensor of twelve bits speaks in sixteenths, others in tenths or hundredths; what is on none stays as it is."""
    assert blocks.grid_of(values) == grid


def test_an_hour_of_a_twelve_bit_probe_takes_little_room() -> None:
    """Under three bytes a reading, with times that jitter by some milliseconds."""
    steps = [0, 1, 0, 0, -1, 0, 1, 1, 0, -1]
    rows = [
        (3, T0 + 10_000 * n + n * 7919 % 23, T0 + 10_000 * n + 180 + n * 104_729 % 17, 12 + steps[n % 10] / 16, "good")
        for n in range(360)
    ]
    assert len(blocks.pack(rows)) < 3 * 360


@pytest.mark.parametrize(
    "spoil", [lambda b: b[:20], lambda b: b[:-4], lambda b: b[:25] + bytes([b[25] ^ 0xFF]) + b[26:], lambda b: b""]
)
def test_a_damaged_block_says_so(spoil: object) -> None:
    """Never a wrong number: each block carries a check sum."""
    block = blocks.pack([(1, T0 + number, T0 + number, number / 16, "good") for number in range(100)])
    with pytest.raises(DamagedBlockError, match="damaged"):
        blocks.unpack(spoil(block))  # type: ignore[operator]


def test_no_bit_of_a_block_can_change_unseen() -> None:
    """Each of them in turn, those of its head too: when the first value was taken, and what it was."""
    rows: list[Row] = [(1, T0 + number, T0 + number, number / 16, "good") for number in range(100)]
    block, found = blocks.pack(rows), 0
    for bit in range(8 * len(block)):
        spoilt = bytearray(block)
        spoilt[bit // 8] ^= 1 << bit % 8
        try:
            # Some bits of a deflated stream mean nothing.
            assert blocks.unpack(bytes(spoilt)) == rows
        except DamagedBlockError:
            found += 1
    assert found > 7 * len(block)


def test_a_block_of_the_first_form_is_read() -> None:
    """Its head lies before what is packed."""
    block = bytes.fromhex(FIRST_FORM)
    assert blocks.unpack(block) == [(1, T0 + 10_000 * n, T0 + 10_000 * n + 40, 15 + n / 16, "good") for n in range(3)]


def test_a_block_of_a_newer_program_is_refused_by_its_version() -> None:
    """It is not read as something else."""
    block = blocks.pack([(1, T0, T0, 1.0, "good")])
    with pytest.raises(DamagedBlockError, match="version 3, not 2"):
        blocks.unpack(b"\x03" + block[1:])


def test_readings_are_read_back_as_they_were_heard(store: sqlite3.Connection) -> None:
    """By arrival, not by the time taken, packed or not, over many days; and when the last one was heard."""
    keeping = Keeping(store)
    keeping.add([said(0), said(1000, lag_ms=3 * DAY_MS), said(2000)])
    keeping.pack_all()
    keeping.add([said(DAY_MS), said(2 * DAY_MS, probe="deep")])
    record = Stretches(store)
    heard = [(row[0], row[1] - T0) for row in record.heard([1], T0, T0 + 4 * DAY_MS)]
    assert heard == [(1, 0), (1, 2000), (1, DAY_MS), (1, 1000)]
    assert record.last_heard_ms(T0, T0 + DAY_MS) == T0 + 2040
    assert record.last_heard_ms(T0, T0 + 4 * DAY_MS) == T0 + 1000 + 3 * DAY_MS
    assert record.last_heard_ms(T0 + 5 * DAY_MS, T0 + 6 * DAY_MS) is None


def test_what_is_read_as_it_was_heard_holds_both_ends_and_no_reading_twice(store: sqlite3.Connection) -> None:
    """A replay feeds them to the loop again: one that overtook another is behind it still, packed or not."""
    keeping = Keeping(store)
    keeping.add([said(0), said(500, lag_ms=5000), said(2000), said(3000, lag_ms=DAY_MS - 3000)])
    keeping.pack_all()
    keeping.add([said(600, lag_ms=1000), said(700, lag_ms=DAY_MS - 600)])
    record = Stretches(store)

    def heard(start_ms: int, end_ms: int) -> list[int]:
        return [row[1] - T0 for row in record.heard([1], T0 + start_ms, T0 + end_ms)]

    assert heard(0, 2 * DAY_MS) == [0, 600, 2000, 500, 3000, 700]
    assert heard(40, 2040) == [0, 600, 2000]
    assert heard(41, 2039) == [600]
    assert (heard(DAY_MS, DAY_MS), heard(DAY_MS + 100, DAY_MS + 100), heard(DAY_MS + 101, DAY_MS + 9)) == (
        [3000],
        [700],
        [],
    )


def test_what_waits_is_read_the_same_in_a_fraction_of_the_memory(store: sqlite3.Connection) -> None:
    """Who copies a nursery of thousands of probes held half a gigabyte for the hour that waits."""
    grades = [each.value for each in Grade]
    for start in range(0, 500, 100):
        rounds = range(start, start + 100)
        Keeping(store).add(
            [
                said(n * 1000, n / 16 - 9.1, f"p{p}", grades[(n + p) % len(grades)], n - 250)
                for n in rounds
                for p in range(40)
            ]
        )
    held, found = list[int](), list[list[Row]]()
    for kind in (Stretches, ThriftyStretches):
        tracemalloc.start()
        record = kind(store)
        # One reads what all have to say, and lets it go.
        found.append(record.waiting(7))
        record.waiting(8)
        held.append(tracemalloc.get_traced_memory()[0])
        tracemalloc.stop()
    assert found[0] == found[1]
    assert len(found[0]) == 500
    assert held[1] < held[0] / 4
