"""The journal's chain, walked whole now and then, and in between only from where it was last found whole."""

import sqlite3
import threading
from dataclasses import dataclass, replace

from controller.store import journal
from controller.store.heads import Check, Sealed
from controller.store.journal import Proof

WHOLE_EVERY_MS = 86_400_000
"""[ms] A day: an old entry that somebody edited is found by then without being asked. Source: engineering judgement."""

PATIENCE_S = 10.0


@dataclass(frozen=True, slots=True)
class Walk:
    """A proof, entries read for it, when [ms UTC] the whole was last read, and how the signed heads fit."""

    proof: Proof
    read: int
    whole_ms: int
    sealed: Sealed | None = None


class BusyError(Exception):
    """Somebody else's walk takes long."""


class Chain:
    """Remembers how far the chain was found whole: the number of entries and the hash of the last.

    Parameters
    ----------
    sealed
        Compares the journal with its signed heads at each whole walk; None where nothing is signed.
    """

    def __init__(self, sealed: Check | None = None) -> None:
        self._sealed = sealed
        self._one_at_a_time = threading.Lock()
        self._known: Walk | None = None

    def walk(self, connection: sqlite3.Connection, now_ms: int, whole: bool = False) -> Walk:
        """Say whether the chain holds, reading only what is new unless `whole`, a day has passed, or nothing is known.

        Raises
        ------
        BusyError
            If another walk has not ended within 10 s.
        """
        if not self._one_at_a_time.acquire(timeout=PATIENCE_S):
            raise BusyError
        try:
            known = self._known
            if known is None or whole or not 0 <= now_ms - known.whole_ms < WHOLE_EVERY_MS:
                return self._whole(connection, now_ms)
            if not _has(connection, known.proof):
                return self._whole(connection, now_ms)
            proof = journal.verify(connection, known.proof)
            self._known = Walk(proof, proof.entries - known.proof.entries, known.whole_ms, known.sealed)
            return _with_heads(self._known)
        finally:
            self._one_at_a_time.release()

    def _whole(self, connection: sqlite3.Connection, now_ms: int) -> Walk:
        before = self._known.proof if self._known else None
        proof = journal.verify(connection)
        if before is not None and proof.holds and not _has(connection, before):
            # Cut off at the end: the chain alone cannot show it, but we remember what it held.
            gone = f"entry {before.entries}, seen here before, is gone or another; was a backup put back?"
            return Walk(Proof(False, proof.entries, None, gone, proof.head), proof.entries, now_ms)
        sealed = self._sealed(connection) if self._sealed is not None else None
        self._known = Walk(proof, proof.entries, now_ms, sealed)
        return _with_heads(self._known)


def _with_heads(walk: Walk) -> Walk:
    """Return a walk whose proof holds only if the signed heads fit as well; what is remembered is the chain's own."""
    proof, sealed = walk.proof, walk.sealed
    if not proof.holds or sealed is None or sealed.holds:
        return walk
    return replace(walk, proof=Proof(False, proof.entries, sealed.first_bad, sealed.detail, proof.head))


def _has(connection: sqlite3.Connection, known: Proof) -> bool:
    """Whether the last entry that was found whole is still there with its hash."""
    if known.entries == 0:
        return True
    row = connection.execute("SELECT hash FROM journal WHERE sequence = ?", (known.entries,)).fetchone()
    return row is not None and row[0] == known.head
