"""How fast one caller may ask."""

from pathlib import Path

import pytest

from api import pace
from api.pace import Pace, caller_of
from tests.api_site import ApiSite


def test_two_hundred_at_once_and_no_more() -> None:
    """The burst is 200; the next call waits a fiftieth of a second, and another address does not wait at all."""
    allowance = Pace()
    assert [allowance.wait_s("a", 5.0) for _ in range(200)] == [0.0] * 200
    assert allowance.wait_s("a", 5.0) == pytest.approx(0.02)
    assert allowance.wait_s("b", 5.0) == 0.0


def test_fifty_a_second_for_ever() -> None:
    """After a burst 50 calls a second are let through, and those refused cost nothing."""
    allowance = Pace()
    for _ in range(200):
        allowance.wait_s("a", 0.0)
    let_through = sum(allowance.wait_s("a", tick / 1000) == 0.0 for tick in range(1, 10_001))
    assert let_through == pytest.approx(500, abs=1)


def test_a_long_rest_gives_no_more_than_the_burst() -> None:
    """An hour of silence does not save up."""
    allowance = Pace()
    allowance.wait_s("a", 0.0)
    assert sum(allowance.wait_s("a", 3600.0) == 0.0 for _ in range(1000)) == 200


def test_many_addresses_take_bounded_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    """Beyond the most remembered, the address that was quiet longest is forgotten and a busy one is not."""
    monkeypatch.setattr(pace, "MOST_CALLERS", 3)
    allowance = Pace()
    for _ in range(200):
        allowance.wait_s("busy", 0.0)
    for number in range(20):
        allowance.wait_s(f"passer-by {number}", 0.0)
        assert allowance.wait_s("busy", 0.0) > 0.0
    assert len(allowance._left) == 3


@pytest.mark.parametrize(
    ("host", "caller"),
    [
        ("192.168.1.9", "192.168.1.9"),
        ("::1", "::1"),
        ("::ffff:192.168.1.9", "192.168.1.9"),
        ("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::/64"),
        ("2001:db8:1:2:ffff::1", "2001:db8:1:2::/64"),
        ("testclient", "testclient"),
    ],
)
def test_an_ipv6_site_is_one_caller(host: str, caller: str) -> None:
    """Addresses of one /64 share an allowance, since one machine can have all of them; IPv4 in IPv6 is IPv4."""
    assert caller_of({"type": "http", "client": (host, 5)}) == caller
    assert caller_of({"type": "http", "client": None}) == ""


def test_too_many_calls_are_429_with_a_time_to_wait_and_the_safe_headers(tmp_path: Path) -> None:
    """The 201st call within a moment is a problem document; a second later calls are answered again."""
    site = ApiSite(tmp_path)
    with site.client() as client:
        assert {client.get("/health").status_code for _ in range(200)} == {503}
        answer = client.get("/api/enclosures")
        assert (answer.status_code, answer.headers["retry-after"]) == (429, "1")
        assert answer.headers["content-type"] == "application/problem+json"
        assert "content-security-policy" in answer.headers
        site.clock.sleep(1.0)
        assert client.get("/api/enclosures").status_code == 200


def test_a_page_counts_for_five_calls_and_a_whole_walk_for_a_hundred(tmp_path: Path) -> None:
    """What costs the machine more is let through less often: 40 pages at once, or two walks of the whole journal."""
    site = ApiSite(tmp_path)
    with site.client() as client:
        assert [client.get("/sign-in").status_code for _ in range(41)] == [200] * 40 + [429]
        site.clock.sleep(4.0)
        walks = [client.get("/api/journal/proof?full=true") for _ in range(3)]
        assert [each.status_code for each in walks] == [503, 503, 429]
        assert walks[-1].headers["retry-after"] == "2"


def test_a_browser_that_asks_too_often_is_answered_with_a_page_that_says_what_became_of_it(tmp_path: Path) -> None:
    """Readable, safe, with the time to wait; a form's says that nothing was asked, and how heat ends now."""
    browser = {"accept": "text/html,application/xhtml+xml"}
    with ApiSite(tmp_path).client() as client:
        for _ in range(40):
            client.get("/sign-in", headers=browser)
        answer, sent = client.get("/", headers=browser), client.post("/enclosures/larch/set-point", headers=browser)
        called = client.get("/api/export", headers=browser)
    assert [each.status_code for each in (answer, sent, called)] == [429] * 3
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    assert (answer.headers["retry-after"], "content-security-policy" in answer.headers) == ("1", True)
    assert "10 pages, are let through. Wait 1 s and load this page again. To end heat now" in answer.text
    assert "Nothing was asked or kept. To end heat now, switch the heater off at its socket." in sent.text
    assert called.headers["content-type"] == "application/problem+json"


def test_who_floods_can_still_stop_the_heat(tmp_path: Path) -> None:
    """A stop does not wait behind the calls that were too many."""
    with ApiSite(tmp_path).client() as client:
        for _ in range(201):
            last = client.get("/health")
        assert last.status_code == 429
        assert client.post("/api/enclosures/larch/stop").status_code == 202
