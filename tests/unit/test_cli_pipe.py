"""Output whose reader leaves, as under `| head`."""

import subprocess
import sys
from pathlib import Path

import pytest

from controller import cli, commands
from controller.demo import scenario


@pytest.mark.parametrize("command", [["check", "--limits"], ["asyncapi"]])
def test_a_reader_that_leaves_ends_the_command_quietly(tmp_path: Path, command: list[str]) -> None:
    """No traceback, and the status a shell gives for a broken pipe."""
    settings = tmp_path / "soilward.toml"
    settings.write_text(scenario.settings_text(1883, 8460))
    (tmp_path / "keys").mkdir()
    for name in ("larch", "elder", "southwall"):
        (tmp_path / "keys" / f"{name}.key").write_text(name)
    arguments = [sys.executable, "-m", "controller.cli", *command, "--settings", str(settings)]
    with subprocess.Popen(arguments, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        assert process.stdout is not None
        process.stdout.close()
        assert process.stderr is not None
        said = process.stderr.read()
    assert (process.returncode, said) == (141, b"")


def test_a_pipe_that_is_not_our_output_breaks_loudly(monkeypatch: pytest.MonkeyPatch) -> None:
    """A socket's broken pipe is a fault of the program and must not look like `| head`."""

    def check(_asked: object) -> int:
        raise BrokenPipeError

    monkeypatch.setattr(commands, "check", check)
    with pytest.raises(BrokenPipeError):
        cli.main(["check"])
