"""What outlives a restart: written whole, read strictly, latched where lost."""

import hashlib
import json
from dataclasses import asdict, replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.memory import Memory
from controller.safety.trip import Trip, TripKind
from controller.standing import Kept, Standing, as_text, from_text, recall, save

FULL = Standing(
    True, 18.5, 99, (Trip(TripKind.AIR_FIRE, "air", 58.0, 57.0, 5, "hot"),), (("air-fire:air", 4), ("x", 5)), 12,
    7, (("differ:a:b", 8), ("hot-air", 9)), 17, 10, 81_000, 70_000,
)  # fmt: skip
KEPT = Kept(7, {"larch": FULL, "fig": Standing()})


def test_what_is_written_is_read_back() -> None:
    """Every field, trips and resets included."""
    assert from_text(as_text(KEPT)) == KEPT
    assert from_text(as_text(Kept(0, {}))) == Kept(0, {})


def test_it_has_a_line_for_each_enclosure() -> None:
    """So that a person can read it; the checksum is the first line."""
    first, *lines = as_text(KEPT).splitlines()
    assert len(first) == 64
    assert [line[:9] for line in lines] == ['{"epoch":', '"larch": ', '"fig": {"', "}}"]


def test_a_file_in_the_old_form_is_read() -> None:
    """It had a line for each value."""
    assert from_text(with_right_checksum(json.dumps(asdict(KEPT), sort_keys=True, indent=1))) == KEPT


def test_a_file_from_before_there_were_alerts_and_proofs_still_loads() -> None:
    """What an older version wrote has fewer fields: they start as on a first day, and its latches hold."""
    old = {
        "epoch": 3,
        "enclosures": {
            "larch": {
                "armed": True, "override_c": 18.5, "override_until_ms": None, "answered": 4, "resets": [["x", 5]],
                "trips": [
                    {"kind": "soil-over", "probe": "soil", "value": 41.0, "limit": 40.0, "at_ms": 9, "detail": "hot"}
                ],
            }
        },
    }  # fmt: skip
    (larch,) = from_text(with_right_checksum(json.dumps(old))).enclosures.values()
    trip = Trip(TripKind.SOIL_OVER, "soil", 41.0, 40.0, 9, "hot")
    assert larch == Standing(True, 18.5, None, (trip,), (("x", 5),), 4)
    assert (larch.at_work_until_ms, larch.shelved, larch.acknowledged, larch.proved_ms, larch.closings) == (
        None, (), 0, None, 0,
    )  # fmt: skip


def test_what_is_saved_is_recalled(tmp_path: Path) -> None:
    """C16: after a restart the latches are as they were; no scrap of the writing is left."""
    path = tmp_path / "standing.json"
    save(path, Kept(1, {}))
    save(path, KEPT)
    assert recall(path, ("larch", "fig"), False, 0) == KEPT
    assert [each.name for each in tmp_path.iterdir()] == ["standing.json"]


@given(st.integers(0, 2000), st.integers(1, 255))
def test_any_one_byte_changed_is_noticed(place: int, change: int) -> None:
    """D03: no single damaged byte gives other standing orders."""
    raw = bytearray(as_text(KEPT).encode())
    raw[place % len(raw)] ^= change
    try:
        read = from_text(raw.decode("utf-8"))
    except ValueError:
        return
    assert read == KEPT


@pytest.mark.parametrize("cut", [0, 1, 64, 65, 66, 200, -2])
def test_a_cut_file_is_noticed(cut: int) -> None:
    """D05: a file cut anywhere that matters does not pass."""
    with pytest.raises(ValueError, match="checksum"):
        from_text(as_text(KEPT)[:cut])


def with_right_checksum(body: str) -> str:
    """Return a file whose checksum fits whatever it says."""
    return f"{hashlib.sha256(body.encode()).hexdigest()}\n{body}\n"


@pytest.mark.parametrize(
    "body",
    [
        "[]",
        "{}",
        "7",
        '{"epoch": 1}',
        '{"epoch": 1, "enclosures": {"larch": {}}}',
        json.dumps({"epoch": 1, "enclosures": {"larch": {"trips": [{"kind": "unheard-of"}], "resets": []}}}),
        json.dumps({"epoch": 1, "enclosures": {"larch": {"trips": [], "resets": [], "surprise": 1}}}),
        json.dumps({"epoch": 1, "enclosures": []}),
    ],
)
def test_a_file_that_fits_its_checksum_but_not_its_form_is_latched(body: str, tmp_path: Path) -> None:
    """D03: a newer or foreign form is not guessed at."""
    path = tmp_path / "standing.json"
    path.write_text(with_right_checksum(body), encoding="utf-8")
    kept = recall(path, ("larch", "fig"), False, 1_772_000_000_000)
    assert {name: each.trips[0].kind for name, each in kept.enclosures.items()} == {
        "larch": TripKind.LATCHES_LOST,
        "fig": TripKind.LATCHES_LOST,
    }
    assert not any(each.armed for each in kept.enclosures.values())


def test_bytes_that_are_no_text_are_latched(tmp_path: Path) -> None:
    """D03: a disk that returns rubbish."""
    path = tmp_path / "standing.json"
    path.write_bytes(b"\xff\xfe\x00" * 50)
    assert recall(path, ("larch",), False, 5).enclosures["larch"].trips[0].kind is TripKind.LATCHES_LOST


def test_a_missing_file_is_no_loss_only_at_the_very_first_start(tmp_path: Path) -> None:
    """With a record but no file the latches are lost; with neither there were none."""
    path = tmp_path / "standing.json"
    assert recall(path, ("larch",), True, 5) == Kept(0, {})
    lost = recall(path, ("larch",), False, 1_772_000_000_000)
    assert "missing" in lost.enclosures["larch"].trips[0].detail
    assert lost.epoch == 1_772_000_000


def test_damage_is_latched_even_at_a_first_start(tmp_path: Path) -> None:
    """A file that is there and bad is a loss whatever the record says."""
    path = tmp_path / "standing.json"
    path.write_text("rubbish", encoding="utf-8")
    assert recall(path, ("larch",), True, 5).enclosures["larch"].trips


def test_a_change_is_owed_until_it_is_saved_and_a_count_after_a_minute(tmp_path: Path) -> None:
    """Asking changes nothing; a disk that refuses leaves it owed, and a later note of nothing new does too."""
    memory = Memory(tmp_path, ("larch",), 0)
    counted = replace(FULL, closings=FULL.closings + 1)
    memory.note(FULL, FULL, 0.0)
    assert not memory.owes(1000.0)
    memory.note(FULL, counted, 1000.0)
    memory.note(counted, replace(FULL, closings=FULL.closings + 2), 1059.0)
    assert [memory.owes(at_s) for at_s in (1000.0, 1059.9, 1060.0, 1059.9)] == [False, False, True, False]
    memory.note(FULL, replace(FULL, armed=False), 1001.0)
    memory.note(FULL, FULL, 1001.0)
    assert memory.owes(1001.0)
    (tmp_path / "standing.json").unlink()
    (tmp_path / "standing.json").mkdir()
    memory.save({"larch": FULL})
    assert (memory.is_saved, memory.owes(1001.0)) == (False, True)
    (tmp_path / "standing.json").rmdir()
    memory.save({"larch": FULL})
    assert (memory.is_saved, memory.owes(5000.0)) == (True, False)
