"""Signed heads: what the chain alone cannot show."""

import json
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from api.chain import Chain
from controller.cli import main
from controller.clock import ManualClock, Moment
from controller.errors import SettingsError
from controller.memory import journal_breaks_at
from controller.settings import Store
from controller.store import heads, journal
from controller.store.connection import open_reader, open_writer
from controller.store.heads import Sealed
from controller.store.journal import Entry
from controller.store.migrations import JOURNAL
from controller.store.writer import Writer
from tests.core_site import raw_settings

T0 = 1_772_000_000_000
DAY_MS = 86_400_000
SECRET = bytes(range(32))


@pytest.fixture
def store(tmp_path: Path) -> Store:
    """Return a store whose journal is signed with a known key."""
    key = tmp_path / "journal.key"
    key.write_text(SECRET.hex() + "\n")
    return Store(folder=tmp_path, journal_key_file=key)


@pytest.fixture
def clock() -> ManualClock:
    """Return a clock that stands at T0."""
    return ManualClock(Moment(1000.0, T0))


@pytest.fixture
def writer(store: Store, clock: ManualClock) -> Iterator[Writer]:
    """Yield a writer without its thread."""
    one = Writer(store.folder, clock, sealer=heads.sealer_of(store))
    yield one
    one.close()


def write(writer: Writer, clock: ManualClock, count: int) -> None:
    """Write entries, and let the writer take its turn."""
    for number in range(count):
        writer.put_journal(Entry("answer", "larch", "keeper", "why", {"n": number}, clock.now().utc_ms))
    writer.turn()


def checked(store: Store) -> Sealed:
    """Compare the journal with its heads."""
    check = heads.checker(store)
    assert check is not None
    with closing(open_reader(store.folder / "journal.db")) as connection:
        return check(connection)


def forge(store: Store, change: Callable[[sqlite3.Connection], object]) -> None:
    """Change the file as somebody with the disk in their hands could."""
    with closing(sqlite3.connect(store.folder / "journal.db")) as connection, connection:
        for trigger in ("journal_is_not_edited", "journal_is_not_deleted", "journal_grows_at_the_end"):
            connection.execute(f"DROP TRIGGER IF EXISTS {trigger}")
        change(connection)


def test_a_head_is_signed_once_a_day_and_at_the_end(store: Store, clock: ManualClock, writer: Writer) -> None:
    """At the first entry, not again within the day, again when it is over, and when the writer closes."""
    write(writer, clock, 3)
    assert (checked(store).heads, checked(store).last.sequence) == (1, 3)  # type: ignore[union-attr]
    clock.sleep(86_399)
    write(writer, clock, 1)
    assert checked(store).heads == 1
    clock.sleep(1)
    write(writer, clock, 1)
    assert (checked(store).heads, checked(store).last.sequence) == (2, 5)  # type: ignore[union-attr]
    write(writer, clock, 1)
    writer.close()
    assert (checked(store).holds, checked(store).heads) == (True, 3)


def test_nothing_new_is_nothing_to_sign(store: Store, clock: ManualClock, writer: Writer) -> None:
    """An idle week adds no head."""
    write(writer, clock, 2)
    for _ in range(7):
        clock.sleep(86_400)
        writer.turn()
    assert checked(store).heads == 1


def test_entries_cut_off_at_the_end_are_missed(store: Store, clock: ManualClock, writer: Writer) -> None:
    """The chain that is left holds; the head names the entry that is gone, and so does a controller at its start."""
    write(writer, clock, 5)
    writer.close()
    forge(store, lambda c: c.execute("DELETE FROM journal WHERE sequence > 3"))
    with closing(open_reader(store.folder / "journal.db")) as connection:
        assert journal.verify(connection).holds
    assert (checked(store).holds, checked(store).first_bad) == (False, 5)
    assert "cut off" in checked(store).detail
    assert journal_breaks_at(store) == 5


def test_a_chain_written_anew_is_not_the_signed_one(store: Store, clock: ManualClock, writer: Writer) -> None:
    """Whoever recomputes every hash has a chain that holds, and no key."""
    write(writer, clock, 2)
    writer.close()
    (store.folder / "journal.db").unlink()
    with closing(open_writer(store.folder / "journal.db", JOURNAL)) as connection:
        journal.append(connection, [Entry("answer", "larch", "keeper", "another why", {}, T0) for _ in range(2)])
        assert journal.verify(connection).holds
    assert checked(store).detail == "entry 2 is not the one that was signed"
    assert journal_breaks_at(store) == 2


def test_a_forged_head_does_not_carry_our_signature(store: Store, clock: ManualClock, writer: Writer) -> None:
    """Signed with another key, or changed after it was signed, or no head at all."""
    write(writer, clock, 2)
    writer.close()
    file = store.folder / heads.FILE
    told = json.loads(file.read_text())
    said = heads._said(told["sequence"], told["hash"], told["at_ms"])
    foreign = Ed25519PrivateKey.from_private_bytes(bytes(32)).sign(said).hex()
    for line in (
        json.dumps(told | {"signature": foreign}),
        json.dumps(told | {"at_ms": T0 + 1}),
        "no head",
        "[]",
        "{}",
    ):
        file.write_text(line + "\n")
        assert (checked(store).holds, "signature" in checked(store).detail) == (False, True)
        assert journal_breaks_at(store) > 0


def test_a_line_that_is_no_head_puts_what_follows_the_last_one_in_doubt(
    store: Store, clock: ManualClock, writer: Writer
) -> None:
    """A controller that starts must be told an entry, or it would take 0 for a journal that holds."""
    write(writer, clock, 2)
    writer.close()
    with (store.folder / heads.FILE).open("a") as file:
        file.write("no head\n")
    assert (checked(store).first_bad, journal_breaks_at(store)) == (3, 3)


def test_half_a_head_on_a_full_disk_spoils_no_later_one(store: Store, clock: ManualClock, writer: Writer) -> None:
    """The disk takes what fits of a line and refuses the rest; the next day's head is a line of its own."""
    write(writer, clock, 2)
    with (store.folder / heads.FILE).open("a") as file:
        file.write('{"at_ms":177')
    clock.sleep(86_400)
    write(writer, clock, 1)
    assert (checked(store).holds, checked(store).heads) == (True, 2)


def test_a_journal_that_is_gone_whole_is_missed(store: Store, clock: ManualClock, writer: Writer) -> None:
    """A start finds the signed heads of nothing, and says the same once another journal has begun in its place."""
    write(writer, clock, 3)
    writer.close()
    (store.folder / "journal.db").unlink()
    assert journal_breaks_at(store) == 3
    again = Writer(store.folder, clock)
    write(again, clock, 1)
    again.close()
    assert journal_breaks_at(store) == 3
    (store.folder / heads.FILE).unlink()
    assert journal_breaks_at(store) == 0
    (store.folder / "journal.db").unlink()
    assert journal_breaks_at(store) == 0, "as before the very first start"


def test_a_head_cut_short_by_a_power_failure_is_passed_over(store: Store, clock: ManualClock, writer: Writer) -> None:
    """The line without its end was never finished; the ones before it count, and the next goes on a line of its own."""
    write(writer, clock, 2)
    writer.close()
    file = store.folder / heads.FILE
    file.write_bytes(file.read_bytes() + b'{"at_ms":177')
    assert (checked(store).holds, checked(store).heads) == (True, 1)
    again = Writer(store.folder, clock, sealer=heads.sealer_of(store))
    write(again, clock, 1)
    again.close()
    assert (checked(store).holds, checked(store).heads) == (True, 2)


def test_a_clock_set_back_does_not_stop_the_signing(store: Store, clock: ManualClock, writer: Writer) -> None:
    """A head from the future is no reason to wait for it."""
    write(writer, clock, 1)
    clock.set_wall(T0 - 30 * DAY_MS)
    write(writer, clock, 1)
    assert (checked(store).holds, checked(store).heads) == (True, 2)


def test_the_public_key_alone_checks(store: Store, clock: ManualClock, writer: Writer) -> None:
    """Beside the private key, or elsewhere after it is gone."""
    write(writer, clock, 2)
    assert store.journal_key_file is not None
    public = heads.write_public(store.journal_key_file)
    assert "private" not in public.read_text()
    store.journal_key_file.unlink()
    assert checked(store.model_copy(update={"journal_key_file": public})).holds
    assert checked(store).holds


@pytest.mark.parametrize(("content", "fault"), [(None, "cannot be read"), ("abc", "64 hexadecimal digits")])
def test_a_missing_or_broken_key_is_named(tmp_path: Path, content: str | None, fault: str) -> None:
    """At the start, before anything is written."""
    key = tmp_path / "journal.key"
    if content is not None:
        key.write_text(content)
    with pytest.raises(SettingsError, match=fault):
        heads.sealer_of(Store(folder=tmp_path, journal_key_file=key))


def test_the_command_tells_both(
    store: Store, clock: ManualClock, writer: Writer, capsys: pytest.CaptureFixture[str]
) -> None:
    """`soilward verify`: status 0 with the number of heads, 1 and the entry once something is gone."""
    write(writer, clock, 4)
    writer.close()
    file = store.folder / "soilward.toml"
    site = raw_settings()["site"]
    probe = '[[enclosure.probe]]\nname = "soil"\nquantity = "soil"\ndepth_m = 0.1\n'
    heater = '[[enclosure]]\nname = "larch"\n[enclosure.heater]\nkind = "soil-cable"\nrated_w = 450\ndepth_m = 0.1\n'
    place = "".join(f"{name} = {json.dumps(value)}\n" for name, value in site.items())
    file.write_text(f'[site]\n{place}[store]\nfolder = "."\njournal_key_file = "journal.key"\n{heater}{probe}')
    assert main(["verify", "--settings", str(file)]) == 0
    assert "all 1 signed heads fit" in capsys.readouterr().out
    forge(store, lambda c: c.execute("DELETE FROM journal WHERE sequence = 4"))
    assert main(["verify", "--settings", str(file)]) == 1
    assert "entry 4 was signed and is gone" in capsys.readouterr().err


def test_what_was_signed_and_is_gone_is_told_by_every_walk(store: Store, clock: ManualClock, writer: Writer) -> None:
    """Also by one that reads only what is new, which finds a chain that holds; and no more once it is put back."""
    write(writer, clock, 5)
    writer.close()
    whole = (store.folder / "journal.db").read_bytes()
    forge(store, lambda c: c.execute("DELETE FROM journal WHERE sequence > 3"))
    chain = Chain(heads.checker(store))

    def walked(full: bool = False) -> tuple[bool, int | None]:
        with closing(open_reader(store.folder / "journal.db")) as connection:
            proof = chain.walk(connection, T0, full).proof
        return proof.holds, proof.first_bad

    assert [walked() for _ in range(3)] == [(False, 5)] * 3
    (store.folder / "journal.db").write_bytes(whole)
    assert (walked(full=True), walked()) == ((True, None), (True, None))


def test_a_disk_that_takes_no_head_is_told_of_now_and_then(
    store: Store, clock: ManualClock, writer: Writer, caplog: pytest.LogCaptureFixture
) -> None:
    """Each turn it filled what was left of the disk with the log: 7200 lines an hour. Room for it is used in time."""
    file = store.folder / heads.FILE
    file.mkdir()
    write(writer, clock, 1)
    for _ in range(7200):
        clock.sleep(0.5)
        writer.turn()
    assert 1 <= len([each for each in caplog.records if "not signed" in each.message]) <= 7
    file.rmdir()
    clock.sleep(600.0)
    writer.turn()
    assert checked(store).heads == 1
