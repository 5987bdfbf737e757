"""The gate: the one function that can answer "on"."""

from collections.abc import Sequence

from controller.safety.interlock import Permissive
from controller.safety.lease import Order
from controller.safety.trip import Trip

_NOTHING_EXAMINED = Order(False, False, "nothing was examined")
_NO_HEAT_WANTED = Order(False, True, "no heat wanted now")
_HEAT = Order(True, True, "heat wanted and everything permits it")


def decide(wanted: bool, armed: bool, permissives: Sequence[Permissive], trips: Sequence[Trip]) -> Order:
    """Return the order for the relay.

    Heat needs every reason at once: someone armed it, control wants it, at least one permissive was examined, none is
    missing, and nothing is latched. Each doubt answers off.

    Parameters
    ----------
    wanted
        Whether control asks for heat at this instant.
    """
    if trips:
        return Order(False, False, f"locked off: {trips[0].detail}")
    if not armed:
        return Order(False, False, "not armed")
    if not permissives:
        return _NOTHING_EXAMINED
    for permissive in permissives:
        if not permissive.holds:
            return Order(False, False, permissive.detail)
    if not wanted:
        return _NO_HEAT_WANTED
    return _HEAT
