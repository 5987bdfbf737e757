"""What warmth alone shows of a heater, as people read it where no current is sensed, and as the tick judges it."""

from pathlib import Path
from typing import Any

import pytest

from controller import cli
from controller.unsensed import told, unwatched
from tests.core_site import settings_of
from tests.heat_site import AIR, CABLE, DUSK_MS, FAN, GLASS, OUTSIDE, SOIL, Bed, Outdoors
from tests.wire.kit import write_site

WEAK = {**CABLE, "rated_w": 150.0}
WEAK_FAN = {**FAN, "rated_w": 500.0}


def words(*probes: dict[str, Any], senses: bool | None = False, **parts: Any) -> str:
    """Return what is said of an enclosure."""
    return told(settings_of(*probes, **parts).enclosure[0], senses)


@pytest.mark.parametrize(
    ("probes", "parts", "dead", "welded"),
    [
        ((SOIL, AIR), {"heater": CABLE}, "after 3 h hard at work", "after an hour or more"),
        ((SOIL, AIR), {"heater": {**CABLE, "rated_w": 300.0}}, "after 6 h hard at work", "after an hour or more"),
        ((SOIL, AIR), {"heater": WEAK}, "too weak", "at a limit alone"),
        ((SOIL, OUTSIDE), {"heater": CABLE}, "not watched without a probe of air:", "at a limit alone"),
        ((SOIL, AIR, OUTSIDE), {"heater": FAN, "shape": GLASS}, "after 3 h hard at work", "after an hour or more"),
        ((SOIL, AIR), {"heater": FAN, "shape": GLASS}, "without a probe of outside:", "at a limit alone"),
        ((SOIL, AIR, OUTSIDE), {"heater": WEAK_FAN, "shape": GLASS}, "too weak", "at a limit alone"),
    ],
    ids=["cable", "cable-of-half-the-power", "weak-cable", "no-air", "air-heater", "no-outside", "weak-air-heater"],
)
def test_each_heater_is_told_how_late_or_that_never(
    probes: tuple[dict[str, Any], ...], parts: dict[str, Any], dead: str, welded: str
) -> None:
    """P14, K02: window, weakness, missing probes; and what to do."""
    said = words(*probes, **parts)
    assert dead in said
    assert welded in said
    assert said.endswith("Fit a current sensor: with one, both show within seconds.")
    assert bool(unwatched(settings_of(*probes, **parts).enclosure[0])) is ("hard at work" not in said)


@pytest.mark.parametrize("senses", [True, None])
def test_with_a_sensor_or_a_silent_node_nothing_is_said(senses: bool | None) -> None:
    """What is sensed is watched; what is not known is not guessed."""
    assert words(SOIL, AIR, heater=WEAK, senses=senses) == ""


@pytest.mark.parametrize(
    ("probes", "heater", "shape"),
    [
        ((SOIL, AIR), WEAK, {}),
        ((SOIL, OUTSIDE), CABLE, {}),
        ((SOIL, AIR), FAN, GLASS),
        ((SOIL, AIR, OUTSIDE), WEAK_FAN, GLASS),
    ],
    ids=["weak-cable", "no-air", "no-outside", "weak-air-heater"],
)
def test_what_is_called_unwatched_is_told_by_nothing_but_the_cold(
    probes: tuple[dict[str, Any], ...], heater: dict[str, Any], shape: dict[str, Any]
) -> None:
    """P14: dead from dusk to dawn at full duty, none of these latches, and the alert that it cannot hold stands."""
    bed = Bed(
        heater, shape, probes, Outdoors(lambda _: 2.0), before=(24.0, 0.0), heats=lambda _: False, start_ms=DUSK_MS
    )  # fmt: skip
    bed.run(14)
    assert bed.trips == ()
    assert "cannot-hold" in [each.name for each in bed.state.alerts]


def test_the_check_of_settings_names_what_only_a_sensor_would_show(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A note for a weak heater, none for a strong one."""
    file = write_site(tmp_path, 1)
    assert cli.main(["check", "--settings", str(file)]) == 0
    assert "too weak" not in capsys.readouterr().out
    file.write_text(file.read_text().replace("rated_w = 460", "rated_w = 90"))
    assert cli.main(["check", "--settings", str(file)]) == 0
    said = "enclosure 'larch': this heater is too weak to be watched by its warmth; only a current sensor shows that"
    assert said in capsys.readouterr().out


def test_the_check_of_settings_names_a_key_that_is_not_there(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Settings may be checked elsewhere, so it is a note; where the controller runs, it would end at each start."""
    file = write_site(tmp_path, 1)
    key = next(tmp_path.glob("*.key"))
    assert cli.main(["check", "--settings", str(file)]) == 0
    assert "is not here" not in capsys.readouterr().out
    key.unlink()
    assert cli.main(["check", "--settings", str(file)]) == 0
    assert (
        f"note: enclosure 'larch': {key} is not here; a controller on this machine would not" in capsys.readouterr().out
    )
