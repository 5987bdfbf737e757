"""A real small disk, an image of its own: full, and turned read-only by its file system.

Needs root and a loop device; without them the injected errors of D01 and D06 carry this alone.
"""

import os
import shutil
import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import closing, suppress
from pathlib import Path

import pytest

from api.at_hand import new_key
from controller.clock import ManualClock, Moment
from controller.errors import StoreError
from controller.standing import from_text
from controller.store import journal, runs
from controller.store.connection import open_reader, open_writer
from controller.store.journal import Entry
from controller.store.migrations import JOURNAL, READINGS
from controller.store.readings import StoredReading
from controller.store.reserve import BYTES
from controller.store.writer import Writer
from controller.wire.inbox import Message
from controller.wire.senml import encode_senml
from tests.core_site import NIGHT_MS
from tests.faults.test_durable import Child, faults_of
from tests.unit.test_controller_shell import Shell
from tests.wire.kit import until

IMAGE_MB = 24
LEFT_BYTES = 20_000
PATIENCE_S = 60.0


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """Yield the folder where a fresh file system of 24 MB is mounted; it turns read-only at its first error."""
    image, place = tmp_path / "image", tmp_path / "disk"
    image.write_bytes(b"")
    os.truncate(image, IMAGE_MB << 20)
    place.mkdir()
    # Nothing kept for root: what a test leaves free is all there is.
    subprocess.run(["/usr/sbin/mkfs.ext4", "-q", "-m", "0", str(image)], check=True, timeout=30)
    mounted = ["mount", "-o", "loop,errors=remount-ro", str(image), str(place)]
    done = subprocess.run(mounted, check=False, capture_output=True, text=True, timeout=30)
    if done.returncode:
        pytest.skip(f"needs root and a loop device: {done.stderr.strip()}")
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True, timeout=30)


def entries(folder: Path) -> int:
    """Return how many entries the journal has."""
    with closing(open_reader(folder / "journal.db")) as journal:
        return int(journal.execute("SELECT count(*) FROM journal").fetchone()[0])


def _size(file: Path) -> int:
    return file.stat().st_size if file.exists() else 0


def waits_for(child: Child, more: bool) -> int:
    """Wait until acknowledgements come, or until none has come for three seconds; returns how many there are."""
    end_s, said, since_s = time.monotonic() + PATIENCE_S, len(child.told()), time.monotonic()
    while time.monotonic() < end_s:
        now = len(child.told())
        if now > said:
            if more:
                return now
            said, since_s = now, time.monotonic()
        elif not more and time.monotonic() - since_s > 3.0:
            return now
        time.sleep(0.05)
    raise AssertionError(f"still {said} after {PATIENCE_S:.0f} s")


def fill(ballast: Path, child: Child) -> None:
    """Write until the disk takes no more, and give 20 kB back.

    The writer stands still meanwhile, or what it gives up for its journal would be filled as well.
    """
    child.process.send_signal(signal.SIGSTOP)
    os.waitid(os.P_PID, child.process.pid, os.WSTOPPED)
    with ballast.open("wb", buffering=0) as file:
        with suppress(OSError):
            while file.write(os.urandom(65_536)):
                pass
        file.truncate(file.tell() - LEFT_BYTES)
        os.fsync(file.fileno())
    child.process.send_signal(signal.SIGCONT)


def test_on_a_full_disk_nothing_is_acknowledged_the_journal_is_written_and_it_goes_on(disk: Path) -> None:
    """Room for the journal is kept; once there is room again all that waited is kept, once."""
    folder, ballast = disk / "data", disk / "ballast"
    folder.mkdir()
    with Child(folder, 0) as child:
        child.wait_until_it_writes()
        until("the reserve is taken", lambda: _size(folder / "reserve") == BYTES, PATIENCE_S)
        fill(ballast, child)
        full = waits_for(child, more=False)
        until("the reserve is given up", lambda: not (folder / "reserve").exists(), PATIENCE_S)
        until("the journal goes on", lambda: entries(folder) * 100 > full + 10_000, PATIENCE_S)
        before = entries(folder)
        ballast.unlink()
        assert waits_for(child, more=True) > full
        acknowledged = child.kill()
    assert faults_of(folder, acknowledged) == []
    assert entries(folder) >= before


def test_a_restart_on_a_full_disk_leaves_the_journal_its_room(disk: Path) -> None:
    """The reserve was given up before it: what is left is the journal's still, until there is room to take it again."""
    free, clock, told = os.statvfs(disk), ManualClock(Moment(0.0, 1_772_000_000_000)), []
    (disk / "ballast").write_bytes(os.urandom(free.f_bavail * free.f_frsize - BYTES))
    with closing(Writer(disk, clock)) as writer:
        writer.put_reading(
            StoredReading("larch", "soil", "soil", "Cel", 15.0, 1_772_000_000_000, 1_772_000_000_000, "good"),
            lambda: told.append("kept"),
        )
        writer.put_journal(Entry("trip", "larch", "controller", "", {}, 1_772_000_000_000))
        for _ in range(3):
            clock.sleep(3.0)
            writer.turn()
        assert (entries(disk), told) == (1, [])
        (disk / "ballast").unlink()
        for _ in range(3):
            clock.sleep(3.0)
            writer.turn()
        assert told == ["kept"]


def test_a_controller_starts_on_a_disk_without_any_room_and_says_so(disk: Path) -> None:
    """It ended at each start, over a run left open or already over a database it could not open; nobody said why."""
    folder, ballast = disk / "data", disk / "ballast"
    folder.mkdir()
    first = Shell(folder)
    first.controller.writer.turn()
    first.controller._end()
    assert _size(folder / "reserve") == BYTES
    with closing(open_writer(folder / "readings.db", READINGS)) as record:
        runs.begin(record, "larch", NIGHT_MS)
    before = entries(folder)
    with ballast.open("wb", buffering=0) as file, suppress(OSError):
        while file.write(os.urandom(4096)):
            pass
    second = Shell(folder)
    for _ in range(80):
        second.clock.sleep(1.0)
        second.controller.writer.turn()
        second.controller.writer.put_run(runs.RunBegan("larch", NIGHT_MS))
    assert entries(folder) > before
    assert [name for name, _ in second.controller._record.notes(second.clock.now())] == ["unrecorded"]
    second.controller._end()
    with ballast.open("ab", buffering=0) as file, suppress(OSError):
        while file.write(os.urandom(4096)):
            pass
    with pytest.raises(StoreError, match="free the disk"):
        Shell(folder)


def test_what_latches_on_a_full_disk_is_kept_though_the_journal_still_finds_room(disk: Path) -> None:
    """Its log goes on in the room that it has grown to, so nobody gave the reserve up: a power cut forgot the trip."""
    folder = disk / "data"
    folder.mkdir()
    shell = Shell(folder)
    writer = shell.controller.writer
    for number in range(40):
        writer.put_journal(Entry("alert", "larch", "a test", "", {"number": number}, NIGHT_MS))
        writer.turn()
    writer._journal.file.connection.execute("PRAGMA wal_checkpoint")
    with (disk / "ballast").open("wb", buffering=0) as file, suppress(OSError):
        while file.write(os.urandom(4096)):
            pass
    now, before = shell.clock.now(), entries(folder)
    hot = encode_senml("larch", "soil", "Cel", [(now.utc_ms, 46.0)])
    shell.controller.inbox.messages.put(Message("soilward/larch/probe/soil", hot, False, now, 0, 0, 1))
    for _ in range(2):
        shell.turn(1)
        writer.turn()
    kept = from_text((folder / "standing.json").read_text(encoding="utf-8"))
    assert [each.name for each in kept.enclosures["larch"].trips] == ["soil-over:soil"]
    assert entries(folder) > before
    shell.controller._end()


def test_on_a_disk_without_any_room_the_pages_begin_with_the_key_they_had(disk: Path) -> None:
    """They ended at each start, and with them went the only word that people see; one left empty lets nobody in."""
    key = new_key(disk)
    with (disk / "ballast").open("wb", buffering=0) as file, suppress(OSError):
        while file.write(os.urandom(4096)):
            pass
    assert new_key(disk) == key
    (disk / "api.key").write_text("", encoding="ascii")
    # Whatever was freed by that: here something else is in the way.
    (disk / "ballast").unlink()
    (disk / "api.key.new").unlink(missing_ok=True)
    (disk / "api.key.new").mkdir()
    with pytest.raises(IsADirectoryError):
        new_key(disk)


def test_on_a_disk_gone_read_only_nothing_is_acknowledged_and_nothing_is_lost(disk: Path) -> None:
    """As a worn memory card does it: the file system meets an error and takes no more writes, under the writer."""
    folder = disk / "data"
    folder.mkdir()
    with Child(folder, 0) as child:
        child.wait_until_it_writes()
        device = Path(subprocess.check_output(["findmnt", "-no", "SOURCE", str(disk)], text=True).strip()).name
        Path(f"/sys/fs/ext4/{device}/trigger_fs_error").write_text("1\n", encoding="ascii")
        refused = waits_for(child, more=False)
        assert entries(folder) > 0
        assert refused > 0
        with pytest.raises(OSError, match="Read-only"):
            (disk / "anything").write_text("", encoding="ascii")
        acknowledged = child.kill()
    copy = disk.parent / "copy"
    shutil.copytree(folder, copy, ignore=shutil.ignore_patterns("*.lock", "*-shm"))
    assert faults_of(copy, acknowledged) == []


def test_a_copy_on_a_disk_that_cannot_be_written_is_read(disk: Path) -> None:
    """As an insurer gets it; one that was copied from under its writer says what is missing."""
    writer = open_writer(disk / "journal.db", JOURNAL)
    journal.append(writer, [Entry("trip", "larch", "controller", "", {}, 1_772_000_000_000)])
    for each in ("journal.db", "journal.db-wal"):
        shutil.copy(disk / each, disk / f"open-{each}")
    writer.close()
    subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True, timeout=30)
    with closing(open_reader(disk / "journal.db")) as copy:
        assert journal.verify(copy).entries == 1
    with pytest.raises(StoreError, match=r"read-only, and open-journal\.db-wal is not folded in; copy both"):
        open_reader(disk / "open-journal.db")
