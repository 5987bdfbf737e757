"""Commands that are misused: a sentence with the thing and the remedy, a status that is not 0, nothing destroyed."""

import errno
import os
from pathlib import Path

import pytest

from api import __main__ as pages
from controller import cli, commands
from controller.demo import live, scenario
from controller.errors import SoilwardError
from controller.store.connection import Lock
from controller.wire.embedded import write_private
from tests.unit.test_first_person import soilward

REAL = '[site]\nname = "My garden"\n'


@pytest.mark.parametrize("asked", [["--days", "-1"], ["--days", "nan"], ["--days", "1e9"], ["--port", "99999"]])
def test_a_demo_that_cannot_be_is_misuse(asked: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    """Days and ports outside their bounds are refused before anything begins."""
    with pytest.raises(SystemExit) as ended:
        cli.main(["demo", *asked])
    assert ended.value.code == 2
    assert f"'{asked[1]}' is no number from" in capsys.readouterr().err


@pytest.mark.parametrize("found", ["soilward.toml", "readings.db", "journal.db"])
def test_a_demo_never_begins_in_the_folder_of_a_real_site(
    tmp_path: Path, found: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """A demo writes settings and record anew; what is no demo's stays as it was."""
    (tmp_path / found).write_text(REAL)
    assert cli.main(["demo", "--folder", str(tmp_path), "--days", "0"]) == 1
    assert "holds a site that is no demo" in capsys.readouterr().err
    assert [each.name for each in tmp_path.iterdir()] == [found]
    assert (tmp_path / found).read_text() == REAL


def test_an_earlier_demo_is_gone_on_with_but_not_beside_itself(tmp_path: Path) -> None:
    """Its settings are known again; while one demo runs there, a second one changes nothing and says who runs."""
    place = tmp_path / "demo"
    held = live.claim(place)
    (place / "soilward.toml").write_text(scenario.settings_text(1883, 8460))
    with pytest.raises(SoilwardError, match=rf"process {os.getpid()} is already"):
        live.claim(place)
    held.release()
    live.claim(place).release()


def test_a_place_that_cannot_be_written_is_said_without_a_traceback(tmp_path: Path) -> None:
    """A file where a folder should be stands for every folder that cannot be written."""
    (tmp_path / "file").write_text("")
    for words in (["init", "--settings", "file/soilward.toml", "--password-stdin"], ["demo", "--folder", "file/demo"]):
        ended = soilward(tmp_path, *words, typed="ten letters and more\n")
        assert ended.returncode == 1
        assert "file" in ended.stderr
        assert "Traceback" not in ended.stderr
        assert "name another" in ended.stderr


def test_a_password_that_nobody_types_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """With neither a terminal nor the flag, the flag is named."""

    def nobody(_asked: str) -> str:
        raise EOFError

    monkeypatch.setattr("getpass.getpass", nobody)
    settings = tmp_path / "soilward.toml"
    assert cli.main(["init", "--settings", str(settings)]) == 1
    assert "--password-stdin" in capsys.readouterr().err
    assert not settings.exists()
    settings.write_text(scenario.settings_text(1883, 8460))
    assert pages.main(["person", "add", "bo", "--settings", str(settings)]) == 1
    assert "no password came" in capsys.readouterr().err


@pytest.mark.parametrize("command", [["export", "--start", "abc"], ["simulate", "--replay", ".", "--end", "abc"]])
def test_a_time_that_is_none_is_said_with_how_to_write_one(tmp_path: Path, command: list[str]) -> None:
    """The word that was typed is in the answer, and a time to copy."""
    (tmp_path / "soilward.toml").write_text(scenario.settings_text(1883, 8460))
    ended = soilward(tmp_path, *command)
    assert (ended.returncode, ended.stderr) == (1, "'abc' is no time; write times as 2026-03-01T04:00:00Z\n")


def test_the_help_of_person_names_all_that_it_does(capsys: pytest.CaptureFixture[str]) -> None:
    """Whoever looks for how to make a token finds it."""
    with pytest.raises(SystemExit):
        cli.main(["person", "--help"])
    said = capsys.readouterr().out
    assert all(word in said for word in ("add NAME", "list", "remove NAME", "token NAME", "--role operate"))


def test_a_lock_of_a_demo_is_not_the_lock_of_its_controller(tmp_path: Path) -> None:
    """The demo's own controller must be able to take its place beside it."""
    held = live.claim(tmp_path)
    Lock(tmp_path / "controller.db").release()
    held.release()


def test_nodes_are_not_run_twice_for_one_site(tmp_path: Path) -> None:
    """Under one name each, the broker cuts off either whenever the other connects: the second says who runs."""
    (tmp_path / "soilward.toml").write_text(scenario.settings_text(1883, 8460))
    for each in scenario.ENCLOSURES:
        write_private(tmp_path / "keys" / f"{each['name']}.key", str(each["name"]) * 8)
    write_private(tmp_path / "broker-password", "secret")
    held = Lock(tmp_path / "nodes")
    ended = soilward(tmp_path, "node")
    held.release()
    assert ended.returncode == 1
    assert ended.stderr == f"{tmp_path / 'nodes'}: process {os.getpid()} is already writing it; stop that one first\n"


@pytest.mark.parametrize("command", ["proof-test", "tune"])
@pytest.mark.parametrize("option", ["--person", "--why"])
@pytest.mark.parametrize(("said", "remark"), [("caf\udce9", "is no UTF-8 text"), (" ", "nothing is said")])
def test_who_and_why_are_words_that_the_journal_takes(
    command: str, option: str, said: str, remark: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Refused before anything begins: at the end of hours of proving, the journal would have refused them."""
    with pytest.raises(SystemExit) as ended:
        cli.main([command, "larch", "--person", "keeper", option, said])
    assert ended.value.code == 2
    assert remark in capsys.readouterr().err


@pytest.mark.parametrize(
    ("fault", "said"),
    [
        (OSError(errno.ENOSPC, "No space left on device"), "No space left on device); free some room on the disk"),
        (
            OSError(errno.EROFS, "Read-only file system", "data/broker.toml"),
            "data/broker.toml: Read-only file system; name",
        ),
        (PermissionError(errno.EACCES, "Permission denied", "data"), "data: Permission denied; name another place"),
    ],
)
def test_a_disk_that_takes_nothing_is_said_without_a_traceback(
    fault: OSError, said: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A card that the system has remounted read-only, one that is full: both are for a person to mend."""

    def check(_asked: object) -> int:
        raise fault

    monkeypatch.setattr(commands, "check", check)
    assert cli.main(["check"]) == 1
    assert said in capsys.readouterr().err


def test_a_fault_of_the_program_is_no_full_disk(monkeypatch: pytest.MonkeyPatch) -> None:
    """What no person can mend shows where it was."""

    def check(_asked: object) -> int:
        raise OSError(errno.ECONNREFUSED, "Connection refused")

    monkeypatch.setattr(commands, "check", check)
    with pytest.raises(ConnectionRefusedError):
        cli.main(["check"])


def test_a_folder_of_people_that_cannot_be_is_said_without_a_traceback(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The pages' own command says of a disk what all others say: here a file lies where the folder should be."""
    (tmp_path / "data").write_text("")
    (tmp_path / "soilward.toml").write_text(
        scenario.settings_text(1883, 8460).replace('folder = "."', 'folder = "data"')
    )
    assert pages.main(["person", "token", "bo", "--settings", str(tmp_path / "soilward.toml")]) == 1
    assert "data: File exists; name another place" in capsys.readouterr().err


@pytest.mark.parametrize("pulses", ["-3", "1", "2", "9"])
def test_pulses_that_no_night_can_have_are_misuse(pulses: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Refused at once, and not filed for a controller that may not run."""
    with pytest.raises(SystemExit) as ended:
        cli.main(["tune", "larch", "--person", "keeper", "--pulses", pulses])
    assert ended.value.code == 2
    assert f"invalid choice: {pulses} (choose from 0, 3, 4, 5, 6, 7, 8)" in capsys.readouterr().err
