"""What every test shares: a sourced reference rule, and the versions that matter in the header."""

import sqlite3
from importlib.metadata import version
from pathlib import Path

import pytest
from hypothesis import settings

# How long an example takes is for the benches: here it would only tell how busy the machine is.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")

REFERENCE = Path(__file__).parent / "reference"
LONGEST = (
    "test_season_weather",
    "test_proof_test",
    "wire/test_trial",
    "wire/test_replay",
    "test_proof_walk",
    "test_lossy_rows",
    "test_w01",
    "test_b01",
    "test_b04",
    "test_b05",
    "test_day_over_broker",
    "test_season_comes_out",
    "test_dead_man",
    "test_c05",
    "test_n07",
    "test_broker_rows",
    "test_pairs_of_wire",
    "test_sudden_death",
    "test_shell_rows",
    "test_wire_rows",
    "test_short_season",
    "test_node_silence",
)
"""Parts of names of tests, longest first."""


def pytest_report_header() -> str:
    """Name the libraries and the SQLite whose behaviour the tests depend on."""
    names = ("paho-mqtt", "simple-pid", "iotcore", "fastapi", "pydantic")
    return f"sqlite {sqlite3.sqlite_version}, " + ", ".join(f"{name} {version(name)}" for name in names)


def pytest_configure(config: pytest.Config) -> None:
    """Refuse to share tests out where their groups would not be seen: each worker would make anew what they share."""
    if config.getoption("dist", "no") == "loadgroup" and not hasattr(pytest.Item, "_nodeid"):
        raise pytest.UsageError(
            "--dist loadgroup: pytest-xdist cannot mark groups in this pytest; install pytest < 9.2"
        )


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Refuse a reference test that does not say where its figures come from; put the longest first.

    With several workers the others fill the time of one that takes minutes; begun last, everybody waits for it.
    """
    items.sort(key=lambda item: next((at for at, name in enumerate(LONGEST) if name in item.nodeid), len(LONGEST)))
    for item in items:
        if REFERENCE in item.path.parents and isinstance(item, pytest.Function):
            words = (item.function.__doc__ or "").strip()
            if "Source:" not in words:
                raise pytest.UsageError(f"{item.nodeid}: its docstring names no Source:")
