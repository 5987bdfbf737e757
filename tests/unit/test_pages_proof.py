"""The page of proof tests: who, when, why, every step with its bound, and what is due."""

import json
import re
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from api.live import Live
from controller.clock import rfc3339
from controller.proving.account import Result, entry_of
from controller.store import journal
from controller.store.connection import open_writer
from controller.store.migrations import JOURNAL
from tests.unit.pages_site import NOW_MS, open_site, status
from tests.unit.test_proving_rules import WHOLE, account

DAY_MS = 86_400_000


def text_of(folder: Path, path: str = "/proof/larch") -> str:
    """Return the page's words."""
    with open_site(folder) as client:
        answer = client.get(path)
        assert answer.status_code == 200, answer.text
        return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.text.replace("\u00a0", " ")))


def keep(folder: Path, *accounts: object) -> None:
    """Have these tests on record."""
    with closing(open_writer(folder / "journal.db", JOURNAL)) as connection:
        journal.append(connection, [entry_of(each, 3) for each in accounts])  # type: ignore[arg-type]


def test_a_failed_test_says_so_first_and_each_step_has_its_bound(tmp_path: Path) -> None:
    """Passed, failed, left out and not reached are told apart in words."""
    keep(tmp_path, account(*WHOLE[:6], Result.FAILED, Result.NOT_REACHED, Result.SKIPPED))
    text = text_of(tmp_path)
    assert "Failed. 6 of 9 steps passed." in text
    assert "by keeper: new cable" in text
    assert text.count("Bound:") == 9
    assert re.findall(r" (passed|FAILED|not reached|not done) ", text[text.index("Proof test of") :])[-3:] == [
        "FAILED",
        "not reached",
        "not done",
    ]


def test_without_a_test_it_says_so_and_how_to_make_one(tmp_path: Path) -> None:
    """Arming is not refused for that, and the page says so."""
    text = text_of(tmp_path)
    assert "No proof test is on record." in text
    assert "Arming is not refused for that" in text
    assert "soilward proof-test larch --person" in text


def test_earlier_tests_are_listed_and_each_can_be_read(tmp_path: Path) -> None:
    """The newest is shown; the other stands below it with its verdict."""
    keep(tmp_path, account(*WHOLE[:-1], Result.FAILED), account(*WHOLE))
    assert "Passed. 9 of 9 steps passed." in text_of(tmp_path)
    with open_site(tmp_path, kept=False) as client:
        (older,) = set(re.findall(r"/proof/larch\?test=(\d+)", client.get("/proof/larch").text))
        assert "8 of 9 steps passed" in client.get(f"/proof/larch?test={older}").text
        assert client.get("/proof/larch?test=999").status_code == 404
        assert client.get("/proof/southwall?test=1").status_code == 404


@pytest.mark.parametrize(
    ("days", "said"),
    [
        (399.9, "The next is due by"),
        (400.1, "The next is overdue; from"),
        (413.9, "The next is overdue; from"),
        (414.1, "arming is refused until one passes"),
    ],
)
def test_what_is_due_is_said(tmp_path: Path, days: float, said: str) -> None:
    """O07: due, overdue within its grace, and refused."""
    with open_site(tmp_path, kept=False) as client:
        live: Live = client.app.state.soilward.live  # type: ignore[attr-defined]
        told = {**status("larch"), "proved_at": rfc3339(NOW_MS - round(days * DAY_MS))}
        live.accept("soilward/larch/status", json.dumps(told).encode())
        assert said in client.get("/proof/larch").text


def test_what_people_wrote_is_text_and_the_enclosure_leads_here(tmp_path: Path) -> None:
    """A reason with markup in it is no markup."""
    keep(tmp_path, replace(account(*WHOLE), why="<script>x</script>"))
    with open_site(tmp_path, kept=False) as client:
        assert "<script>x" not in client.get("/proof/larch").text
        assert 'href="/proof/larch"' in client.get("/enclosures/larch").text
