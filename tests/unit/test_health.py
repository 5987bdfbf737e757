"""What /health says of the wire between controller and broker."""

from pathlib import Path

from tests.api_site import ApiSite, alert_of, status_of

REFUSED = "the broker refuses to let us hear soilward/larch/probe/soil-10"


def test_what_the_controller_says_of_its_broker_is_a_reason_once(tmp_path: Path) -> None:
    """Every enclosure tells it; one reason is enough. An alert of a probe is none: the live values do arrive."""
    site = ApiSite(tmp_path)
    with site.client() as client:
        site.live.connected = True
        told = [alert_of(name="broker:refuses", detail=REFUSED), alert_of()]
        for each in site.settings.enclosure:
            site.hear(status_of(enclosure=each.name, alerts=told))
        answer = client.get("/health")
        assert answer.status_code == 503
        assert answer.json()["reasons"] == [f"the controller says: {REFUSED}"]
        for each in site.settings.enclosure:
            site.hear(status_of(enclosure=each.name, alerts=[alert_of()]))
        assert client.get("/health").status_code == 200
