"""The record as lines: what is sent anew replaces what it replaces, and adds nothing to it."""

import re

import pytest

from controller.settings import RemoteKind
from controller.store.journal import GENESIS, JSON, StoredEntry
from controller.store.points import LONGEST_FIELD, LONGEST_LABEL, Points

RUN = ("larch", 1_767_225_600_000, 1_767_225_660_000, 3.6e6)


@pytest.mark.parametrize("kind", [RemoteKind.INFLUXDB_2, RemoteKind.INFLUXDB_3])
def test_new_words_of_a_run_replace_the_old_ones_where_a_point_does(kind: RemoteKind) -> None:
    """Same measurement, tags and stamp: the store keeps one point, with the last fields."""
    points = Points(kind, "hollow")
    first = points.run(*RUN, "node silent").to_line_protocol()
    again = points.run(*RUN, "node silent; it let go by itself").to_line_protocol()
    assert again == first.replace("silent", "silent; it let go by itself")
    assert again.startswith("heater_run,enclosure=larch,site=hollow ")


def test_where_words_are_tags_they_come_without_what_would_count_twice() -> None:
    """A second series of seconds or energy would be a second run to whoever adds them up."""
    line = Points(RemoteKind.VICTORIA_METRICS, "hollow").explained(*RUN[:2], "node silent; again", 7).to_line_protocol()
    assert line.endswith(" explained=7i 1767225600000000000")
    assert "seconds" not in line
    assert "energy" not in line


def test_a_long_entry_is_cut_to_what_a_store_takes_by_itself() -> None:
    """Longer labels are dropped with all that they stand on: each start of twenty enclosures."""
    body: dict[str, JSON] = {"standing": {f"bed-{n}": {"said": "\N{SNOWFLAKE}" * 40} for n in range(90)}}
    entry = StoredEntry(7, RUN[1], "start", None, "soilward", "began", body, "0" * 64, "1" * 64)
    line = Points(RemoteKind.VICTORIA_METRICS, "hollow").entry(entry).to_line_protocol()
    labels = {
        name: text.replace("\\", "")
        for name, text in re.findall(r"[, ](\w+)=((?:\\.|[^, ])*)", line.split(" sequence=")[0])
    }
    assert labels["hash"] == "1" * 64
    assert labels["body"].startswith('{"standing": {"bed-0": {"said": "\N{SNOWFLAKE}')
    assert 3500 < max(len(text.encode()) for text in labels.values()) <= 4096


@pytest.mark.parametrize("more", [0, 1])
@pytest.mark.parametrize(
    ("kind", "longest"), [(RemoteKind.VICTORIA_METRICS, LONGEST_LABEL), (RemoteKind.INFLUXDB_2, LONGEST_FIELD)]
)
def test_a_text_too_long_for_a_store_is_cut_and_says_so(kind: RemoteKind, longest: int, more: int) -> None:
    """Else the store itself would cut it, or drop the entry, or nobody could read it back; no letter is cut in two."""
    why = "x" + "č" * ((longest + more - 1) // 2) + "x" * ((longest + more - 1) % 2)
    entry = StoredEntry(7, RUN[1], "answer", "larch", "keeper", why, {}, GENESIS, GENESIS)
    point = Points(kind, "hollow").entry(entry)
    kept = (point._tags | point._fields)["why"]
    assert (kept == why, kept.endswith("č ...")) == (not more, bool(more))
    assert len(kept.encode()) <= longest + 4 <= 65_536


def test_a_text_of_several_lines_is_one_line_where_it_is_a_label() -> None:
    """As another system's browser sends them: each break, and each tab, stood there as a backslash and a letter."""
    entry = StoredEntry(7, RUN[1], "answer", "larch", "keeper", "wet\r\nand\tcold \\", {}, GENESIS, GENESIS)
    line = Points(RemoteKind.VICTORIA_METRICS, "hollow").entry(entry).to_line_protocol()
    assert r",why=wet\ \ and\ cold\ / sequence=7i" in line
