"""What a program that watches over programs is told: the controller's own counts, what is on record, how copying goes.

That unknown figures are left out is in `test_api_calls`.
"""

from contextlib import closing
from pathlib import Path

import pytest
from fastapi.testclient import TestClient
from prometheus_client.parser import text_string_to_metric_families

from controller.enclosure import Decision
from controller.figures import Figures
from controller.safety.lease import Order
from controller.settings import Remote, RemoteKind
from controller.store import runs
from controller.store.connection import open_writer
from controller.store.durations import Durations
from controller.store.journal import Entry
from controller.store.migrations import READINGS
from controller.store.outbox import Outbox
from controller.store.points import Points
from controller.store.told import Told
from controller.store.writer import Writer
from tests.api_site import NOW_MS, ApiSite
from tests.core_site import Bed, plan_of

LARCH, ELDER = ("enclosure", "larch"), ("enclosure", "elder")


def given(client: TestClient) -> dict[tuple[object, ...], float]:
    """Return every number by its name and labels."""
    families = text_string_to_metric_families(client.get("/metrics").text)
    return {(each.name, *each.labels.items()): each.value for family in families for each in family.samples}


@pytest.fixture
def counted(site: ApiSite, tmp_path: Path) -> None:
    """Leave the figures of a controller that has run for a while."""
    figures, late = Figures(site.folder, ["larch", "elder"]), Durations()
    bed = Bed(plan_of(), {"soil": 10.0, "air": 10.0}).run(1)
    for on, took_s in ((True, 0.004), (True, 0.02), (False, 60.0)):
        figures.saw("larch", Decision(Order(on, True, "test"), True, (), tuple(bed.judged)), took_s)
    late.take(0.1)
    other = tmp_path / "record"
    other.mkdir()
    with closing(Writer(other, site.clock)) as writer:
        writer.put_journal(Entry("start", None, "controller", "", {}, NOW_MS))
        figures.look(site.clock.now(), writer, 7, late)


def test_what_the_controller_has_counted_is_given(site: ApiSite, client: TestClient, counted: None) -> None:
    """Readings by grade, renewals, what waits, and how long things took, cumulative as the format wants it."""
    site.clock.sleep(12.5)
    found = given(client)
    assert found["soilward_readings_total", LARCH, ("grade", "good")] == 6.0
    assert (found["soilward_lease_renewals_total", LARCH], found["soilward_lease_renewals_total", ELDER]) == (2.0, 0.0)
    assert [found["soilward_queue_depth", ("queue", name)] for name in ("inbox", "writer")] == [7.0, 1.0]
    assert found["soilward_figures_age_seconds",] == 12.5
    bounds = ("0.0025", "0.005", "0.01", "0.025", "10.0", "+Inf")
    ticks = [found["soilward_tick_seconds_bucket", ("le", bound)] for bound in bounds]
    assert ticks == [0.0, 1.0, 1.0, 2.0, 2.0, 3.0]
    assert found["soilward_tick_seconds_sum",] == pytest.approx(60.024)
    assert (found["soilward_tick_late_seconds_count",], found["soilward_commit_seconds_count",]) == (1.0, 0.0)


@pytest.mark.parametrize(("later_s", "are_given"), [(30.0, True), (30.1, False), (-30.1, False)])
def test_counts_that_are_old_or_of_a_clock_set_back_are_left_out(
    site: ApiSite, client: TestClient, counted: None, later_s: float, are_given: bool
) -> None:
    """They say nothing about now."""
    site.clock.set_wall(NOW_MS + round(1000 * later_s))
    assert (("soilward_queue_depth", ("queue", "inbox")) in given(client)) is are_given


def test_heat_and_trips_on_record_are_given_by_enclosure(site: ApiSite, client: TestClient) -> None:
    """A run counts once it has ended; a reset is no trip."""
    with closing(open_writer(site.folder / "readings.db", READINGS)) as record:
        for name, start_s, end_s in (("larch", -900, -600), ("larch", -60, None), ("elder", -30, None)):
            runs.begin(record, name, NOW_MS + 1000 * start_s)
            if end_s is not None:
                runs.finish(record, name, NOW_MS + 1000 * end_s, "order")
    trip = Entry("trip", "larch", "controller", "", {}, NOW_MS)
    site.write_journal(
        trip, trip, Entry("answer", "larch", "keeper", "", {}, NOW_MS), Entry("trip", None, "", "", {}, 0)
    )
    found = given(client)
    assert [found[f"soilward_heater_{what}_total", LARCH] for what in ("seconds", "runs")] == [300.0, 1.0]
    assert ("soilward_heater_runs_total", ELDER) not in found
    assert {name: value for name, value in found.items() if "trips_latched" in str(name[0])} == {
        ("soilward_trips_latched_total", LARCH): 2.0
    }


@pytest.mark.parametrize(("oldest_ms", "behind_s"), [(NOW_MS - 90_500, 90.5), (None, 0.0), (NOW_MS + 5000, 0.0)])
def test_how_far_the_copy_elsewhere_is_behind_is_given(site: ApiSite, oldest_ms: int | None, behind_s: float) -> None:
    """Since when, how long ago that was said, points taken and refused; nothing of it where settings name no copy."""
    with closing(Outbox(site.folder, Points(RemoteKind.VICTORIA_METRICS, "hollow"))) as outbox:
        outbox.tell(Told(NOW_MS - 2500, oldest_ms, 41, 3, ""))
    with site.client() as client:
        assert not [name for name, *_ in given(client) if "outbox" in str(name)]
    copy = Remote(kind=RemoteKind.VICTORIA_METRICS, url="https://metrics.example", site="hollow")
    site.settings = site.settings.model_copy(update={"remote": copy})
    with site.client() as client:
        found = {name: value for (name, *_), value in given(client).items() if "outbox" in str(name)}
    assert found == {
        "soilward_outbox_age_seconds": behind_s,
        "soilward_outbox_word_age_seconds": 2.5,
        "soilward_outbox_points_total": 41.0,
        "soilward_outbox_refused_total": 3.0,
    }
