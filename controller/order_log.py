"""What becomes of an enclosure's orders, kept only as they change."""

from controller.clock import Moment
from controller.state import State
from controller.store.orders import OrderChanged

Told = tuple[bool, bool, tuple[str, ...]]


class OrderLog:
    """One enclosure's orders since the controller started: the first is always kept."""

    def __init__(self, enclosure: str) -> None:
        self._enclosure = enclosure
        self._last: Told | None = None

    def take(self, state: State, now: Moment) -> list[OrderChanged]:
        """Return what to keep of a tick: something where the order, or what is missing for heat, has changed."""
        missing = tuple([each.name for each in state.lost])
        order, told = state.order, (state.order.on, state.order.armed, missing)
        if told == self._last:
            return []
        self._last = told
        return [OrderChanged(self._enclosure, now.utc_ms, order.on, order.armed, order.because, missing)]
