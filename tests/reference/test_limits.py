"""The hard limits, restated: value and direction. Whoever moves one must move it here, with its reason."""

import math
from pathlib import Path

import pytest

from controller.enclosure_settings import Control
from controller.errors import SettingsError
from controller.load_settings import check
from controller.safety import limits
from tests.core_site import raw_settings, settings_of


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("HIGHEST_SET_POINT_C", 32.0),
        ("SOIL_TRIP_C", 40.0),
        ("SOIL_TRIP_AT_ONCE_C", 45.0),
        ("AIR_NO_HEAT_C", 45.0),
        ("AIR_FIRE_C", 57.0),
        ("HEATER_SURFACE_C", 70.0),
        ("AIR_RISE_K_PER_MIN", 8.33),
        ("SOIL_STEP_K", 1.0),
        ("SOIL_STEP_SPAN_S", 60.0),
        ("STEP_QUARANTINE_S", 1800.0),
        ("OVER_REMEMBERED_S", 3600.0),
        ("LONGEST_LEASE_S", 15.0),
        ("RENEW_EVERY_S", 5.0),
        ("TICK_S", 1.0),
        ("UNRECORDED_S", 60.0),
        ("LONGEST_GAP_S", 3.0),
        ("DEAD_LOOP_S", 5.0),
        ("NODE_SILENT_S", 10.0),
        ("STALE_CAP_S", 120.0),
        ("SLOWEST_PERIOD_S", 60.0),
        ("LONGEST_CLOSING_S", 1800.0),
        ("REST_AFTER_LONGEST_S", 60.0),
        ("SHORTEST_ON_S", 30.0),
        ("SHORTEST_OFF_S", 30.0),
        ("AIR_SETTLE_S", 300.0),
        ("REARM_AFTER_RESET_S", 300.0),
        ("HEATER_LATELY_ON_S", 600.0),
        ("WORKING_RANGE_C", (-40.0, 85.0)),
        ("HIGHEST_POSSIBLE_C", 125.0),
        ("FUTURE_STAMP_MARK_S", 5.0),
        ("FUTURE_STAMP_REFUSE_S", 60.0),
        ("ABOVE_SET_POINT_K", 3.0),
        ("NOISIEST_K", 2.0),
        ("FROZEN_AT_WORK_S", 1800.0),
        ("FROZEN_S", 6 * 3600.0),
        ("AT_WORK_DUTY", 0.2),
        ("APART_K", 1.0),
        ("NODE_CLOCK_SPAN_S", 60.0),
        ("NODE_CLOCK_ERROR", 0.1),
        ("PAIR_ALERT_K", 3.0),
        ("PAIR_ALERT_S", 600.0),
        ("PAIR_FAULT_K", 6.0),
        ("PAIR_FAULT_S", 120.0),
        ("HARD_AT_WORK_DUTY", 0.8),
        ("LEAST_RISE_K", 0.3),
        ("LONGEST_UNANSWERED_S", 175 * 60.0),
        ("EXPOSED_PART", 0.3),
        ("UNASKED_RISE_K", 0.2),
        ("DRY_SOIL_LOWERS_K", 5.0),
        ("SHORT_K", 2.0),
        ("SHORT_S", 6 * 3600.0),
        ("NODE_ALERT_S", 35.0),
        ("AFFRONT_REMEMBERED_S", 900.0),
        ("RELAY_CLOSINGS", 100_000),
        ("RELAY_WORN_PART", 0.8),
        ("LONGEST_AT_WORK_S", 3600.0),
        ("LONGEST_SHELVED_S", 8 * 3600.0),
        ("PROOF_EVERY_DAYS", 400.0),
        ("PROOF_GRACE_DAYS", 14.0),
        ("RESETS_OF_ONE_TRIP", 3),
        ("RESET_SPAN_S", 86_400.0),
        ("HEATER_AIR_RISE_K_PER_MIN", 25.0),
    ],
)
def test_each_limit_is_what_the_hazard_table_says(name: str, value: object) -> None:
    """A limit moved in the code alone fails here.

    Source: common practice, figure by figure in controller/safety/limits.py.
    """
    assert getattr(limits, name) == value


def test_no_limit_is_without_a_test() -> None:
    """Every public constant is restated above.

    Source: common practice.
    """
    (mark,) = (
        each for each in vars(test_each_limit_is_what_the_hazard_table_says)["pytestmark"] if each.name == "parametrize"
    )
    restated = {name for name, _ in mark.args[1]}
    assert {name for name in vars(limits) if name.isupper()} == restated


def test_the_fire_limit_lies_at_the_ordinary_heat_detectors_rating() -> None:
    """Row 49: 135 F is 57.22 Cel, and our limit is no higher; 115 F ceiling ambient is 46.1, above our no-heat limit.

    Source: NFPA 72, table of heat detector ratings (secondary copies).
    """
    fire_c, ambient_c = (135 - 32) / 1.8, (115 - 32) / 1.8
    assert fire_c == pytest.approx(57.22, abs=0.01)
    assert fire_c - 1.0 < limits.AIR_FIRE_C <= fire_c
    assert ambient_c >= limits.AIR_NO_HEAT_C


def test_the_rate_of_rise_is_that_of_the_usual_element() -> None:
    """Row 49: 15 F a minute is 8.33 K a minute.

    Source: UL 521 (secondary copies).
    """
    assert pytest.approx(15 / 1.8, abs=0.01) == limits.AIR_RISE_K_PER_MIN


def test_the_surface_limit_lies_below_what_wood_bears_for_long() -> None:
    """Wood in long contact at 77 Cel and above is liable to self-heating; film softens at 90.

    Source: Babrauskas, Gray and Janssens 2007, Fire and Materials 31(2), abstract.
    """
    assert limits.HEATER_SURFACE_C <= 77.0 - 5.0


def test_a_lease_bounds_the_overshoot_of_a_kilowatt_in_a_small_tunnel() -> None:
    """Rows 26, 27: 1 kW in 1.91 m3 with 62 W/K rises 5.4 K in one lease.

    Source: first-order lumped model, calculation.
    """
    ua_w_k, tau_s = 62.0, 1.91 * 1206.0 / 62.0
    rise_k = 1000.0 / ua_w_k * (1.0 - math.exp(-limits.LONGEST_LEASE_S / tau_s))
    assert rise_k == pytest.approx(5.36, rel=0.01)


@pytest.mark.parametrize(
    ("key", "tighter", "looser"),
    [
        ("soil_trip", 39.9, 40.1),
        ("air_no_heat", 44.9, 45.1),
        ("air_fire", 56.9, 57.1),
        ("heater_surface", 69.9, 70.1),
        ("highest_set_point", 31.9, 32.1),
        ("proof_every_days", 399.9, 400.1),
    ],
)
def test_settings_tighten_and_never_loosen(key: str, tighter: float, looser: float) -> None:
    """I4: just under, at and just over each limit.

    Source: common practice.
    """
    assert getattr(settings_of(limits={key: tighter}).enclosure[0].limits, key) == tighter
    with pytest.raises(SettingsError, match=key):
        check(raw_settings(limits={key: looser}), Path("soilward.toml"))


def test_a_hundred_thousand_closings_last_five_years() -> None:
    """Row 46: the default window of half an hour closes at most 17 520 times a year: a small relay's 1e5 last five.

    Source: small power relay datasheets, electrical life 1e5 operations; arithmetic.
    """
    assert 365 * 86_400 / Control().window_s == 17_520
