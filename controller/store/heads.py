"""Signed heads: once a day the journal's newest hash is signed and kept beside it.

The chain alone shows an edit, a gap or a new order. A head shows besides that entries were cut off at the end, or that
the whole chain was written anew by somebody without the key. Ed25519 (RFC 8032) over canonical JSON (RFC 8785).
"""

import json
import os
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TypeAlias

import rfc8785
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from controller.errors import SettingsError
from controller.settings import Store

FILE = "heads.jsonl"
EVERY_MS = 86_400_000
"""[ms] Between two heads: a day."""


@dataclass(frozen=True, slots=True)
class Head:
    """The journal's last entry at one time [ms UTC], and the signature over these three [128 hexadecimal digits]."""

    sequence: int
    hash: str
    at_ms: int
    signature: str


@dataclass(frozen=True, slots=True)
class Sealed:
    """Whether the journal still holds what was signed: how many heads fit, the first entry in doubt, and why."""

    holds: bool
    heads: int
    first_bad: int | None
    detail: str
    last: Head | None


Check: TypeAlias = Callable[[sqlite3.Connection], Sealed]
"""Compares a journal with what was signed of it."""


class Sealer:
    """Signs heads into the folder; `look` after a commit, `close` at the end.

    Parameters
    ----------
    key_file
        32 random bytes as hexadecimal digits, as `init` writes them.

    Raises
    ------
    SettingsError
        If there is no such key.
    """

    def __init__(self, folder: Path, key_file: Path) -> None:
        self._file, self._key = folder / FILE, _private(key_file)
        self._last = next(reversed(list(_heads(folder))), None)

    def look(self, journal: sqlite3.Connection, now_ms: int) -> None:
        """Sign the newest entry if the last head is a day old, or lies in the future: the clock was set back."""
        if self._last is None or not 0 <= now_ms - self._last.at_ms < EVERY_MS:
            self.seal(journal, now_ms)

    def seal(self, journal: sqlite3.Connection, now_ms: int) -> None:
        """Sign the newest entry now, unless it is signed already.

        Raises
        ------
        OSError
            If the disk does not take it; the next look tries again.
        """
        row = journal.execute("SELECT sequence, hash FROM journal ORDER BY sequence DESC LIMIT 1").fetchone()
        if row is None or (self._last is not None and row[0] == self._last.sequence):
            return
        said = _said(int(row[0]), str(row[1]), now_ms)
        # A full disk may have taken half of the last try.
        _drop_unfinished(self._file)
        head = Head(int(row[0]), str(row[1]), now_ms, self._key.sign(said).hex())
        with self._file.open("ab") as file:
            file.write(said[:-1] + f',"signature":"{head.signature}"}}\n'.encode())
            file.flush()
            os.fsync(file.fileno())
        self._last = head


def check(folder: Path, journal: sqlite3.Connection, key: Ed25519PublicKey) -> Sealed:
    """Compare the journal with every head that was signed of it."""
    count, last = 0, None
    for head in _heads(folder):
        fault = _fault(journal, key, head)
        if fault:
            return Sealed(False, count, _in_doubt(head, last), fault, last)
        count, last = count + 1, head
    return Sealed(True, count, None, f"all {count} signed heads fit" if count else "nothing was signed yet", last)


def _in_doubt(head: Head, last: Head | None) -> int:
    """Return the first entry in doubt: the one signed; where a line is no head at all, the one after the last head."""
    return head.sequence if head.sequence > 0 else 1 if last is None else last.sequence + 1


def first_signed(folder: Path) -> int:
    """Return the entry that was signed first; 0 if none was."""
    head = next(_heads(folder), None)
    return 0 if head is None else _in_doubt(head, None)


def sealer_of(store: Store) -> Sealer | None:
    """Return what signs this store's journal, or None where settings name no key."""
    return None if store.journal_key_file is None else Sealer(store.folder, store.journal_key_file)


def checker(store: Store) -> Check | None:
    """Return what compares a journal with its heads, or None where nothing is signed."""
    key_file = store.journal_key_file
    if key_file is None:
        return None
    # The public key where there is one: whoever only checks need not hold the other.
    public = key_file.with_suffix(".pub")
    key = public_key(public if public.exists() else key_file)
    return lambda journal: check(store.folder, journal, key)


def public_key(key_file: Path) -> Ed25519PublicKey:
    """Return the public key: from a file of one, or from the private key's own.

    Raises
    ------
    SettingsError
        If there is no such key.
    """
    if key_file.suffix == ".pub":
        return Ed25519PublicKey.from_public_bytes(_bytes(key_file))
    return _private(key_file).public_key()


def write_public(key_file: Path) -> Path:
    """Write the public key beside the private one, for whoever is to check from elsewhere; returns where it is."""
    place = key_file.with_suffix(".pub")
    place.write_text(_private(key_file).public_key().public_bytes_raw().hex() + "\n", encoding="ascii")
    return place


def _fault(journal: sqlite3.Connection, key: Ed25519PublicKey, head: Head) -> str:
    try:
        key.verify(bytes.fromhex(head.signature), _said(head.sequence, head.hash, head.at_ms))
    except (InvalidSignature, ValueError):
        return f"the head signed for entry {head.sequence} does not carry our signature"
    row = journal.execute("SELECT hash FROM journal WHERE sequence = ?", (head.sequence,)).fetchone()
    if row is None:
        return f"entry {head.sequence} was signed and is gone: the journal was cut off before it"
    return "" if row[0] == head.hash else f"entry {head.sequence} is not the one that was signed"


def _heads(folder: Path) -> Iterator[Head]:
    """Yield the heads on file; a last line cut short by a power failure was never acknowledged and is passed over."""
    file = folder / FILE
    lines = file.read_bytes().split(b"\n")[:-1] if file.exists() else []
    for number, line in enumerate(lines, 1):
        try:
            told = json.loads(line)
            yield Head(int(told["sequence"]), str(told["hash"]), int(told["at_ms"]), str(told["signature"]))
        except (ValueError, KeyError, TypeError):
            yield Head(0, "", 0, f"line {number} is no head")


def _drop_unfinished(file: Path) -> None:
    """Cut off a last line without its end, or the next head would be written onto it."""
    whole = file.read_bytes() if file.exists() else b""
    if not whole.endswith(b"\n") and whole:
        os.truncate(file, whole.rfind(b"\n") + 1)


def _said(sequence: int, own_hash: str, at_ms: int) -> bytes:
    return rfc8785.dumps({"sequence": sequence, "hash": own_hash, "at_ms": at_ms})


def _private(key_file: Path) -> Ed25519PrivateKey:
    return Ed25519PrivateKey.from_private_bytes(_bytes(key_file))


def _bytes(key_file: Path) -> bytes:
    try:
        key = bytes.fromhex(key_file.read_text(encoding="ascii").strip())
    except OSError as error:
        raise SettingsError(
            [f"store.journal_key_file: {key_file} cannot be read ({error.strerror}); `soilward init` makes one"]
        ) from error
    except ValueError:
        key = b""
    if len(key) != 32:
        raise SettingsError([f"store.journal_key_file: {key_file} holds no key; it is 64 hexadecimal digits"])
    return key
