"""What a tick leaves on disk, and how the controller's own record is kept."""

from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from controller.clock import ManualClock, Moment
from controller.recording import writer_of
from controller.settings import Broker, Store
from controller.store import heads
from controller.store.connection import open_writer
from controller.store.journal import Entry
from controller.store.migrations import READINGS
from controller.store.readings import StoredReading
from controller.store.sums import DAY_MS
from controller.wire.inbox import Message
from controller.wire.senml import encode_senml
from tests.core_site import AIR, SOIL, settings_of
from tests.kept import rows_in
from tests.unit.test_controller_shell import Shell
from tests.unit.test_retention import T0, days_kept, keep

CONTACT = {"name": "relay-contact", "quantity": "contact", "period_s": 10.0}
PLAIN = {
    "kind": "soil-cable", "rated_w": 450.0, "depth_m": 0.14, "relay": "plain", "plain_topic": "shed/relay",
    "independent_cut_off": "frost thermostat",
}  # fmt: skip


def test_the_record_is_written_signed_and_thinned_as_settings_say(tmp_path: Path) -> None:
    """A card rests 20 s, but for a broker that waits after twelve messages; heads are signed; old readings go."""
    (tmp_path / "journal.key").write_text(bytes(range(32)).hex())
    store = Store(folder=tmp_path, journal_key_file=tmp_path / "journal.key", raw_days=30)
    broker = Broker(kind="external", protocol="3.1.1")
    with closing(open_writer(tmp_path / "readings.db", READINGS)) as record:
        keep(record, 0, 60)
    clock, told = ManualClock(Moment(1000.0, T0 + 60 * DAY_MS)), list[float]()
    writer = writer_of(settings_of().model_copy(update={"store": store, "broker": broker}), clock)
    for receipts in (1, 11, 12):
        writer.put_journal(Entry("answer", "larch", "keeper", "why", {}, clock.now().utc_ms))
        now_ms = clock.now().utc_ms
        writer.put_reading(StoredReading("larch", "soil", "soil", "Cel", 15.0, now_ms, now_ms, "good"))
        for _ in range(receipts):
            writer.put_receipt(None, lambda: told.append(clock.now().mono_s))
        for _ in range(10):
            clock.sleep(0.5)
            writer.turn()
    assert told == [1002.0] + [1010.5] * (11 + 12)
    for _ in range(10):
        clock.sleep(0.5)
        writer.turn()
    assert len(days_kept(writer._record.connection, "readings")) < 60
    writer.close()
    assert (tmp_path / heads.FILE).exists()


@pytest.fixture
def shell(tmp_path: Path) -> Iterator[Shell]:
    """Yield a controller of a plain relay with a contact probe."""
    one = Shell(tmp_path, heater=PLAIN, probe=[SOIL, AIR, CONTACT])
    yield one
    one.controller._end()


def say(shell: Shell, probe: str, unit: str, value: float, ago_ms: int = 0) -> int:
    """Queue what a probe says of so long ago, and take a turn; returns when [ms UTC] that was."""
    now = shell.clock.now()
    payload = encode_senml("larch", probe, unit, [(now.utc_ms - ago_ms, value)])
    shell.controller.inbox.messages.put(Message(f"soilward/larch/probe/{probe}", payload, False, now, 7, 1, 1))
    shell.turn(1)
    return now.utc_ms - ago_ms


def test_what_was_is_kept_as_of_then_and_makes_no_run_of_now(shell: Shell) -> None:
    """A contact that was closed two hours ago, told after an outage; and one that is closed now."""
    runs = "SELECT count(*) FROM heater_run"
    then_ms = say(shell, "relay-contact", "/", 1.0, 7_200_000)
    assert (shell.rows(runs), [row[1] for row in rows_in(shell.folder, "relay-contact")]) == ([(0,)], [then_ms])
    now_ms = say(shell, "relay-contact", "/", 1.0)
    say(shell, "soil", "Cel", 15.0)
    assert (shell.rows(runs), [row[1] for row in rows_in(shell.folder, "relay-contact")]) == ([(1,)], [then_ms, now_ms])


def test_what_cannot_be_is_counted_and_not_kept(shell: Shell) -> None:
    """Of three, one is of an hour ago and one no temperature of soil: the page says how many were refused."""
    for value, ago_ms in ((15.0, 3_600_000), (-127.0, 0), (15.0, 0)):
        say(shell, "soil", "Cel", value, ago_ms)
    assert shell.controller.routing.refused["larch"] == {"implausible": 1}
    shell.rows("SELECT 1")
    assert [row[3] for row in rows_in(shell.folder, "soil")] == [15.0, 15.0]


def test_an_order_is_kept_as_it_changes(shell: Shell) -> None:
    """The first, and no other while all stays as it is."""
    shell.turn(2)
    first = shell.rows("SELECT is_on, because FROM order_change")
    assert len(first) == 1
    shell.turn(1)
    assert shell.rows("SELECT is_on, because FROM order_change") == first
