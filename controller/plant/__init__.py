"""Simulated enclosures, and the door through which every one of them is driven (design: plants can be swapped)."""

from typing import Protocol


class Plant(Protocol):
    """Anything that behaves like a heated enclosure: ours, a linear model, or somebody else's."""

    def advance(self, seconds: float, heater_on: bool) -> None:
        """Let `seconds` [s] pass with the heater energised or not."""
        ...

    def probes(self) -> dict[str, float]:
        """Return what each probe reads now: by probe name, in the unit of its quantity (Cel, %RH, W/m2, A, /)."""
        ...

    @property
    def energy_j(self) -> float:
        """[J] electrical energy used since the plant was made."""
        ...
