"""The simulated circuit: K1 and K2 in series, a heater, a current sensor; each can be broken."""

import math
from dataclasses import dataclass, field

from controller.node.electrical import Told
from controller.safety import node_limits as limits


@dataclass(slots=True)
class Contact:
    """One contact with its coil and driver.

    Parameters
    ----------
    welded, driver_shorted, coil_open, interrupted
        Faults: never opens; coil fed whatever it is told; never closes; open for the moment (a bad contact).
    half_shorted, half_open
        Faults of a solid-state relay: one half-wave passes always, or never.
    """

    welded: bool = False
    driver_shorted: bool = False
    coil_open: bool = False
    interrupted: bool = False
    half_shorted: bool = False
    half_open: bool = False
    pulled: bool = False

    @property
    def passes(self) -> float:
        """Share of full power that it passes now."""
        if self.interrupted:
            return 0.0
        if self.welded or (self.pulled and not self.coil_open):
            return 0.5 if self.half_open else 1.0
        return 0.5 if self.half_shorted else 0.0


@dataclass(slots=True)
class Load:
    """A heater on its mains.

    Parameters
    ----------
    rated_w, volts
        [W], [V] of its plate.
    share
        Its power at nominal voltage over the rated one: 0 is an open element, 1.3 a partial short.
    mains
        Mains over nominal voltage.
    cut_out
        Whether its own thermal cut-out is open.
    plugged_past
        Whether it is connected past the relay.
    """

    rated_w: float
    volts: float
    share: float = 1.0
    mains: float = 1.0
    cut_out: bool = False
    plugged_past: bool = False

    def _through(self, passes: float) -> float:
        if self.cut_out:
            return 0.0
        return 1.0 if self.plugged_past else passes

    def watts(self, passes: float) -> float:
        """Return [W] it turns to heat behind contacts that pass this share of full power."""
        return self.rated_w * self.share * self.mains**2 * self._through(passes)

    def amps(self, passes: float) -> float:
        """Return [A] true RMS that it draws."""
        return self.rated_w / self.volts * self.share * self.mains * math.sqrt(self._through(passes))


@dataclass(slots=True)
class Circuit:
    """Both contacts, the heater, and what can be sensed of them.

    Parameters
    ----------
    powered
        Whether there are mains, for coils and heater alike.
    sensor_at_supply
        Whether the current sensor sits before the contacts and so sees a heater plugged past them.
    has_aux
        Whether K1 has an auxiliary contact.
    """

    load: Load
    k1: Contact = field(default_factory=Contact)
    k2: Contact = field(default_factory=Contact)
    powered: bool = True
    sensor_at_supply: bool = False
    has_aux: bool = False
    told: Told = field(default_factory=Told)
    _pulsed_s: float = float("-inf")

    def pulse(self, now_s: float) -> None:
        """Take one sign of life from the loop: K2's driver passes changes only, and a level holds nothing."""
        self._pulsed_s = now_s

    def settle(self, now_s: float) -> None:
        """Let the coils do what they are fed for at this instant [s], by true time."""
        alive = now_s - self._pulsed_s < limits.ALIVE_PULSE_S
        self.k1.pulled = self.powered and (self.told.k1 or self.k1.driver_shorted)
        self.k2.pulled = self.powered and self.told.k2 and alive

    @property
    def passes(self) -> float:
        """Share of full power that the two in series pass; 0 is an open path."""
        return min(self.k1.passes, self.k2.passes)

    @property
    def watts(self) -> float:
        """[W] heat made now."""
        return self.load.watts(self.passes) if self.powered else 0.0

    @property
    def amps(self) -> float:
        """[A] at the sensor."""
        if not self.powered or (self.load.plugged_past and not self.sensor_at_supply):
            return 0.0
        return self.load.amps(self.passes)

    @property
    def aux(self) -> bool | None:
        """Whether K1's auxiliary contact is closed; None without one."""
        return self.k1.passes > 0.0 if self.has_aux else None
