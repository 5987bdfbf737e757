"""`soilward verify`: does the journal hold, and are the roll-ups what their readings come to?"""

import sqlite3
import sys
from collections.abc import Iterator
from contextlib import ExitStack, closing

from controller.clock import Clock, rfc3339
from controller.settings import Store
from controller.store import comparing, heads, journal, shelves
from controller.store.comparing import ProbeDay
from controller.store.connection import Lock, open_reader, open_writer, require_upgraded
from controller.store.damage import named, require_sound_journal
from controller.store.migrations import READINGS
from controller.store.sums import DAY_MS

SAMPLE_DAYS = 500
"""Days of probes compared unless all are asked for, spread evenly: some ten seconds. Source: engineering judgement."""
MOST_TOLD = 20


def verify_journal(store: Store) -> bool:
    """Say whether chain and signed heads hold, and where they break.

    Raises
    ------
    StoreError
        If there is no journal, or it is no sound database.
    """
    require_sound_journal(store.folder)
    file = store.folder / "journal.db"
    with named(file), closing(open_reader(file)) as connection:
        proof = journal.verify(connection)
        sealed = heads.checker(store)
        signed = None if sealed is None else sealed(connection)
    if not proof.holds:
        print(f"the journal is broken at entry {proof.first_bad}: {proof.detail}", file=sys.stderr)
        return False
    if signed is not None and not signed.holds:
        print(f"the journal is not what was signed: {signed.detail}", file=sys.stderr)
        return False
    print(f"the journal holds: {proof.entries} entries, head {proof.head}")
    print("its heads are not signed: settings name no store.journal_key_file" if signed is None else signed.detail)
    return True


def verify_record(store: Store, clock: Clock, *, whole: bool, mend: bool) -> bool:
    """Say which days' roll-ups are not what their readings come to; with `mend`, make those anew.

    Raises
    ------
    StoreError
        If the file is damaged or, with `mend`, a controller holds the folder.
    """
    file = store.folder / "readings.db"
    if not file.exists():
        print("no reading is on record yet")
        return True
    since_ms = clock.now().utc_ms - store.raw_days * DAY_MS
    with ExitStack() as held:
        if mend:
            held.callback(Lock(store.folder / "controller.db").release)
        connection = held.enter_context(closing(open_writer(file, READINGS) if mend else open_reader(file)))
        with named(file):
            require_upgraded(connection, file, READINGS)
            return _told(connection, since_ms, whole=whole or mend, mend=mend)


def _told(connection: sqlite3.Connection, since_ms: int, *, whole: bool, mend: bool) -> bool:
    days = comparing.closed_days(connection)
    chosen = days if whole else days[:: -(-len(days) // SAMPLE_DAYS) or 1]
    differ = mended = 0
    for one in _with_progress(chosen):
        found = comparing.compare(connection, one, since_ms)
        if not found.tables and not found.unread:
            continue
        differ += 1
        if differ <= MOST_TOLD:
            date = rfc3339(shelves.day_start_ms(one.day))[:10]
            said = found.unread or f"{', '.join(found.tables)} are not what its readings come to"
            print(f"enclosure {one.place[0]!r}, probe {one.place[1]!r}, {date}: {said}", file=sys.stderr)
        if mend and found.tables:
            comparing.mend(connection, one, found)
            mended += 1
    compared = f"{len(chosen)} of {len(days)} days of probes compared"
    if not differ:
        print(f"the roll-ups hold: {compared}{'' if len(chosen) == len(days) else '; --whole compares all'}")
    elif mend:
        print(f"{mended} of {differ} days made anew from their readings; {compared}")
    else:
        remedy = "stop Soilward and run `soilward verify --mend`, which makes them anew from their readings"
        print(f"{differ} days differ; {compared}; {remedy}", file=sys.stderr)
    return differ == mended


def _with_progress(days: list[ProbeDay]) -> Iterator[ProbeDay]:
    """Yield each day, and say on a terminal how far it is."""
    shown = sys.stderr.isatty()
    for number, one in enumerate(days, 1):
        yield one
        if shown and (number % 50 == 0 or number == len(days)):
            print(f"\r{number} of {len(days)} days", end="", file=sys.stderr, flush=True)
    if shown and days:
        print(file=sys.stderr)
