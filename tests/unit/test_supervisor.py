"""Which processes a site runs."""

from pathlib import Path

import pytest

from controller.clock import Clock
from controller.settings import Remote
from controller.supervisor import children_of
from tests.core_site import settings_of

ELSEWHERE = Remote.model_validate({"kind": "victoria-metrics", "url": "http://127.0.0.1:8428", "site": "tarn-hollow"})


@pytest.mark.parametrize(
    ("remote", "names"),
    [
        (None, ["controller", "api", "planner"]),
        (ELSEWHERE, ["controller", "api", "planner", "forwarder"]),
    ],
)
def test_the_forwarder_runs_only_where_there_is_a_store_elsewhere(remote: Remote | None, names: list[str]) -> None:
    """Each is a command of its own on the same settings file; the controller is ended first."""
    settings = settings_of().model_copy(update={"remote": remote})
    children = children_of(settings, Path("soilward.toml"), Clock())
    assert [each.name for each in children] == names
    assert all(each.command[-1] == "soilward.toml" for each in children)
