"""Growth stages by two-digit code, in plain words, and what each means for frost.

Notes
-----
The first digit is the principal stage; inside it a higher code is later. Stages of different principals may run side
by side: a fig ripens fruit on old wood while its shoots still grow.

Source: general scale, Hack et al. 1992 and Meier 2001, doi 10.5073/bbch0515 (00 to 11; the rest from memory). Fig
scale, Folia Horticulturae 2023, doi 10.2478/fhort-2023-0028, cultivar Diana, India: it has no 00 and no stage 9, so
there the general scale speaks.
"""

from enum import StrEnum

from api.season.alarm import Stage
from controller.errors import SoilwardError


class Scale(StrEnum):
    """Whose codes a plant is watched by."""

    FIG = "fig"
    GENERAL = "general"


class StageError(SoilwardError):
    """A code that no scale has."""


PRINCIPALS = {
    0: "buds",
    1: "leaves",
    2: "side shoots",
    3: "shoots",
    4: "parts for harvest",
    5: "flower buds",
    6: "flowers",
    7: "fruit growing",
    8: "fruit ripening",
    9: "going to rest",
}
"""First digit and what it follows."""

GENERAL = {
    0: "dormant",
    1: "buds begin to swell",
    3: "buds swollen",
    7: "buds break",
    9: "green tips",
    10: "first leaves part",
    11: "first leaves unfolded",
    15: "more leaves unfolded",
    19: "leaves unfolded",
    31: "shoots begin to grow",
    35: "shoots half grown",
    39: "shoots nearly grown",
    51: "flower buds show",
    59: "first petals show",
    60: "first flowers open",
    65: "full flower",
    69: "flowering over",
    71: "fruit set",
    75: "fruit half its size",
    79: "fruit nearly its size",
    81: "fruit begins to ripen",
    85: "fruit colours",
    89: "fully ripe",
    91: "shoots done growing",
    93: "leaves begin to fall",
    95: "half the leaves fallen",
    97: "leafless",
}
"""Codes of the general scale that a grower of woody plants meets."""

FIG = {
    1: "buds begin to swell",
    5: "buds begin to lengthen",
    7: "buds long",
    9: "buds begin to break",
    11: "first leaves part",
    15: "half the leaves unfolded",
    17: "most leaves unfolded",
    19: "all leaves unfolded",
    31: "shoots begin to grow",
    33: "shoots a third grown",
    37: "shoots at 70 % of their length",
    39: "shoots at 90 % of their length",
    51: "fruit buds show",
    53: "fruit buds lengthen",
    55: "figs begin to form",
    59: "fruit buds mature",
    61: "flowers inside begin to mature",
    65: "flowers inside at their peak",
    69: "flowers inside over",
    71: "fruit set",
    75: "fruit half its size",
    79: "fruit nearly its size",
    81: "fruit begins to ripen",
    85: "fruit colours",
    87: "ripe for picking",
    89: "over-ripe",
}
"""Codes of the fig scale. That 15 is half the leaves, 17 most and 33 a third is read off their place in the scale."""

RIPE = {Scale.FIG: 87, Scale.GENERAL: 89}
"""The code at which fruit is picked."""


def codes(scale: Scale) -> dict[int, str]:
    """Return what a plant of this scale may be said to be, in order: the fig's own words where it has them."""
    both = {**GENERAL, **FIG} if scale is Scale.FIG else GENERAL
    return dict(sorted(both.items()))


def stage_words(code: int, scale: Scale) -> str:
    """Return the plain words of a code.

    Raises
    ------
    StageError
        If the scale has no such code, naming those of its principal stage.
    """
    known = codes(scale)
    if code in known:
        return known[code]
    alike = [each for each in known if each // 10 == code // 10] or list(known)
    listed = ", ".join(f"{each:02} {known[each]}" for each in alike)
    raise StageError(f"stage {code:02}: the {scale.value} scale has no such code; write one of {listed}")


def frost_stage(code: int) -> Stage:
    """Return how tender a plant is at a code: dormant, swelling (first half or opening), or in leaf.

    Notes
    -----
    The bud is taken to open from 07 on; until half the leaves have fallen the shoots are as tender as in leaf, and
    leafless from 97 on. Source: assumption, none was measured on fig.
    """
    if code == 0 or code >= 97:
        return Stage.DORMANT
    if code < 7:
        return Stage.SWELLING
    return Stage.OPENING if code < 10 else Stage.LEAFED
