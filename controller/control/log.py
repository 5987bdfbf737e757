"""What was measured of an enclosure, on an even grid: what models are learnt from and estimates made of."""

from dataclasses import dataclass, replace

from controller.control.stepping import Array


@dataclass(frozen=True, slots=True)
class Log:
    """What was measured on an even grid; arrays of one length, oldest first, NaN where nothing was.

    Parameters
    ----------
    ends_ms
        [ms UTC] end of the last step.
    step_s
        [s] length of a step.
    soil_c, outside_c, light_w_m2, duty
        Means over each step; `light_w_m2` stands in for a probe where there is none.
    air_c
        [Cel] mean air inside.
    """

    ends_ms: int
    step_s: float
    soil_c: Array
    air_c: Array
    outside_c: Array
    light_w_m2: Array
    duty: Array

    def __len__(self) -> int:
        return len(self.soil_c)

    def latest(self, seconds: float) -> "Log":
        """Return the last part of it."""
        rows = round(seconds / self.step_s)
        arrays = {name: getattr(self, name)[-rows:] for name in ARRAYS}
        return replace(self, **arrays)


ARRAYS = ("soil_c", "air_c", "outside_c", "light_w_m2", "duty")
