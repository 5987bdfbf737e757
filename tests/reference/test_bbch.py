"""The fig's growth stages against the published table."""

from itertools import pairwise

from api.season.bbch import FIG, GENERAL

PUBLISHED = [1, 5, 7, 9, 11, 15, 17, 19, 31, 33, 37, 39, 51, 53, 55, 59, 61, 65, 69, 71, 75, 79, 81, 85, 87, 89]


def test_the_fig_scale_is_the_published_one() -> None:
    """Its codes, no others; 87 is ripe for picking, 89 over-ripe; no 00 and no principal stage 9.

    Source: Folia Horticulturae 2023, doi 10.2478/fhort-2023-0028, table of stages.
    """
    assert list(FIG) == PUBLISHED
    assert (FIG[87], FIG[89]) == ("ripe for picking", "over-ripe")
    assert {code // 10 for code in FIG} == {0, 1, 3, 5, 6, 7, 8}


def test_codes_rise_inside_each_principal_stage() -> None:
    """Strictly, in both scales.

    Source: Meier 2001, Growth stages of mono- and dicotyledonous plants, doi 10.5073/bbch0515, principle of the scale.
    """
    for scale in (FIG, GENERAL):
        assert all(earlier < later for earlier, later in pairwise(scale))


def test_the_general_scale_names_the_awakening_as_published() -> None:
    """00 dormancy, 01 and 03 swelling, 07 breaking, 09 green tips, 10 leaves part, 11 first unfolded.

    Source: Meier 2001, doi 10.5073/bbch0515, principal stages 0 and 1.
    """
    assert [code for code in GENERAL if code <= 11] == [0, 1, 3, 7, 9, 10, 11]
    assert (GENERAL[0], GENERAL[7], GENERAL[9]) == ("dormant", "buds break", "green tips")
