"""What every test shares: a sourced reference rule, and the versions that matter in the header."""

import sqlite3
from importlib.metadata import version
from pathlib import Path

import pytest

REFERENCE = Path(__file__).parent / "reference"
TOGETHER = {"browser": "browser", "test_season_weather.py": "season", "test_demo_in_a_browser.py": "browser"}
"""Folders and files whose tests share something costly, and so run in one worker."""


def pytest_report_header() -> str:
    """Name the libraries and the SQLite whose behaviour the tests depend on."""
    names = ("paho-mqtt", "simple-pid", "iotcore", "fastapi", "pydantic")
    return f"sqlite {sqlite3.sqlite_version}, " + ", ".join(f"{name} {version(name)}" for name in names)


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Refuse a reference test that does not say where its figures come from; keep together what shares a fixture."""
    for item in items:
        for part in item.path.parts:
            if part in TOGETHER:
                item.add_marker(pytest.mark.xdist_group(TOGETHER[part]))
        if REFERENCE in item.path.parents and isinstance(item, pytest.Function):
            words = (item.function.__doc__ or "").strip()
            if "Source:" not in words:
                raise pytest.UsageError(f"{item.nodeid}: its docstring names no Source:")
