"""The record copied to a real store elsewhere and read back: nothing lost, nothing twice."""

from dataclasses import replace
from pathlib import Path

import pytest

from api.review.kept import Kept, Run
from controller.heater_log import LET_GO
from controller.settings import Remote
from controller.store.journal import Entry
from controller.store.runs import RunBegan, RunEnded, RunEnergy, RunExplained
from tests.remote.conftest import HOUR_MS, START_MS, Keep, Send, forwarder_of, local, many, said, send_all


@pytest.mark.parametrize("points", [1, 7, 240, 1500])
def test_a_series_read_back_is_the_series_on_record(
    points: int, folder: Path, keep: Keep, send: Send, kept: Kept, remote: Remote
) -> None:
    """Least, mean, most, count and gaps, at any zoom."""
    keep(*many("bed", 3000, 1), *many("deep", 2000, 2))
    send()
    end_ms = START_MS + 9 * HOUR_MS
    there = kept.series(remote.site, "larch", START_MS, end_ms, points)
    for ours, theirs in zip(local(folder, end_ms, points), there, strict=True):
        assert (theirs.probe, theirs.quantity, theirs.unit) == (ours.probe, ours.quantity, ours.unit)
        assert [(row.start_ms, row.count) for row in theirs.rows] == [(row.start_ms, row.count) for row in ours.rows]
        for one, other in zip(ours.rows, theirs.rows, strict=True):
            assert (other.least, other.most) == (one.least, one.most)
            assert other.mean == pytest.approx(one.mean, abs=1e-9)


def test_what_is_sent_twice_counts_once(folder: Path, keep: Keep, kept: Kept, remote: Remote) -> None:
    """A forwarder killed between the store's answer and its own note sends again: same stamps, same tags."""
    keep(*many("bed", 500, 3))
    for _ in range(2):
        (folder / "outbox.db").unlink(missing_ok=True)
        one = forwarder_of(folder, remote)
        send_all(one, remote)
        one.close()
    end_ms = START_MS + 3 * HOUR_MS
    (theirs,) = kept.series(remote.site, "larch", START_MS, end_ms, 1)
    (ours,) = local(folder, end_ms, 1)
    assert theirs.rows[0].count == ours.rows[0].count


def test_what_comes_late_is_sent_late(folder: Path, keep: Keep, send: Send, kept: Kept, remote: Remote) -> None:
    """A node's backlog lies before what was sent already, and is not forgotten."""
    everything = many("bed", 1000, 6)
    keep(*everything[:200], *everything[700:])
    send()
    keep(*everything[200:700])
    send()
    end_ms = START_MS + 4 * HOUR_MS
    (theirs,) = kept.series(remote.site, "larch", START_MS, end_ms, 100)
    (ours,) = local(folder, end_ms, 100)
    assert [(row.start_ms, row.count) for row in theirs.rows] == [(row.start_ms, row.count) for row in ours.rows]


def as_kept(remote: Remote, text: str) -> str:
    """Return a text as the store keeps it: to the letter, or as a tag, which holds neither line break nor backslash."""
    return text if remote.kind == "influxdb-2" else text.replace("\\", "/").replace("\n", " ")


def test_runs_come_with_their_energy_once_they_have_ended(keep: Keep, send: Send, kept: Kept, remote: Remote) -> None:
    """An open run is not sent; one whose energy nobody measured has none."""
    keep(RunBegan("larch", START_MS), RunEnergy("larch", 3.6e6), RunEnded("larch", START_MS + 60_000, "warm enough"))
    keep(RunBegan("elder", START_MS + 1), RunEnded("elder", START_MS + 5001, 'it said "off", \\ and left'))
    keep(RunBegan("larch", START_MS + 90_000))
    send()
    (run,) = kept.runs(remote.site, "larch", START_MS, START_MS + HOUR_MS)
    assert (run.start_ms, run.seconds, run.energy_j, run.ended_by) == (START_MS, 60.0, 3.6e6, "warm enough")
    (other,) = kept.runs(remote.site, "elder", START_MS, START_MS + HOUR_MS)
    assert (other.energy_j, other.ended_by) == (None, as_kept(remote, 'it said "off", \\ and left'))
    keep(RunEnded("larch", START_MS + 100_000, "warm enough"))
    send()
    assert len(kept.runs(remote.site, "larch", START_MS, START_MS + HOUR_MS)) == 2


SILENT = RunEnded("larch", START_MS + 60_000, "node silent")


def test_what_becomes_known_later_of_a_run_reaches_the_copy(
    folder: Path, keep: Keep, kept: Kept, remote: Remote
) -> None:
    """The node tells hours later that its lease had lapsed: the copy has the new words; sent again, nothing changes."""
    keep(RunBegan("larch", START_MS), RunEnergy("larch", 3.6e6), SILENT)
    said = []
    for _ in range(3):
        one = forwarder_of(folder, remote)
        send_all(one, remote)
        one.close()
        said += kept.runs(remote.site, "larch", START_MS, START_MS + HOUR_MS)
        if len(said) == 1:
            keep(RunExplained("larch", LET_GO))
        else:
            (folder / "outbox.db").unlink()
    let_go = Run(START_MS, 60.0, 3.6e6, "node silent; it let go by itself")
    assert said == [replace(let_go, ended_by="node silent"), let_go, let_go]


def test_a_run_explained_before_it_was_sent_goes_once_and_the_next_ones_words_stay_apart(
    keep: Keep, send: Send, kept: Kept, remote: Remote
) -> None:
    """Nothing is said of another run, nor of another enclosure's."""
    keep(RunBegan("larch", START_MS), SILENT, RunExplained("larch", LET_GO))
    keep(RunBegan("elder", START_MS), RunEnded("elder", START_MS + 9000, "node silent"))
    send()
    keep(RunBegan("larch", START_MS + 90_000), RunEnded("larch", START_MS + 95_000, "warm enough"))
    keep(RunExplained("elder", LET_GO))
    send()
    words = {
        name: [run.ended_by for run in kept.runs(remote.site, name, START_MS, START_MS + HOUR_MS)]
        for name in ("larch", "elder")
    }
    let_go = "node silent; it let go by itself"
    assert words == {"larch": [let_go, "warm enough"], "elder": [let_go]}


def test_the_journal_comes_whole_and_in_order(keep: Keep, send: Send, kept: Kept, remote: Remote) -> None:
    """Entries of one millisecond, quotes, line breaks, another alphabet: all there, newest first."""
    whys = ("plain", 'a "quoted" word', "two\nlines", "ends in \\", "čšž, and = so on", "")
    keep(*(Entry("set-point", "larch", "keeper", why, {"said": why, "c": 18.5}, START_MS) for why in whys))
    keep(Entry("start", None, "controller", "", {}, START_MS + 1))
    send()
    found = kept.journal(remote.site, START_MS, START_MS + HOUR_MS, 100)
    assert [each.sequence for each in found] == [7, 6, 5, 4, 3, 2, 1]
    assert [each.why for each in reversed(found[1:])] == [as_kept(remote, why) for why in whys]
    assert found[0].enclosure is None
    assert found[-1].body == {"said": "plain", "c": 18.5}
    assert len({each.hash for each in found}) == 7


def test_many_sites_are_told_apart(keep: Keep, send: Send, kept: Kept, remote: Remote) -> None:
    """Names of sites and enclosures, and the newest reading of each probe."""
    keep(*many("bed", 30, 7), *many("bed", 30, 8, "elder"), said("bed", START_MS + HOUR_MS, 99.0, "refused"))
    send()
    assert {(remote.site, "elder"), (remote.site, "larch")} <= set(kept.enclosures())
    (last,) = kept.latest(START_MS + 2 * HOUR_MS, remote.site, "larch")
    assert last.at_ms == many("bed", 30, 7)[-1].taken_ms
    assert last.value == many("bed", 30, 7)[-1].value
    assert kept.latest(START_MS + HOUR_MS, "elsewhere", "larch") == []
    everywhere = [each.enclosure for each in kept.latest(START_MS + HOUR_MS) if each.site == remote.site]
    assert everywhere == ["elder", "larch"]


def test_a_probe_whose_quantity_was_put_right_is_told_by_its_newest_reading(
    keep: Keep, send: Send, kept: Kept, remote: Remote
) -> None:
    """For a day it has said two: what came under the wrong one stood as of now."""
    for at_ms in (START_MS, START_MS + HOUR_MS):
        right, wrong = (said(f"p{n}", at_ms, 20.0 if at_ms == START_MS else 4.5) for n in range(2))
        one, other = ("soil", "air") if at_ms == START_MS else ("air", "soil")
        keep(right._replace(quantity=one), wrong._replace(quantity=other))
        send()
    found = [(each.probe, each.quantity, each.value, each.at_ms) for each in kept.latest(START_MS + HOUR_MS + 5000)]
    now_ms = START_MS + HOUR_MS
    assert found == [("p0", "air", 4.5, now_ms), ("p1", "soil", 4.5, now_ms)]


def test_a_journal_begun_anew_stands_before_the_one_put_away(
    folder: Path, keep: Keep, send: Send, kept: Kept, remote: Remote
) -> None:
    """It counts from 1 again: by number alone its entries came last, and a full page never showed them."""
    keep(*(Entry("answer", "larch", "keeper", f"old {n}", {}, START_MS + n) for n in range(9)))
    send()
    (folder / "journal.db").rename(folder / "journal.db.away")
    keep(Entry("start", None, "soilward", "new", {}, START_MS + 60_000))
    send()
    found = kept.journal(remote.site, START_MS, START_MS + HOUR_MS, 3)
    assert [each.why for each in found] == ["new", "old 8", "old 7"]
