"""`soilward init` in an empty folder, and `soilward person` after it, as the README has a newcomer type them."""

import os
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from controller import starter
from controller.errors import SettingsError

ROOT = Path(__file__).parents[2]


def soilward(folder: Path, *words: str, typed: str = "") -> subprocess.CompletedProcess[str]:
    """Run the command in a folder."""
    surroundings = {**os.environ, "PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-m", "controller.cli", *words]
    return subprocess.run(
        command, cwd=folder, env=surroundings, input=typed, capture_output=True, text=True, check=False
    )


def test_a_newcomer_needs_to_name_no_settings_file(tmp_path: Path) -> None:
    begun = soilward(tmp_path, "init", "--person", "ada", "--password-stdin", typed="ten letters and more\n")
    assert begun.returncode == 0, begun.stderr
    for key in ("tunnel.key", "journal.key"):
        assert stat.S_IMODE((tmp_path / "keys" / key).stat().st_mode) == 0o600
    assert soilward(tmp_path, "check").returncode == 0
    added = soilward(tmp_path, "person", "add", "bo", "--password-stdin", typed="ten letters and more\n")
    assert (added.returncode, added.stdout) == (0, "bo may view\n")
    assert soilward(tmp_path, "person", "list").stdout == "ada\toperate\nbo\tview\n"


def test_a_first_person_who_could_not_be_added_is_said_with_the_command_that_adds_one(tmp_path: Path) -> None:
    begun = soilward(tmp_path, "init", "--person", "ada", "--password-stdin", typed="short\n")
    assert begun.returncode == 1
    assert "has 5 characters; write 10 to 200" in begun.stderr
    assert "`soilward person add ada --role operate --settings soilward.toml`" in begun.stdout
    assert soilward(tmp_path, "check").returncode == 0


def test_person_speaks_of_the_command_that_was_typed(tmp_path: Path) -> None:
    assert "usage: soilward person add" in soilward(tmp_path, "person", "add", "--help").stdout


def test_passwords_that_differ_leave_nothing_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    typed = iter(["ten letters and more", "ten letters and less"])
    monkeypatch.setattr("getpass.getpass", lambda _: next(typed))
    with pytest.raises(SettingsError, match="the two passwords differ; nothing was written"):
        starter.init(tmp_path / "soilward.toml", "ada", password_from_stdin=False)
    assert list(tmp_path.iterdir()) == []
