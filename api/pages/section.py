"""The section: an enclosure cut through the ground, with temperature against height and depth."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from api.pages import words
from api.pages.frame import (
    GUTTER,
    RIGHT,
    SMALL,
    WIDTH,
    Frame,
    Size,
    Tick,
    frame,
    heater_marks,
    outline,
    stones,
)
from api.pages.labels import Box, Label, Wanted, place
from api.pages.profile import Band, Mark, ranges_drawn, spoken, temperature_lines
from api.pages.scales import degrees, levels, root_depth_m
from api.pages.words import Unit
from controller.enclosure_settings import Enclosure, HeaterKind


@dataclass(frozen=True, slots=True)
class HeaterDrawn:
    """The heater where it is: `state` is "on", "off", "unknown" or "locked"."""

    cable: bool
    state: str
    points: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Picture:
    """Everything the template draws, in drawing units."""

    frame: Frame
    width: float
    height: float
    gutter: float
    edge: float
    covers: tuple[str, ...]
    stones: tuple[tuple[float, float, float], ...]
    marks: tuple[Mark, ...]
    air_line: str
    soil_line: str
    air_band: str
    soil_band: str
    outside_x: float | None
    asked: tuple[float, float] | None
    heater: HeaterDrawn
    labels: tuple[Label, ...]
    levels: tuple[Tick, ...]
    degrees: tuple[Tick, ...]
    remark: str
    spoken: str


def picture(
    enclosure: Enclosure,
    status: Mapping[str, Any] | None,
    unit: Unit,
    bands: Mapping[str, Band] | None = None,
    size: Size = SMALL,
) -> Picture:
    """Draw one enclosure.

    Parameters
    ----------
    enclosure
        Its settings: outline, heater, where each probe sits.
    status
        What is true now, as `GET /api/enclosures/{e}` gives it; None draws the enclosure with no numbers.
    unit
        What the numbers are written in.
    bands
        [Cel] (least, most) over the last 24 h by probe name.
    """
    now = _readings(status)
    ranges = dict(bands or {})
    drawn = frame(enclosure, _shown_c(enclosure, status, ranges), size)
    marks = _marks(enclosure, now, drawn)
    heater = _heater(enclosure, status, drawn)
    asked = _asked(enclosure, status, drawn)
    outside = next((m for m in marks if m.kind == "outside" and m.value_c is not None), None)
    inside = tuple(m for m in marks if m.kind in ("soil", "air"))
    air_line, soil_line = temperature_lines(inside, drawn)
    air_band, soil_band = ranges_drawn(inside, ranges, drawn)
    return Picture(
        drawn,
        WIDTH,
        drawn.bottom + 24,
        GUTTER,
        WIDTH - RIGHT,
        outline(enclosure.shape, drawn),
        stones(drawn),
        inside,
        air_line,
        soil_line,
        air_band,
        soil_band,
        outside.x if outside else None,
        asked,
        heater,
        _labels(_Scene(enclosure, status, unit, size, drawn, marks, heater, asked, now)),
        levels(enclosure, drawn),
        degrees(drawn, unit),
        f"The soil is drawn {drawn.stretch:.0f} times deeper than to scale."
        if drawn.stretch >= 1.5 and size.names
        else "",
        spoken(marks, _asked_words(status, unit), _heater_words(heater), unit),
    )


@dataclass(frozen=True, slots=True)
class _Scene:
    enclosure: Enclosure
    status: Mapping[str, Any] | None
    unit: Unit
    size: Size
    drawn: Frame
    marks: tuple[Mark, ...]
    heater: HeaterDrawn
    asked: tuple[float, float] | None
    now: Mapping[str, Mapping[str, Any]]


def _readings(status: Mapping[str, Any] | None) -> dict[str, Mapping[str, Any]]:
    return {each["probe"]: each for each in (status or {}).get("readings", ())}


def _shown_c(enclosure: Enclosure, status: Mapping[str, Any] | None, bands: Mapping[str, Band]) -> list[float]:
    kinds = {p.name for p in enclosure.probe if p.quantity in ("soil", "air", "outside")}
    values = [r["value"] for name, r in _readings(status).items() if name in kinds and r["value"] is not None]
    values += [edge for name, band in bands.items() if name in kinds for edge in band]
    asked = (status or {}).get("set_point", {}).get("asked_c")
    return values if asked is None else [*values, asked]


def _marks(enclosure: Enclosure, now: Mapping[str, Mapping[str, Any]], drawn: Frame) -> tuple[Mark, ...]:
    marks = []
    for probe in enclosure.probe:
        kind = str(probe.quantity)
        if kind not in ("soil", "air", "outside"):
            continue
        said = now.get(probe.name, {})
        value = said.get("value")
        level_m = probe.level_m if probe.level_m is not None else {"soil": -0.1, "air": 0.3}.get(kind, 0.5)
        x = drawn.middle if value is None else drawn.x(value)
        fresh, age_s = bool(said.get("fresh")), said.get("age_s")
        age = "" if fresh or age_s is None else words.ago(age_s)
        marks.append(Mark(probe.name, kind, x, drawn.y(level_m), level_m, value, fresh, age))
    return tuple(sorted(marks, key=lambda mark: -mark.level_m))


def _heater(enclosure: Enclosure, status: Mapping[str, Any] | None, drawn: Frame) -> HeaterDrawn:
    contact = (status or {}).get("heat", {}).get("contact")
    state = "unknown" if contact is None else "on" if contact else "off"
    if state == "off" and (status or {}).get("trips"):
        state = "locked"
    cable = enclosure.heater.kind is HeaterKind.SOIL_CABLE
    return HeaterDrawn(cable, state, heater_marks(enclosure, drawn))


def _asked(enclosure: Enclosure, status: Mapping[str, Any] | None, drawn: Frame) -> tuple[float, float] | None:
    asked_c, depth_m = (status or {}).get("set_point", {}).get("asked_c"), root_depth_m(enclosure)
    if asked_c is None or depth_m is None:
        return None
    return drawn.x(asked_c), drawn.y(-depth_m)


def _labels(scene: _Scene) -> tuple[Label, ...]:
    drawn, heater = scene.drawn, scene.heater
    taken = [Box(m.x - 7, m.y - 7, 14, 14) for m in scene.marks if m.kind != "outside"]
    taken += [Box(x - 6, y - 6, 12, 12) for x, y in heater.points]
    if scene.asked:
        taken.append(Box(scene.asked[0] - 2, scene.asked[1] - 20, 4, 40))
    bounds = Box(GUTTER + 3, 4, WIDTH - GUTTER - RIGHT - 2, drawn.bottom - 6)
    first = place([*_probe_labels(scene), *_other_labels(scene)], bounds, taken)
    # What is said of a buried cable stays in the soil: a warm number drawn in the air would be read as the air's.
    soil = Box(bounds.x, drawn.ground + 2, bounds.width, bounds.y + bounds.height - drawn.ground - 2)
    inside = soil if heater.cable else bounds
    return first + place(_heater_labels(scene), inside, [*taken, *(label.box for label in first)])


def _probe_labels(scene: _Scene) -> list[Wanted]:
    depth_m = root_depth_m(scene.enclosure)
    root = next((m.probe for m in scene.marks if m.kind == "soil" and depth_m and abs(m.level_m + depth_m) < 1e-9), "")
    # While the controller is not heard every probe is silent; the sentence above says it once.
    told = [m for m in scene.marks if m.kind != "outside" and (m.value_c is not None or _is_known(scene.status))]
    marks = sorted(told, key=lambda m: m.probe != root)
    return [_probe_label(scene, mark, mark.probe == root) for mark in marks]


def _is_known(status: Mapping[str, Any] | None) -> bool:
    return status is not None and bool(status.get("known", True))


def _probe_label(scene: _Scene, mark: Mark, is_root: bool) -> Wanted:
    text = words.temperature(mark.value_c, scene.unit) if mark.value_c is not None else "silent"
    note = mark.age
    if scene.size.names and not note:
        note = mark.probe if len(mark.probe) <= 12 else mark.probe[:11] + "…"
    struck = not mark.fresh and mark.value_c is not None
    kind = f"{mark.kind} root" if is_root else mark.kind
    return Wanted(text, mark.x, mark.y, 20.0 if is_root else 16.0, kind, mark.probe, struck, note, 11.0)


def _other_labels(scene: _Scene) -> list[Wanted]:
    unit = scene.unit
    wanted = []
    outside = next((m for m in scene.marks if m.kind == "outside" and m.value_c is not None), None)
    if scene.asked:
        x, y = scene.asked[0], scene.asked[1] + 22
        wanted.append(Wanted(_asked_words(scene.status, unit), x, y, 14.0, "asked", away=6, led=False))
    if outside:
        text = f"outside {words.temperature(outside.value_c, unit)}"
        wanted.append(
            Wanted(text, outside.x, 15.0, 14.0, "outside", outside.probe, struck=not outside.fresh, away=6, led=False)
        )
    return wanted


def _heater_labels(scene: _Scene) -> list[Wanted]:
    cable = scene.heater.cable
    x, y = scene.heater.points[-1 if cable else 0]
    x, y = x - 14, y + (15 if cable else -22)
    wanted = [Wanted(_heater_words(scene.heater), x, y, 14.0, "heat", away=4, led=False)]
    surface = next((r for r in scene.now.values() if r["quantity"] == "heater-surface"), None)
    if surface and surface["value"] is not None:
        text = f"surface {words.temperature(surface['value'], scene.unit)}"
        struck = not surface["fresh"]
        wanted.append(Wanted(text, x, y + 16, 14.0, "heat", surface["probe"], struck, away=4, led=False))
    return wanted


def _heater_words(heater: HeaterDrawn) -> str:
    name = "cable" if heater.cable else "heater"
    said = {"unknown": "not heard", "locked": "locked off"}.get(heater.state, heater.state)
    return f"{name} {said}"


def _asked_words(status: Mapping[str, Any] | None, unit: Unit) -> str:
    asked_c = (status or {}).get("set_point", {}).get("asked_c")
    return "" if asked_c is None else f"asked {words.temperature(asked_c, unit)}"
