"""`soilward forwarder` as a process of its own: it copies, waits while the store is away, and ends when told."""

import signal
import subprocess
import sys
from pathlib import Path

import pytest

from api.review.kept import Kept
from controller.settings import Remote
from controller.store.told import Told, told
from tests.remote.conftest import START_MS, Keep, Victoria, many, settle
from tests.wire.kit import a_free_port, until, write_site

pytestmark = pytest.mark.parametrize("remote", ["victoria-metrics"], indirect=True)


def word(folder: Path) -> Told:
    """Return its last word, or one that says nothing yet."""
    return told(folder) or Told(0, None, 0, 0, "not started")


def test_it_copies_waits_and_ends(folder: Path, keep: Keep, remote: Remote, victoria: Victoria, kept: Kept) -> None:
    """Killed and started again it goes on where it was; the store may go and come back meanwhile."""
    file = write_site(folder.parent, a_free_port())
    place = f'[remote]\nkind = "victoria-metrics"\nurl = "{remote.url}"\nsite = "{remote.site}"\n'
    file.write_text(file.read_text().replace('folder = "data"', f'folder = "{folder}"') + place)
    command = [sys.executable, "-m", "controller.cli", "forwarder", "--settings", str(file)]
    said = many("bed", 600, 1)
    keep(*said[:300])
    first = subprocess.Popen(command)
    until("the first half is sent", lambda: word(folder).sent > 300, 30)
    first.send_signal(signal.SIGKILL)
    first.wait()
    victoria.stop()
    keep(*said[300:])
    second = subprocess.Popen(command)
    until("the store is missed", lambda: "cannot be reached" in word(folder).trouble, 30)
    victoria.start()
    until("the rest is sent", lambda: word(folder).oldest_ms is None and word(folder).sent > 300, 60)
    second.terminate()
    assert second.wait(10) == 0
    settle(remote)
    (theirs,) = kept.series(remote.site, "larch", START_MS, START_MS + 7_200_000, 1)
    assert theirs.rows[0].count == sum(each.grade != "refused" for each in said)
