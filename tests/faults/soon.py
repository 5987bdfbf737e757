"""How soon the contact is open after a fault that the pure core decides, and that this is soon enough for its row."""

from tests.core_site import Bed
from tests.faults.cases import seen
from tests.faults.rows import ROWS

LEASE_S, PERIOD_S = 15, 10
"""[s] the longest lease, and how often the probes of these beds speak."""
_DECIDED_AT_THE_NODE = {row.id for row in ROWS if row.hazard_class.startswith("A")}


def off_in_time(row: str, bed: Bed, fault_s: int, unseen_s: int = PERIOD_S) -> None:
    """The order is off so soon that the contact is open in time even if the opening is lost: a lease later.

    Class A allows no lease: the order must be off at once.

    Parameters
    ----------
    fault_s
        The second at which the fault first showed.
    unseen_s
        [s] How long it may have stood by then: until the probe's next sample, unless said.
    """
    off_s = bed.off_after(fault_s)
    seen(row, off_s if row in _DECIDED_AT_THE_NODE else off_s + unseen_s + LEASE_S)


def off_at_once(row: str, bed: Bed, fault_s: int, unseen_s: int = PERIOD_S) -> None:
    """The same, and the very tick at which the fault showed ordered off."""
    off_in_time(row, bed, fault_s, unseen_s)
    assert bed.off_after(fault_s) == 0


def never_on(row: str, bed: Bed, since_s: int = 0, held_s: int = 0) -> None:
    """No order was "on" since then, so the contact was open all along, or once an earlier lease had ended."""
    on = bed.on_seconds(since_s)
    seen(row, on[-1] - since_s + 1 + LEASE_S if on else held_s)
    assert not on
