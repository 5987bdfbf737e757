"""Notes what each test here found, under the rows it carries; as a pytest plugin, into the file that is named to it."""

import json
import os
from collections import defaultdict
from pathlib import Path

import pytest

from tests.faults import cases

FILE = "SOILWARD_FAULTS_FOUND"
"""Environment: where a pytest of its own leaves what it found (`-p tests.faults.noting`)."""


class Noting:
    """Outcomes by row, and what failed in words."""

    def __init__(self) -> None:
        self.outcomes: dict[str, list[str]] = defaultdict(list)
        self.failures: list[str] = []
        self._docstrings: dict[str, str] = {}

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        """Remember what each test says it carries."""
        for item in items:
            function = getattr(item, "function", None)
            self._docstrings[item.nodeid] = (function.__doc__ or "") if function else ""

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """Take one outcome: the call, or a set-up that failed."""
        if report.when == "call" or report.failed:
            for each in cases.ids_of(report.nodeid, self._docstrings.get(report.nodeid, "")):
                self.outcomes[each].append(report.outcome)
        if report.failed:
            why = next((each for each in report.longreprtext.splitlines() if each.startswith("E ")), "E   no words")
            self.failures.append(f"{report.nodeid}: {why[1:].strip()}")


def pytest_configure(config: pytest.Config) -> None:
    """As a plugin: note, and write at the end."""
    noting = Noting()
    config.pluginmanager.register(noting)

    def write() -> None:
        seen = {row: [(each.seconds, each.bound_s) for each in found] for row, found in cases.measured.items()}
        found = {"outcomes": noting.outcomes, "failures": noting.failures, "seen": seen}
        Path(os.environ[FILE]).write_text(json.dumps(found), encoding="utf-8")

    config.add_cleanup(write)
