"""paho with fewer calls of the system: at each, Python's lock may go to another thread, which costs more than the call.

paho reads a packet's first bytes one at a time, and wakes its thread for every packet that is to go out. Where another
paho has no such parts, what is here is never asked, and all goes on as it does there.
"""

import socket
import threading
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import MQTTErrorCode

AHEAD_BYTES = 4096
"""Most that is read at once: some twenty messages. Source: engineering judgement."""


class Bell:
    """paho's pair of sockets, of which one wakes its thread: rung once, until that is heard.

    Whoever rings has left a packet before, and the thread looks for packets once it has heard: so a ring is spared only
    where that look is still to come. One thread may gather: its packets wait until it lets them out, or until anything
    else wakes the other.
    """

    def __init__(self, hears: socket.socket, rings: socket.socket) -> None:
        self._hears, self._rings, self._is_rung = hears, rings, False
        self._gatherer, self._owes = 0, False

    @contextmanager
    def gathering(self) -> Iterator[None]:
        """Ring for this thread, for the length of a block, only when it says so."""
        self._gatherer = threading.get_ident()
        try:
            yield
        finally:
            self._gatherer = 0
            self.let_out()

    def let_out(self) -> None:
        """Ring, if the thread that gathers has left anything."""
        if self._owes:
            self._owes = False
            self._ring()

    def send(self, data: bytes) -> int:
        """Ring, or owe it."""
        if threading.get_ident() == self._gatherer:
            self._owes = True
        else:
            self._ring()
        return len(data)

    def recv(self, size: int) -> bytes:
        """Hear it; only then may it be rung anew, or a ring could be taken away with the one before, unheard."""
        heard = self._hears.recv(size)
        self._is_rung = False
        return heard

    def fileno(self) -> int:
        """What `select` waits for."""
        return self._hears.fileno()

    def close(self) -> None:
        """Close both ends."""
        self._hears.close()
        self._rings.close()

    def _ring(self) -> None:
        if not self._is_rung:
            self._is_rung = True
            self._rings.send(b"0")


class Client(mqtt.Client):
    """paho's client, which reads ahead, and whose thread is woken once for many packets."""

    def __init__(self, *args: Any, **options: Any) -> None:
        self._ahead, self._taken = b"", 0
        self._bell: Bell | None = None
        self._beginning = threading.Lock()
        self.has_died = False
        """Whether a fault of our own, or paho's, has ended the thread: `is_connected` knows nothing of it."""
        super().__init__(*args, **options)

    def gathering(self) -> AbstractContextManager[None]:
        """Let what this thread publishes, for the length of a block, wait for `let_out`."""
        return nullcontext() if self._bell is None else self._bell.gathering()

    def let_out(self) -> None:
        """Wake the network's thread for what was gathered."""
        if self._bell is not None:
            self._bell.let_out()

    def loop_start(self) -> MQTTErrorCode:
        """Begin the network's thread."""
        with self._beginning:
            result = super().loop_start()
            hears, rings = getattr(self, "_sockpairR", None), getattr(self, "_sockpairW", None)
            if isinstance(hears, socket.socket) and isinstance(rings, socket.socket):
                self._bell = Bell(hears, rings)
                self._sockpairR: Any = self._bell
                self._sockpairW: Any = self._bell
        return result

    def _thread_main(self) -> None:
        """Be the network's thread: with the bell from the first, or a ring could be heard past it, and be its last."""
        with self._beginning:
            pass
        try:
            super()._thread_main()
        except Exception:
            self.has_died = True
            raise

    def reconnect(self) -> MQTTErrorCode:
        """Connect anew; what was read ahead of the last connection is none of this one's."""
        self._ahead, self._taken = b"", 0
        return super().reconnect()

    def loop_read(self, max_packets: int = 1) -> MQTTErrorCode:
        """Handle what came. Nothing that was read ahead is left behind, for no socket would tell of it."""
        result = super().loop_read(max_packets)
        while not result and self._taken < len(self._ahead):
            if self.want_write():
                result = self.loop_write()
            result = result or self.loop_misc() or super().loop_read(max_packets)
        return result

    def _sock_recv(self, bufsize: int) -> bytes:
        if self._taken == len(self._ahead):
            self._ahead, self._taken = super()._sock_recv(max(bufsize, AHEAD_BYTES)), 0
        piece = self._ahead[self._taken : self._taken + bufsize]
        self._taken += len(piece)
        return piece
