"""The lease: the seconds a node may keep the contact closed, and when it must be renewed."""

from dataclasses import dataclass
from typing import Final

from controller.safety import limits

RENEWALS: Final = 3
"""To a lease: the longest has three by `RENEW_EVERY_S`, and one that settings made shorter must have as many."""


@dataclass(frozen=True, slots=True)
class Order:
    """What one tick decides for the relay.

    Parameters
    ----------
    on
        K1 may close.
    armed
        K2 may close.
    because
        The reason in short words.
    """

    on: bool
    armed: bool
    because: str


@dataclass(frozen=True, slots=True)
class Sent:
    """The order last sent and when [s] monotonic."""

    order: Order
    at_s: float


def due(order: Order, sent: Sent | None, now_s: float, lease_s: float = limits.LONGEST_LEASE_S) -> bool:
    """Whether the order must be sent now: it changed, or its renewal is due, three times in a lease at the least."""
    if sent is None or (order.on, order.armed) != (sent.order.on, sent.order.armed):
        return True
    return now_s - sent.at_s >= min(limits.RENEW_EVERY_S, lease_s / RENEWALS)
