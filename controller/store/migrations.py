"""The schemas, as numbered steps: append a step, never edit one that was released. A step is a script, or a function.

Times are UTC milliseconds between 1970 and the year 9999. Names carry their unit, except a reading's `value`,
whose unit is the probe's.
"""

from controller.store.connection import Migration
from controller.store.first_record import into_blocks

_TIME = "BETWEEN 0 AND 253402300799999"


def _roll_up(table: str, width_ms: int) -> str:
    return f"""
CREATE TABLE {table} (
    probe_id INTEGER NOT NULL REFERENCES probe (id),
    start_ms INTEGER NOT NULL CHECK (start_ms {_TIME} AND start_ms % {width_ms} = 0),
    count INTEGER NOT NULL CHECK (count > 0),
    least REAL NOT NULL,
    most REAL NOT NULL CHECK (most >= least),
    total REAL NOT NULL,
    PRIMARY KEY (probe_id, start_ms)
) STRICT, WITHOUT ROWID;
"""


_BOUNDS = f"""taken_least_ms INTEGER NOT NULL CHECK (taken_least_ms {_TIME}),
taken_most_ms INTEGER NOT NULL CHECK (taken_most_ms >= taken_least_ms),
heard_least_ms INTEGER NOT NULL CHECK (heard_least_ms {_TIME}),
heard_most_ms INTEGER NOT NULL CHECK (heard_most_ms >= heard_least_ms),
count INTEGER NOT NULL CHECK (count > 0),
packed BLOB NOT NULL"""


# The bounds on value are the widest that any unit of ours allows: 0 K below, beyond any light or current above.
# NaN arrives as NULL and is refused by NOT NULL.
READINGS: tuple[Migration, ...] = (
    f"""
CREATE TABLE probe (
    id INTEGER PRIMARY KEY,
    enclosure TEXT NOT NULL CHECK (length(enclosure) > 0),
    name TEXT NOT NULL CHECK (length(name) > 0),
    quantity TEXT NOT NULL CHECK (length(quantity) > 0),
    unit TEXT NOT NULL CHECK (length(unit) > 0),
    UNIQUE (enclosure, name)
) STRICT;
CREATE TABLE reading (
    probe_id INTEGER NOT NULL REFERENCES probe (id),
    taken_ms INTEGER NOT NULL CHECK (taken_ms {_TIME}),
    arrived_ms INTEGER NOT NULL CHECK (arrived_ms {_TIME}),
    value REAL NOT NULL CHECK (value BETWEEN -273.15 AND 1e6),
    grade TEXT NOT NULL CHECK (grade IN ('good', 'history', 'doubted', 'refused')),
    PRIMARY KEY (probe_id, taken_ms)
) STRICT, WITHOUT ROWID;
{_roll_up("minute", 60_000)}
{_roll_up("hour", 3_600_000)}
CREATE TABLE heater_run (
    id INTEGER PRIMARY KEY,
    enclosure TEXT NOT NULL CHECK (length(enclosure) > 0),
    start_ms INTEGER NOT NULL CHECK (start_ms {_TIME}),
    end_ms INTEGER CHECK (end_ms {_TIME} AND end_ms >= start_ms),
    energy_j REAL CHECK (energy_j BETWEEN 0 AND 1e15),
    ended_by TEXT,
    CHECK ((end_ms IS NULL) = (ended_by IS NULL))
) STRICT;
CREATE INDEX heater_run_by_start ON heater_run (enclosure, start_ms);
CREATE UNIQUE INDEX one_open_run ON heater_run (enclosure) WHERE end_ms IS NULL;
""",
    f"""
CREATE TABLE order_change (
    id INTEGER PRIMARY KEY,
    enclosure TEXT NOT NULL CHECK (length(enclosure) > 0),
    at_ms INTEGER NOT NULL CHECK (at_ms {_TIME}),
    is_on INTEGER NOT NULL CHECK (is_on IN (0, 1)),
    is_armed INTEGER NOT NULL CHECK (is_armed IN (0, 1) AND is_armed >= is_on),
    because TEXT NOT NULL,
    missing TEXT NOT NULL CHECK (json_valid(missing))
) STRICT;
CREATE INDEX order_change_by_time ON order_change (enclosure, at_ms);
""",
    # AUTOINCREMENT: an id is never given twice, so whoever has read up to one misses none.
    """
CREATE TABLE late (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    probe_id INTEGER NOT NULL REFERENCES probe (id),
    taken_ms INTEGER NOT NULL
) STRICT;
""",
    # Another record in its place, after damage, must not be taken for this one by whoever keeps how far it was copied.
    """
CREATE TABLE identity (record TEXT NOT NULL CHECK (length(record) = 16)) STRICT;
INSERT INTO identity (record) VALUES (lower(hex(randomblob(8))));
""",
    # A key says where a row lies: what is written together lies together, and what is read together is near.
    f"""
ALTER TABLE probe ADD COLUMN newest_ms INTEGER NOT NULL DEFAULT 0 CHECK (newest_ms {_TIME});
ALTER TABLE probe ADD COLUMN heard_ms INTEGER NOT NULL DEFAULT 0 CHECK (heard_ms {_TIME});
ALTER TABLE probe ADD COLUMN closed_ms INTEGER NOT NULL DEFAULT 0 CHECK (closed_ms {_TIME});
CREATE TABLE tail (id INTEGER PRIMARY KEY, {_BOUNDS}) STRICT;
CREATE TABLE block (id INTEGER PRIMARY KEY, {_BOUNDS}) STRICT;
CREATE INDEX block_by_heard ON block (heard_most_ms, heard_least_ms);
CREATE TABLE hours (id INTEGER PRIMARY KEY, packed BLOB NOT NULL) STRICT;
CREATE TABLE tens (id INTEGER PRIMARY KEY, packed BLOB NOT NULL) STRICT;
CREATE TABLE minutes (id INTEGER PRIMARY KEY, packed BLOB NOT NULL) STRICT;
""",
    into_blocks,
    # As with late readings: whoever has copied a run is told that more was said of it.
    """
CREATE TABLE explained (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    run_id INTEGER NOT NULL REFERENCES heater_run (id)
) STRICT;
""",
    # Nothing moves: blocks are written in their second form from here on, and who does not know it must not open this.
    "",
    # What a broker may tell again after a killed controller is known by these.
    "ALTER TABLE tail ADD COLUMN receipts BLOB;",
    # Behind what a clock that was ahead has left nothing would ever be in order again: from here on it is, for a while.
    """
CREATE TABLE resumed (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    probe_id INTEGER NOT NULL REFERENCES probe (id),
    after_ms INTEGER NOT NULL,
    until_ms INTEGER NOT NULL CHECK (until_ms > after_ms)
) STRICT;
""",
)

# The insert trigger also stops INSERT OR REPLACE, which removes a row without firing the delete trigger.
JOURNAL: tuple[str, ...] = (
    f"""
CREATE TABLE journal (
    sequence INTEGER PRIMARY KEY,
    at_ms INTEGER NOT NULL CHECK (at_ms {_TIME}),
    kind TEXT NOT NULL,
    enclosure TEXT,
    who TEXT NOT NULL,
    why TEXT NOT NULL,
    body TEXT NOT NULL CHECK (json_valid(body)),
    previous_hash TEXT NOT NULL CHECK (length(previous_hash) = 64),
    hash TEXT NOT NULL CHECK (length(hash) = 64)
) STRICT;
CREATE INDEX journal_by_time ON journal (at_ms);
CREATE INDEX journal_by_enclosure ON journal (enclosure, sequence);
CREATE INDEX journal_by_kind ON journal (kind, sequence);
CREATE TRIGGER journal_is_not_edited BEFORE UPDATE ON journal
BEGIN SELECT raise(ABORT, 'the journal is append-only: no entry can be edited'); END;
CREATE TRIGGER journal_is_not_deleted BEFORE DELETE ON journal
BEGIN SELECT raise(ABORT, 'the journal is append-only: no entry can be deleted'); END;
CREATE TRIGGER journal_grows_at_the_end BEFORE INSERT ON journal
WHEN new.sequence <> (SELECT coalesce(max(sequence), 0) + 1 FROM journal)
BEGIN SELECT raise(ABORT, 'the journal is append-only: an entry goes after the last one'); END;
""",
)

_KINDS_1 = "'set-point', 'arm', 'disarm', 'reset'"
_KINDS_2 = f"{_KINDS_1}, 'stop', 'shelve', 'at-work', 'acknowledge', 'proved'"
_KINDS_3 = f"{_KINDS_2}, 'trial', 'adopt'"


def _request(table: str, kinds: str) -> str:
    return f"""
CREATE TABLE {table} (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    at_ms INTEGER NOT NULL CHECK (at_ms {_TIME}),
    enclosure TEXT NOT NULL CHECK (length(enclosure) > 0),
    kind TEXT NOT NULL CHECK (kind IN ({kinds})),
    arguments TEXT NOT NULL CHECK (json_valid(arguments)),
    who TEXT NOT NULL CHECK (length(trim(who)) > 0),
    why TEXT NOT NULL
) STRICT;
"""


def _moved_to(table: str, kinds: str) -> str:
    """SQLite cannot change a CHECK, so the rows move; their ids, and where counting goes on, move along."""
    return f"""
{_request(table, kinds)}
INSERT INTO {table} SELECT * FROM request;
DELETE FROM sqlite_sequence WHERE name = '{table}';
INSERT INTO sqlite_sequence (name, seq) SELECT '{table}', seq FROM sqlite_sequence WHERE name = 'request';
DROP TABLE request;
ALTER TABLE {table} RENAME TO request;
"""


REQUESTS: tuple[str, ...] = (
    _request("request", _KINDS_1),
    _moved_to("request_2", _KINDS_2),
    _moved_to("request_3", _KINDS_3),
)

PLANS: tuple[str, ...] = (
    f"""
CREATE TABLE plan (
    enclosure TEXT NOT NULL CHECK (length(enclosure) > 0),
    starts_ms INTEGER NOT NULL CHECK (starts_ms {_TIME}),
    body TEXT NOT NULL CHECK (json_valid(body)),
    PRIMARY KEY (enclosure, starts_ms)
) STRICT, WITHOUT ROWID;
CREATE INDEX plan_by_start ON plan (starts_ms);
CREATE TABLE word (
    enclosure TEXT PRIMARY KEY CHECK (length(enclosure) > 0),
    at_ms INTEGER NOT NULL CHECK (at_ms {_TIME}),
    word TEXT NOT NULL
) STRICT, WITHOUT ROWID;
CREATE TABLE learnt (
    id INTEGER PRIMARY KEY,
    enclosure TEXT NOT NULL CHECK (length(enclosure) > 0),
    at_ms INTEGER NOT NULL CHECK (at_ms {_TIME}),
    model TEXT NOT NULL CHECK (json_valid(model)),
    figures TEXT NOT NULL CHECK (json_valid(figures))
) STRICT;
CREATE INDEX learnt_by_enclosure ON learnt (enclosure, id);
""",
    f"""
CREATE TABLE carry (
    enclosure TEXT PRIMARY KEY CHECK (length(enclosure) > 0),
    at_ms INTEGER NOT NULL CHECK (at_ms {_TIME}),
    body TEXT NOT NULL CHECK (json_valid(body))
) STRICT, WITHOUT ROWID;
""",
)

OUTBOX: tuple[str, ...] = (
    f"""
CREATE TABLE cursor (line TEXT PRIMARY KEY, reached INTEGER NOT NULL) STRICT, WITHOUT ROWID;
CREATE TABLE told (
    id INTEGER PRIMARY KEY CHECK (id = 1),
    at_ms INTEGER NOT NULL CHECK (at_ms {_TIME}),
    oldest_ms INTEGER CHECK (oldest_ms {_TIME}),
    sent INTEGER NOT NULL CHECK (sent >= 0),
    refused INTEGER NOT NULL CHECK (refused >= 0),
    trouble TEXT NOT NULL
) STRICT;
""",
)
