"""The simulated circuit: what each fault does to current and heat."""

import math
from typing import Any

import pytest

from controller.node.contacts import Circuit, Load
from controller.node.electrical import Told

CLOSED = Told(True, True)


def circuit(told: Told = CLOSED, **faults: Any) -> Circuit:
    """Return a 460 W, 230 V circuit with faults, `k1_`, `k2_` or `load_` before their names, settled."""
    one = Circuit(Load(460.0, 230.0), told=told)
    for name, value in faults.items():
        part, _, fault = name.partition("_")
        setattr(getattr(one, part), fault, value)
    one.pulse(0.0)
    one.settle(0.0)
    return one


@pytest.mark.parametrize(
    ("told", "faults", "watts", "amps"),
    [
        (CLOSED, {}, 460.0, 2.0),
        (Told(k1=True), {}, 0.0, 0.0),
        (Told(k2=True), {}, 0.0, 0.0),
        (Told(k1=True), {"k2_welded": True}, 460.0, 2.0),
        (Told(k2=True), {"k1_welded": True}, 460.0, 2.0),
        (Told(k2=True), {"k1_driver_shorted": True}, 460.0, 2.0),
        (Told(k2=True), {"k1_driver_shorted": True, "k1_coil_open": True}, 0.0, 0.0),
        (CLOSED, {"k1_coil_open": True}, 0.0, 0.0),
        (CLOSED, {"k2_coil_open": True}, 0.0, 0.0),
        (CLOSED, {"k1_interrupted": True}, 0.0, 0.0),
        (CLOSED, {"k1_half_open": True}, 230.0, math.sqrt(2.0)),
        (CLOSED, {"k1_half_shorted": True}, 460.0, 2.0),
        (Told(k2=True), {"k1_half_shorted": True}, 230.0, math.sqrt(2.0)),
        (CLOSED, {"load_mains": 1.1}, 460.0 * 1.21, 2.2),
        (CLOSED, {"load_share": 1.3}, 598.0, 2.6),
        (CLOSED, {"load_share": 0.0}, 0.0, 0.0),
        (CLOSED, {"load_cut_out": True}, 0.0, 0.0),
        (CLOSED, {"load_plugged_past": True}, 460.0, 0.0),
        (Told(), {"load_plugged_past": True}, 460.0, 0.0),
    ],
)
def test_each_fault_does_to_current_and_heat_what_it_does_in_life(
    told: Told, faults: dict[str, Any], watts: float, amps: float
) -> None:
    """Ohm's law on a resistive heater; half the power is 0.71 of the current."""
    one = circuit(told, **faults)
    assert (one.watts, one.amps) == (pytest.approx(watts), pytest.approx(amps))


def test_a_sensor_at_the_supply_sees_a_heater_past_the_relay() -> None:
    """O04: the two places of the sensor."""
    one = circuit(Told(), load_plugged_past=True)
    one.sensor_at_supply = True
    assert one.amps == pytest.approx(2.0)


@pytest.mark.parametrize(("after_s", "closed"), [(1.99, True), (2.0, False)])
def test_k2_holds_for_less_than_two_seconds_without_a_pulse(after_s: float, closed: bool) -> None:
    """N01 N03: K1 stays where it is; K2 opens the path."""
    one = circuit()
    one.settle(after_s)
    assert (one.k1.passes, one.k2.passes) == (1.0, 1.0 if closed else 0.0)


@pytest.mark.parametrize(
    ("told", "faults", "closed"), [(CLOSED, {}, True), (Told(), {}, False), (Told(), {"k1_welded": True}, True)]
)
def test_the_auxiliary_contact_follows_the_contact_and_not_the_order(
    told: Told, faults: dict[str, Any], closed: bool
) -> None:
    """And says nothing where none is fitted."""
    one = circuit(told, **faults)
    assert one.aux is None
    one.has_aux = True
    assert one.aux is closed
