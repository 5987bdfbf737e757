"""Who listens to live values: pages with one stream of server-sent events each, bounded in number and in backlog.

Everything here runs on the event loop.
"""

import asyncio
import json
from collections.abc import AsyncIterator, Awaitable, Callable, Iterable
from typing import Any

from controller.clock import Clock

HEARTBEAT_S = 15.0
"""[s] Comment sent to a listener when nothing else is, so that a dead line is noticed."""

RECHECK_S = 15.0
"""[s] A sign-in this old is looked at again at the next event or heartbeat, so no later than 30 s."""

QUEUE_LENGTH, TURNS = 32, 4
"""Events a listener may be behind before it is dropped: so many, or so many from every enclosure."""

MOST_LISTENERS = 64
"""Pages that may listen at once."""

MOST_OF_ONE_CALLER = 16
"""Pages of one address that may listen at once, so that nobody takes every place. Source: engineering judgement."""

Welcome = Callable[[], Awaitable[bool]]
"""Tells whether the listener may still look."""


async def anybody() -> bool:
    """Welcome whoever listens."""
    return True


def event(name: str, data: dict[str, Any]) -> str:
    """Write one server-sent event."""
    return f"event: {name}\ndata: {json.dumps(data, separators=(',', ':'), ensure_ascii=False)}\n\n"


class Listeners:
    """The pages that listen now, to so many enclosures, which all speak in the same moment."""

    def __init__(self, clock: Clock, enclosures: int) -> None:
        self._clock = clock
        self._behind = max(QUEUE_LENGTH, TURNS * enclosures)
        self._queues: dict[asyncio.Queue[str | None], str] = {}
        self._closed = False

    @property
    def is_full(self) -> bool:
        """Whether no further listener is taken."""
        return len(self._queues) >= MOST_LISTENERS

    def is_full_for(self, caller: str) -> bool:
        """Whether no further listener of this address is taken."""
        return sum(each == caller for each in self._queues.values()) >= MOST_OF_ONE_CALLER

    def tell(self, news: str) -> None:
        """Send an event to everyone; who is too far behind is dropped."""
        for queue in list(self._queues):
            if queue.full():
                self._drop(queue)
            else:
                queue.put_nowait(news)

    def close(self) -> None:
        """End every listener; later ones end after their first events."""
        self._closed = True
        for queue in list(self._queues):
            self._drop(queue)

    async def events(self, opening: Callable[[], Iterable[str]], welcome: Welcome, caller: str) -> AsyncIterator[str]:
        """Yield what is true now, then every change; end when dropped, closed or no longer welcome."""
        if self.is_full or self.is_full_for(caller):
            return
        queue: asyncio.Queue[str | None] = asyncio.Queue(self._behind)
        self._queues[queue] = caller
        checked_s = self._clock.now().mono_s
        try:
            yield ": soilward\nretry: 3000\n\n"
            for each in opening():
                yield each
            while not (self._closed and queue.empty()):
                news = await _next(queue)
                if self._clock.now().mono_s - checked_s >= RECHECK_S:
                    checked_s = self._clock.now().mono_s
                    news = news if await welcome() else None
                if news is None:
                    return
                yield news
        finally:
            self._queues.pop(queue, None)

    def _drop(self, queue: asyncio.Queue[str | None]) -> None:
        """Let a listener go; the browser connects again and starts with what is true then."""
        self._queues.pop(queue, None)
        while not queue.empty():
            queue.get_nowait()
        queue.put_nowait(None)


async def _next(queue: asyncio.Queue[str | None]) -> str | None:
    try:
        return await asyncio.wait_for(queue.get(), HEARTBEAT_S)
    except TimeoutError:
        return ": still here\n\n"
