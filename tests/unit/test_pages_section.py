"""The drawing of an enclosure cut through the ground."""

from itertools import combinations
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.pages.frame import LARGE, SMALL, Size
from api.pages.section import picture
from api.pages.words import Unit
from controller.enclosure_settings import Enclosure
from tests.unit.pages_site import SETTINGS, status

LARCH = SETTINGS.enclosure[0]


def _enclosure(probes: list[tuple[str, float]]) -> Enclosure:
    given_ = [
        {"name": f"p-{n}", "quantity": kind, ("depth_m" if kind == "soil" else "height_m"): abs(level)}
        for n, (kind, level) in enumerate(probes)
    ]
    heater = {"kind": "soil-cable", "rated_w": 400.0, "depth_m": 0.12}
    return Enclosure.model_validate({"name": "elder", "heater": heater, "probe": given_})


def _status(enclosure: Enclosure, values: list[float], fresh: bool) -> dict[str, Any]:
    said = [
        {"probe": p.name, "quantity": p.quantity.value, "value": v, "fresh": fresh, "age_s": 4000.0}
        for p, v in zip(enclosure.probe, values, strict=True)
    ]
    return {"readings": said, "set_point": {"asked_c": 18.0}, "heat": {"contact": True}, "trips": []}


_PROBES = st.lists(
    st.one_of(
        st.tuples(st.just("soil"), st.floats(0.02, 1.0)),
        st.tuples(st.just("air"), st.floats(0.0, 2.0)),
        st.tuples(st.just("outside"), st.floats(0.5, 2.0)),
    ),
    min_size=1,
    max_size=9,
)


@given(_PROBES, st.data(), st.sampled_from([SMALL, LARGE]), st.booleans())
def test_no_two_labels_overlap_wherever_the_probes_are(
    probes: list[tuple[str, float]], data: st.DataObject, size: Size, fresh: bool
) -> None:
    """Whatever the probes read and wherever they sit, labels keep clear of each other and inside the drawing."""
    enclosure = _enclosure(probes)
    values = data.draw(st.lists(st.floats(-30, 60), min_size=len(probes), max_size=len(probes)))
    drawn = picture(enclosure, _status(enclosure, values, fresh), Unit.F, size=size)
    for one, other in combinations(drawn.labels, 2):
        assert not one.box.touches(other.box), (one, other)
    for label in drawn.labels:
        assert label.box.x >= 0
        assert label.box.x + label.box.width <= drawn.width
        assert 0 <= label.box.y <= drawn.height


@given(st.lists(st.floats(0.02, 0.9), min_size=2, max_size=6, unique=True))
def test_a_deeper_probe_is_drawn_lower(depths: list[float]) -> None:
    """The drawing's y never falls as depth grows, and every soil probe is under the ground line."""
    enclosure = _enclosure([("soil", depth) for depth in sorted(depths)])
    drawn = picture(enclosure, _status(enclosure, [10.0] * len(depths), True), Unit.C)
    heights = [mark.y for mark in sorted(drawn.marks, key=lambda mark: -mark.level_m)]
    assert heights == sorted(heights)
    assert all(y > drawn.frame.ground for y in heights)


def test_air_is_above_the_ground_and_colder_is_further_left() -> None:
    """Height goes up, temperature goes right."""
    drawn = picture(LARCH, status("larch"), Unit.C)
    place = {mark.probe: mark for mark in drawn.marks}
    assert place["air-low"].y < drawn.frame.ground < place["soil-10"].y < place["soil-25"].y
    assert drawn.outside_x is not None
    assert drawn.outside_x < place["air-low"].x < place["soil-25"].x < place["soil-10"].x


def test_the_set_point_stands_at_the_root_depth() -> None:
    """With soil at 10 and 25 cm the roots are taken to be at 10 cm, and 18 Cel lies just left of 18.06."""
    drawn = picture(LARCH, status("larch"), Unit.C)
    root = next(mark for mark in drawn.marks if mark.probe == "soil-10")
    assert drawn.asked is not None
    assert drawn.asked[1] == root.y
    assert drawn.asked[0] == pytest.approx(root.x, abs=2.0)


def test_a_heater_surface_reading_does_not_stretch_the_scale() -> None:
    """71 Cel at the heater is said beside the heater; the scale stays with soil, air and outside."""
    said = status("larch")
    said["readings"][4]["value"] = 71.2
    drawn = picture(LARCH, said, Unit.C)
    assert drawn.frame.most_c < 30
    assert any(label.wanted.text == "surface 71.2" for label in drawn.labels)


def test_numbers_in_the_drawing_follow_the_unit() -> None:
    """18.06 Cel is written 18.1, and 64.5 in Fahrenheit; the point stays where it is."""
    cel, fahrenheit = (picture(LARCH, status("larch"), unit) for unit in (Unit.C, Unit.F))
    assert "18.1" in [label.wanted.text for label in cel.labels]
    assert "64.5" in [label.wanted.text for label in fahrenheit.labels]
    assert cel.marks[1].x == fahrenheit.marks[1].x


def test_a_stale_reading_is_struck_and_carries_its_age() -> None:
    """A number that is no longer fresh is struck through, with how old it is, and leaves the line."""
    said = status("larch")
    said["readings"][0].update(fresh=False, age_s=240.0)
    drawn = picture(LARCH, said, Unit.C)
    label = next(each for each in drawn.labels if each.wanted.probe == "soil-10")
    assert label.wanted.struck
    assert label.wanted.note == "4 min ago"


def test_what_is_old_is_told_as_old_to_those_who_hear_the_page() -> None:
    """A number that is struck was read aloud like any other, and what the heater does was not told at all."""
    said = status("larch")
    said["readings"][0].update(fresh=False, age_s=240.0)
    assert picture(LARCH, said, Unit.C).spoken.startswith("Temperature by height and depth in °C: outside")
    told = picture(LARCH, said, Unit.C).spoken.replace("\N{NO-BREAK SPACE}", " ").split("; ")
    assert "soil 10 cm deep 18.1, old: 4 min ago" in told
    assert "soil 25 cm deep 13.2" in told
    assert told[-2:] == ["asked 18.0", "cable on"]


def test_the_heater_shows_contact_not_command() -> None:
    """Ordered on but not reported is drawn as not heard; a trip with an open contact as locked off."""
    said = status("larch")
    said["heat"]["contact"] = None
    assert picture(LARCH, said, Unit.C).heater.state == "unknown"
    assert picture(LARCH, {**said, "heat": {"contact": False}, "trips": [{}]}, Unit.C).heater.state == "locked"


def test_an_enclosure_nobody_has_heard_of_is_drawn_without_numbers() -> None:
    """No status: outline and heater, no line, no label that claims a number."""
    drawn = picture(LARCH, None, Unit.C)
    assert drawn.air_line == drawn.soil_line == ""
    assert drawn.asked is None
    assert not any(character.isdigit() for label in drawn.labels for character in label.wanted.text)
