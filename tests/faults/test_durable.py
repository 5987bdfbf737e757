"""Acknowledged means on disk: a writer killed, stopped in the middle, or copied as a power cut would leave it."""

import os
import random
import shutil
import signal
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path

import pytest

from controller.store import journal
from controller.store.connection import open_writer
from controller.store.migrations import JOURNAL, READINGS
from tests.faults.writing_child import T0
from tests.kept import rows, rows_in
from tests.wire.kit import until

TIMES = 10
LONG_TIMES = 200


class Child:
    """One writing process, and what it has acknowledged."""

    def __init__(self, folder: Path, begin: int) -> None:
        command = [sys.executable, "-m", "tests.faults.writing_child", str(folder), str(begin)]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE)
        self._told = b""

    def told(self) -> set[int]:
        """Return the numbers acknowledged so far."""
        assert self.process.stdout is not None
        os.set_blocking(self.process.stdout.fileno(), False)
        while True:
            try:
                part = os.read(self.process.stdout.fileno(), 1 << 20)
            except BlockingIOError:
                break
            if not part:
                break
            self._told += part
        return {int(line) for line in self._told.split(b"\n")[:-1]}

    def wait_until_it_writes(self) -> None:
        """Wait for the first acknowledgement."""
        end_s = time.monotonic() + 20.0
        while not self.told():
            assert time.monotonic() < end_s, "nothing was acknowledged within 20 s"
            time.sleep(0.01)

    def kill(self) -> set[int]:
        """Kill it, and return all it had acknowledged."""
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()
        return self.told()

    def __enter__(self) -> "Child":
        return self

    def __exit__(self, *_: object) -> None:
        """Leave nothing running, whatever failed."""
        self.process.kill()
        self.process.wait()
        if self.process.stdout is not None:
            self.process.stdout.close()


def faults_of(folder: Path, acknowledged: set[int]) -> list[str]:
    """Return what a reopened record lacks, in words; opening it as its writer recovers what a crash left."""
    faults = []
    with closing(open_writer(folder / "readings.db", READINGS)) as record:
        times = [(row[1] - T0) // 1000 for row in rows(record)]
        kept = set(times)
        sound = record.execute("PRAGMA integrity_check").fetchone()[0]
    if lost := acknowledged - kept:
        faults.append(f"{len(lost)} acknowledged readings are missing, the first {min(lost)}")
    if len(times) != len(kept):
        faults.append(f"{len(times)} readings, and {len(kept)} of them different")
    if sound != "ok":
        faults.append(f"the file is not sound: {sound}")
    with closing(open_writer(folder / "journal.db", JOURNAL)) as written:
        proof = journal.verify(written)
    if not proof.holds:
        faults.append(proof.detail)
    return faults


def killed_again_and_again(folder: Path, times: int, seed: int) -> None:
    """Kill the writer at random instants; each begins where the acknowledgements of the last one ended."""
    draw, acknowledged = random.Random(seed), set[int]()
    for _ in range(times):
        # What was put and never acknowledged is put again, as a broker would deliver it again.
        with Child(folder, max(acknowledged, default=-1) + 1) as child:
            child.wait_until_it_writes()
            time.sleep(draw.uniform(0.0, 0.3))
            acknowledged |= child.kill()
        assert faults_of(folder, acknowledged) == []
    assert acknowledged == set(range(len(acknowledged)))
    assert len(acknowledged) > 100 * times


def test_a_writer_killed_at_any_instant_loses_nothing_it_acknowledged(tmp_path: Path) -> None:
    """Ten times SIGKILL: every acknowledged reading once, roll-ups that add up, a chain that holds."""
    killed_again_and_again(tmp_path, TIMES, 1)


@pytest.mark.long
@pytest.mark.timeout(1800)
def test_two_hundred_times_killed(tmp_path: Path) -> None:
    """The same, 200 times."""
    killed_again_and_again(tmp_path, LONG_TIMES, 2)


def test_what_a_power_cut_would_leave_opens_whole(tmp_path: Path) -> None:
    """The writer is stopped at random instants and its files are copied as they stand: each copy opens, and holds
    everything acknowledged by then."""
    live, draw = tmp_path / "live", random.Random(3)
    live.mkdir()
    with Child(live, 0) as child:
        child.wait_until_it_writes()
        for number in range(TIMES):
            time.sleep(draw.uniform(0.0, 0.2))
            child.process.send_signal(signal.SIGSTOP)
            os.waitid(os.P_PID, child.process.pid, os.WSTOPPED)
            acknowledged, copy = child.told(), tmp_path / f"copy-{number}"
            shutil.copytree(live, copy, ignore=shutil.ignore_patterns("*.lock", "*-shm"))
            child.process.send_signal(signal.SIGCONT)
            assert faults_of(copy, acknowledged) == []


def test_a_second_writer_is_refused_while_the_first_one_writes(tmp_path: Path) -> None:
    """By the lock, with the first one's process id; the first one goes on."""
    with Child(tmp_path, 0) as child:
        child.wait_until_it_writes()
        command = [sys.executable, "-m", "tests.faults.writing_child", str(tmp_path), "0"]
        second = subprocess.run(command, capture_output=True, text=True, check=False)
        assert second.returncode != 0
        assert f"process {child.process.pid} is already writing it" in second.stderr
        before = len(child.told())
        until("it goes on", lambda: len(child.told()) > before, 20.0)
        acknowledged = child.kill()
    assert len(rows_in(tmp_path)) >= len(acknowledged)
