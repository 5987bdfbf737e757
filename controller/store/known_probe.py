"""A probe as the writer remembers it: what is in order, and so is neither on record yet nor late.

A clock that was once ahead leaves readings behind which nothing would be in order ever again. So a probe may go on
before them, for as long as it does not come to them.
"""

from dataclasses import dataclass


@dataclass(slots=True)
class KnownProbe:
    """One probe.

    Parameters
    ----------
    newest_ms
        [ms UTC] when the newest of all its readings was taken.
    closed_ms
        [ms UTC] before then its days are rolled up.
    reached_ms, until_ms
        [ms UTC] between these nothing is on record: there it goes on. None where the first is not before the other.
    """

    number: int
    quantity: str
    unit: str
    newest_ms: int
    closed_ms: int
    reached_ms: int = 0
    until_ms: int = 0

    def goes_on(self, taken_ms: int) -> bool:
        """Whether a reading taken at an instant [ms UTC] is in order."""
        return taken_ms > self.newest_ms or self.reached_ms < taken_ms < self.until_ms

    def take(self, taken_ms: int) -> None:
        """Note a reading that is on record by now."""
        if taken_ms > self.newest_ms:
            self.newest_ms = taken_ms
        elif self.goes_on(taken_ms):
            self.reached_ms = taken_ms
