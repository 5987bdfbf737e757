"""Colours of the pages, measured."""

import re
from pathlib import Path

import pytest

SHEET = (Path(__file__).parents[2] / "api" / "pages" / "static" / "soilward.css").read_text(encoding="utf-8")
LIGHT = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", SHEET.split("@media", 1)[0]))
_DARK_FROM = SHEET.index("@media screen and (prefers-color-scheme: dark)")
DARK = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", SHEET[_DARK_FROM:][:700]))
GROUNDS = ("paper", "card")
INKS = ("ink", "quiet", "soil", "air", "outside", "asked", "heat", "alarm")


def _luminance(colour: str) -> float:
    channels = [int(colour[n : n + 2], 16) / 255 for n in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _contrast(one: str, other: str) -> float:
    high, low = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("colours", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize("ink", INKS)
def test_every_ink_can_be_read_on_every_ground(colours: dict[str, str], ink: str) -> None:
    """Text reaches 4.5 to 1 (WCAG 2.2, 1.4.3) on paper and card, and what stands in the ground on the ground."""
    grounds = GROUNDS + (("earth1", "earth2", "earth3", "under") if ink in ("ink", "asked", "heat") else ())
    for ground in grounds:
        least = 3.0 if ground == "earth3" and ink == "heat" else 4.5
        assert _contrast(colours[ink], colours[ground]) >= least, (ink, ground)


def test_words_are_at_least_seventeen_pixels() -> None:
    """The body is 17 px and nothing outside the drawings is set smaller than 1 rem of 16 px."""
    assert "font: 17px/" in SHEET
    outside = re.findall(r"font-size: ([\d.]+)rem", SHEET)
    assert all(float(size) >= 1 for size in outside)
