"""What people asked, read forward by a controller that starts."""

from contextlib import closing
from pathlib import Path

import pytest

from api.writer import open_requests
from controller.asked import Asked
from controller.errors import StoreError
from controller.standing import FILE, Kept, Standing, save
from controller.store import requests
from controller.store.connection import open_writer
from controller.store.migrations import REQUESTS

AT_MS = 1_772_338_322_000


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return a folder in which `larch` was asked 350 times and `elder` never."""
    with closing(open_writer(tmp_path / "requests.db", REQUESTS)) as store:
        for _ in range(350):
            requests.file(store, AT_MS, "larch", "set-point", {"set_point_c": 12.0}, "keeper", "a test")
    return tmp_path


def _asked(folder: Path, enclosure: str, kind: requests.Kind) -> int:
    with closing(open_writer(folder / "requests.db", REQUESTS)) as store:
        return requests.file(store, AT_MS, enclosure, kind, {}, "keeper", "a test")


def test_a_stop_does_not_wait_behind_all_that_was_ever_asked(folder: Path) -> None:
    """A08: heard at the first look of a controller that was started anew, and nothing answered comes again."""
    stop = _asked(folder, "elder", "stop")
    asked = Asked(folder, {"larch": 350, "elder": 0})
    assert [each.id for each in asked.poll(0.0)] == [stop]
    assert asked.poll(1.0) == []


def test_what_was_not_answered_comes_whole_and_in_order(folder: Path) -> None:
    """Two hundred and fifty of them, more than one piece; of an enclosure that is gone none."""
    _asked(folder, "gone", "stop")
    disarm = _asked(folder, "larch", "disarm")
    found = Asked(folder, {"larch": 100}).poll(0.0)
    assert [each.id for each in found] == [*range(101, 351), disarm]


def test_arguments_that_a_bad_card_has_spoilt_hide_no_stop(folder: Path) -> None:
    """Of a request answered long ago: the loop ended over it, and each that was started anew as well."""
    with closing(open_writer(folder / "requests.db", REQUESTS)) as store:
        store.execute("PRAGMA ignore_check_constraints = ON")
        store.execute("UPDATE request SET arguments = 'z' || substr(arguments, 2) WHERE id = 7")
    stop = _asked(folder, "elder", "stop")
    asked = Asked(folder, {"larch": 350, "elder": 0})
    assert [each.id for each in asked.poll(0.0)] == [stop]


def test_a_file_that_cannot_be_read_now_is_read_whole_later(folder: Path) -> None:
    """Nothing is passed over."""
    asked = Asked(folder, {"larch": 340})
    file = folder / "requests.db"
    whole = file.read_bytes()
    file.write_bytes(b"spoilt" * 1000)
    assert asked.poll(0.0) == []
    assert asked.fault(61.0)
    file.write_bytes(whole)
    assert len(asked.poll(62.0)) == 10
    assert not asked.fault(200.0)


def test_a_file_that_counts_from_less_is_told_and_ends_heat_until_it_counts_on(folder: Path) -> None:
    """A08: begun anew, gone, or put back from a backup. Its numbers count as answered, so a stop would go unheard."""
    (folder / "requests.db").unlink()
    asked = Asked(folder, {"larch": 350, "elder": 3})
    assert asked.poll(0.0) == []
    stops = [_asked(folder, name, "stop") for name in ("larch", "elder")]
    assert asked.poll(1.0) == []
    assert "start Soilward anew" in asked.fault(61.0)
    with closing(open_writer(folder / "requests.db", REQUESTS)) as store:
        requests.count_on_from(store, 350)
    assert stops == [1, 2]
    stops = [_asked(folder, name, "stop") for name in ("larch", "elder")]
    assert [each.id for each in asked.poll(62.0)] == stops == [351, 352]
    assert not asked.fault(200.0)


def test_a_file_replaced_beneath_a_running_controller_is_told(folder: Path) -> None:
    """The pages may still write to the one that was moved away."""
    asked = Asked(folder, {"larch": 349})
    assert [each.id for each in asked.poll(0.0)] == [350]
    (folder / "requests.db").rename(folder / "away.db")
    assert asked.poll(1.0) == []
    assert asked.fault(62.0)
    (folder / "away.db").rename(folder / "requests.db")
    assert asked.poll(63.0) == []
    assert not asked.fault(200.0)


def test_the_pages_count_on_from_what_was_answered(folder: Path) -> None:
    """A file begun anew goes on where the last one ended; where the answers themselves are lost, it begins at 1."""
    (folder / "requests.db").unlink()
    save(folder / FILE, Kept(4, {"larch": Standing(answered=350), "elder": Standing(answered=3)}))
    open_requests(folder).close()
    assert _asked(folder, "elder", "stop") == 351
    (folder / "requests.db").unlink()
    (folder / FILE).write_text("spoilt")
    open_requests(folder).close()
    assert _asked(folder, "elder", "stop") == 1


@pytest.mark.parametrize("first", [0, 4096])
def test_a_damaged_file_is_set_aside_and_the_pages_begin_another(folder: Path, first: int) -> None:
    """For one spoilt page of what was answered long ago there were no pages at all, and after a minute no heat."""
    file = folder / "requests.db"
    save(folder / FILE, Kept(4, {"larch": Standing(answered=350)}))
    asked = Asked(folder, {"larch": 350})
    spoilt = file.read_bytes()[:first] + b"\xa5" * (file.stat().st_size - first)
    file.write_bytes(spoilt)
    open_requests(folder).close()
    (aside,) = folder.glob("requests.db.damaged-*[0-9]")
    assert aside.read_bytes() == spoilt
    assert _asked(folder, "larch", "stop") == 351
    assert [each.id for each in asked.poll(0.0)] == [351]


def test_a_damaged_file_that_somebody_writes_stays_where_it_is(folder: Path) -> None:
    """Moved away under pages that run, a stop would be filed where nobody looks."""
    file = folder / "requests.db"
    spoilt = b"\xa5" * file.stat().st_size
    with closing(open_writer(file, REQUESTS)):
        file.write_bytes(spoilt)
        with pytest.raises(StoreError, match="is already writing it; stop that one first"):
            open_requests(folder)
        assert file.read_bytes() == spoilt
        assert list(folder.glob("requests.db.damaged-*")) == []
