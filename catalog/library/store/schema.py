"""The tables of a store and the migrations between versions of them."""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path

from catalog.errors import StoreArgumentError, StoreError
from catalog.library.integrity.checksums import fill_checksums

APPLICATION_ID = 0x48495453  # "HITS", in the file's header: marks a database as a store
SCHEMA_VERSION = 8
# Something is stored that the user wrote about a hit; the index of such hits has this condition.
ANNOTATED = (
    "(mark != '' OR tags != '[]' OR remark != '' OR names != '{}'"
    " OR role_source = 'user' OR session_source = 'user')"
)
ANNOTATED_INDEX = f"CREATE INDEX hit_annotated ON hit (id) WHERE {ANNOTATED};"
# Make moves of files and changes of what is listed, as the history has them, into acts. Of each hit
# an act has the state before and after.
ACTS_OF_EVENTS = """
INSERT INTO act SELECT step, min(time_utc), min(action), count(DISTINCT hit_id) || ' hits', 0
    FROM event WHERE action IN ('set aside', 'restore', 'hide', 'unhide')
    AND step NOT IN (SELECT id FROM act) GROUP BY step;
INSERT INTO act_change (act_id, part, row_key, before, after)
    SELECT step, iif(action IN ('set aside', 'restore'), 'file', 'hidden'), '[' || hit_id || ']',
    CASE action WHEN 'restore' THEN '{"state": "aside"}' WHEN 'unhide' THEN '{"state": "hidden"}'
        ELSE '{"state": "here"}' END,
    CASE action WHEN 'set aside' THEN '{"state": "aside"}' WHEN 'hide' THEN '{"state": "hidden"}'
        ELSE '{"state": "here"}' END
    FROM event WHERE action IN ('set aside', 'restore', 'hide', 'unhide')
    AND step NOT IN (SELECT act_id FROM act_change) ORDER BY id
"""
# It covers what decides whether a hit is listed, so that the wide rows are not read for that. With
# `state` first, SQLite would use it in place of better indexes for conditions that name the state.
STATE_INDEX = "CREATE INDEX hit_state ON hit (hidden, state);"
# Coordinates of hits in the search spaces, by blocks of ids; see `records/coordinates.py`.
COORDINATES_TABLE = """
CREATE TABLE coordinates (
    block INTEGER PRIMARY KEY, version INTEGER NOT NULL, checksum INTEGER NOT NULL,
    hit_ids BLOB NOT NULL, points BLOB NOT NULL);
"""
# What was learned from the library; see `records/cache.py`.
LEARNED_TABLE = """
CREATE TABLE learned (
    part TEXT PRIMARY KEY, version INTEGER NOT NULL, payload TEXT NOT NULL, points BLOB NOT NULL);
"""
# A hit may be no stroke at all; the index of such hits has this condition.
MAY_BE_NOISE = "(event IN ('voice', 'bump', 'stick drop') OR names != '{}')"
NOISE_INDEX = f"CREATE INDEX hit_noise ON hit (id) WHERE {MAY_BE_NOISE};"
TABLES = (
    """
CREATE TABLE hit (
    id INTEGER PRIMARY KEY AUTOINCREMENT, path NOT NULL, aside TEXT, state TEXT NOT NULL,
    size INTEGER NOT NULL, mtime_ns INTEGER NOT NULL, version INTEGER NOT NULL,
    content_hash TEXT NOT NULL,
    start INTEGER NOT NULL, stop INTEGER NOT NULL, sr INTEGER NOT NULL,
    n_channels INTEGER NOT NULL, container TEXT NOT NULL, subtype TEXT NOT NULL,
    session TEXT NOT NULL, drum TEXT NOT NULL, microphone TEXT NOT NULL, take TEXT NOT NULL,
    note TEXT NOT NULL, role TEXT NOT NULL, role_confidence REAL NOT NULL,
    role_source TEXT NOT NULL, descriptors TEXT NOT NULL, mark TEXT NOT NULL DEFAULT '',
    tags TEXT NOT NULL DEFAULT '[]', remark TEXT NOT NULL DEFAULT '',
    hidden INTEGER NOT NULL DEFAULT 0, region INTEGER NOT NULL DEFAULT 0,
    session_source TEXT NOT NULL DEFAULT '', origin TEXT NOT NULL DEFAULT '{}', mate,
    names TEXT NOT NULL DEFAULT '{}', channels TEXT NOT NULL DEFAULT '',
    scanned_utc TEXT NOT NULL DEFAULT '', event TEXT NOT NULL DEFAULT 'stroke',
    tempo_bpm REAL, n_strokes INTEGER);
CREATE UNIQUE INDEX hit_here ON hit (path, region, channels) WHERE state = 'here';
CREATE INDEX hit_hash ON hit (content_hash);
CREATE INDEX hit_path ON hit (path, state, region, size, mtime_ns, version, mate);
CREATE TABLE microphone (
    hit_id INTEGER PRIMARY KEY REFERENCES hit (id), stroke INTEGER NOT NULL,
    delay_samples REAL, polarity INTEGER, level_db REAL, spread_samples REAL);
CREATE INDEX microphone_stroke ON microphone (stroke);
CREATE TABLE numbers (
    hit_id INTEGER PRIMARY KEY REFERENCES hit (id), picture BLOB NOT NULL,
    production BLOB NOT NULL, role_probabilities BLOB NOT NULL);
CREATE TABLE skipped (
    path PRIMARY KEY, size INTEGER NOT NULL, mtime_ns INTEGER NOT NULL,
    version INTEGER NOT NULL, reason TEXT NOT NULL);
CREATE TABLE event (
    id INTEGER PRIMARY KEY AUTOINCREMENT, time_utc TEXT NOT NULL, action TEXT NOT NULL,
    hit_id INTEGER NOT NULL, source NOT NULL, target NOT NULL, reason TEXT NOT NULL,
    step INTEGER NOT NULL DEFAULT 0);
CREATE TABLE journal (
    id INTEGER PRIMARY KEY AUTOINCREMENT, action TEXT NOT NULL, hit_id INTEGER NOT NULL,
    home NOT NULL, aside TEXT NOT NULL, content_hash TEXT NOT NULL, reason TEXT NOT NULL,
    step INTEGER NOT NULL DEFAULT 0, recorded INTEGER NOT NULL DEFAULT 1);
CREATE TABLE home_volume (hit_id INTEGER PRIMARY KEY, mount_point NOT NULL, uuid TEXT NOT NULL);
CREATE TABLE verdict (
    first TEXT NOT NULL, second TEXT NOT NULL, same INTEGER NOT NULL, time_utc TEXT NOT NULL,
    PRIMARY KEY (first, second));
CREATE TABLE file_said (content_hash TEXT PRIMARY KEY, cut TEXT, mix TEXT);
CREATE TABLE decision (
    first TEXT NOT NULL, second TEXT NOT NULL, version INTEGER NOT NULL, answer TEXT NOT NULL,
    share REAL NOT NULL, logit REAL NOT NULL, PRIMARY KEY (first, second)) WITHOUT ROWID;
CREATE TABLE origin (
    first TEXT NOT NULL, second TEXT NOT NULL, version INTEGER NOT NULL, signs TEXT NOT NULL,
    PRIMARY KEY (first, second)) WITHOUT ROWID;
CREATE TABLE fault (hit_id INTEGER PRIMARY KEY REFERENCES hit (id), found TEXT NOT NULL);
CREATE TABLE fault_dismissed (
    hit_id INTEGER NOT NULL, content_hash TEXT NOT NULL, kind TEXT NOT NULL,
    time_utc TEXT NOT NULL, PRIMARY KEY (hit_id, content_hash, kind));
CREATE TABLE layout (
    id INTEGER PRIMARY KEY CHECK (id = 1), hit_ids BLOB NOT NULL, xy BLOB NOT NULL,
    kind TEXT NOT NULL, seed INTEGER NOT NULL, time_utc TEXT NOT NULL);
CREATE TABLE copies (
    id INTEGER PRIMARY KEY CHECK (id = 1), payload TEXT NOT NULL, revision INTEGER NOT NULL);
CREATE TABLE kit (
    id INTEGER PRIMARY KEY AUTOINCREMENT, name TEXT NOT NULL, payload TEXT NOT NULL,
    time_utc TEXT NOT NULL, kit_id INTEGER NOT NULL DEFAULT 0);
CREATE TABLE exported (
    sha256 TEXT PRIMARY KEY, kit TEXT NOT NULL, time_utc TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE left_out (
    path PRIMARY KEY, size INTEGER NOT NULL, mtime_ns INTEGER NOT NULL, sha256 TEXT NOT NULL);
CREATE TABLE outline (
    content_hash TEXT PRIMARY KEY, n_frames INTEGER NOT NULL, section_frames INTEGER NOT NULL,
    levels BLOB NOT NULL);
CREATE TABLE setting (key TEXT PRIMARY KEY, value TEXT NOT NULL);
CREATE TABLE act (
    id INTEGER PRIMARY KEY, time_utc TEXT NOT NULL, verb TEXT NOT NULL, summary TEXT NOT NULL,
    undone INTEGER NOT NULL DEFAULT 0);
CREATE TABLE act_change (
    id INTEGER PRIMARY KEY AUTOINCREMENT, act_id INTEGER NOT NULL, part TEXT NOT NULL,
    row_key TEXT NOT NULL, before TEXT, after TEXT);
CREATE INDEX act_change_act ON act_change (act_id);
CREATE TABLE revision (id INTEGER PRIMARY KEY CHECK (id = 1), value INTEGER NOT NULL);
INSERT INTO revision VALUES (1, 0);
CREATE TABLE row_checksum (
    part TEXT NOT NULL, row_id INTEGER NOT NULL, checksum INTEGER NOT NULL,
    PRIMARY KEY (part, row_id)) WITHOUT ROWID;
"""
    + ANNOTATED_INDEX
    + NOISE_INDEX
    + STATE_INDEX
    + COORDINATES_TABLE
    + LEARNED_TABLE
)
# The table `kit` has a row for each saved version; `kit_id` is that of the kit's first version.
# The table `microphone` holds the hits of strokes with several microphones; `stroke` is the hit
# that stands for the stroke in lists. A stroke with one microphone has no row in it.
# The index `hit_path` covers all columns that a scan reads of an unchanged file, so that it does
# not read the wide rows.

# Statements that migrate a store from each version to the next one.
MIGRATIONS: dict[int, str] = {
    1: """
ALTER TABLE hit ADD COLUMN mark TEXT NOT NULL DEFAULT '';
ALTER TABLE hit ADD COLUMN tags TEXT NOT NULL DEFAULT '[]';
ALTER TABLE hit ADD COLUMN remark TEXT NOT NULL DEFAULT '';
ALTER TABLE hit ADD COLUMN hidden INTEGER NOT NULL DEFAULT 0;
ALTER TABLE event ADD COLUMN step INTEGER NOT NULL DEFAULT 0;
ALTER TABLE journal ADD COLUMN step INTEGER NOT NULL DEFAULT 0;
CREATE TABLE verdict (
    first TEXT NOT NULL, second TEXT NOT NULL, same INTEGER NOT NULL, time_utc TEXT NOT NULL,
    PRIMARY KEY (first, second));
ALTER TABLE hit ADD COLUMN region INTEGER NOT NULL DEFAULT 0;
ALTER TABLE hit ADD COLUMN session_source TEXT NOT NULL DEFAULT '';
ALTER TABLE hit ADD COLUMN origin TEXT NOT NULL DEFAULT '{}';
UPDATE hit SET version = 0;
DROP INDEX hit_here;
CREATE UNIQUE INDEX hit_here ON hit (path, region) WHERE state = 'here';
CREATE TABLE file_said (content_hash TEXT PRIMARY KEY, cut TEXT, mix TEXT);
CREATE TABLE decision (
    first TEXT NOT NULL, second TEXT NOT NULL, version INTEGER NOT NULL, answer TEXT NOT NULL,
    share REAL NOT NULL, logit REAL NOT NULL, PRIMARY KEY (first, second)) WITHOUT ROWID;
CREATE TABLE fault (hit_id INTEGER PRIMARY KEY REFERENCES hit (id), found TEXT NOT NULL);
CREATE TABLE fault_dismissed (
    hit_id INTEGER NOT NULL, content_hash TEXT NOT NULL, kind TEXT NOT NULL,
    time_utc TEXT NOT NULL, PRIMARY KEY (hit_id, content_hash, kind))
""",
    2: "ALTER TABLE hit ADD COLUMN mate; CREATE INDEX hit_path ON hit (path)",
    3: "DROP INDEX hit_path;"
    " CREATE INDEX hit_path ON hit (path, state, region, size, mtime_ns, version, mate)",
    # Groups of copies are cleared, because files of exported kits are no longer kept in them.
    4: """
ALTER TABLE hit ADD COLUMN channels TEXT NOT NULL DEFAULT '';
DROP INDEX hit_here;
CREATE UNIQUE INDEX hit_here ON hit (path, region, channels) WHERE state = 'here';
CREATE TABLE microphone (
    hit_id INTEGER PRIMARY KEY REFERENCES hit (id), stroke INTEGER NOT NULL,
    delay_samples REAL, polarity INTEGER, level_db REAL);
CREATE INDEX microphone_stroke ON microphone (stroke);
CREATE TABLE exported (
    sha256 TEXT PRIMARY KEY, kit TEXT NOT NULL, time_utc TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE left_out (
    path PRIMARY KEY, size INTEGER NOT NULL, mtime_ns INTEGER NOT NULL, sha256 TEXT NOT NULL);
DELETE FROM copies;
CREATE TABLE home_volume (hit_id INTEGER PRIMARY KEY, mount_point NOT NULL, uuid TEXT NOT NULL);
CREATE TABLE row_checksum (
    part TEXT NOT NULL, row_id INTEGER NOT NULL, checksum INTEGER NOT NULL,
    PRIMARY KEY (part, row_id)) WITHOUT ROWID;
CREATE TABLE outline (
    content_hash TEXT PRIMARY KEY, n_frames INTEGER NOT NULL, section_frames INTEGER NOT NULL,
    levels BLOB NOT NULL);
ALTER TABLE hit ADD COLUMN names TEXT NOT NULL DEFAULT '{}';
"""
    + ANNOTATED_INDEX,
    # Marks get the words of a take sheet; the annotations handed to copies hold marks as well.
    5: """
UPDATE hit SET mark = 'master' WHERE mark = 'star';
UPDATE hit SET mark = 'spare' WHERE mark = 'keep';
UPDATE hit SET mark = 'no-good' WHERE mark = 'reject';
UPDATE setting SET value = replace(replace(replace(value, '"mark": "star"', '"mark": "master"'),
    '"mark": "keep"', '"mark": "spare"'), '"mark": "reject"', '"mark": "no-good"')
    WHERE key = 'handed_over';
CREATE TABLE IF NOT EXISTS origin (
    first TEXT NOT NULL, second TEXT NOT NULL, version INTEGER NOT NULL, signs TEXT NOT NULL,
    PRIMARY KEY (first, second)) WITHOUT ROWID;
ALTER TABLE hit ADD COLUMN scanned_utc TEXT NOT NULL DEFAULT '';
CREATE TABLE act (
    id INTEGER PRIMARY KEY, time_utc TEXT NOT NULL, verb TEXT NOT NULL, summary TEXT NOT NULL,
    undone INTEGER NOT NULL DEFAULT 0);
CREATE TABLE act_change (
    id INTEGER PRIMARY KEY AUTOINCREMENT, act_id INTEGER NOT NULL, part TEXT NOT NULL,
    row_key TEXT NOT NULL, before TEXT, after TEXT);
CREATE INDEX act_change_act ON act_change (act_id);
ALTER TABLE journal ADD COLUMN recorded INTEGER NOT NULL DEFAULT 1;
ALTER TABLE kit ADD COLUMN kit_id INTEGER NOT NULL DEFAULT 0;
UPDATE kit SET kit_id = (SELECT min(id) FROM kit k WHERE k.name = kit.name);
UPDATE event SET step = id WHERE step = 0;
INSERT OR REPLACE INTO setting SELECT 'step', max(coalesce(max(id), 0), coalesce(max(step), 0))
    FROM event;
ALTER TABLE hit ADD COLUMN event TEXT NOT NULL DEFAULT 'stroke';
ALTER TABLE hit ADD COLUMN tempo_bpm REAL;
ALTER TABLE hit ADD COLUMN n_strokes INTEGER;
ALTER TABLE microphone ADD COLUMN spread_samples REAL;
"""
    + NOISE_INDEX
    + ACTS_OF_EVENTS,
    6: STATE_INDEX + COORDINATES_TABLE,
    7: LEARNED_TABLE,
}


def read_pragma(connection: sqlite3.Connection, name: str) -> int:
    """Return a PRAGMA whose value is a number."""
    return int(connection.execute(f"PRAGMA {name}").fetchone()[0])


def check_is_store(path: Path, connection: sqlite3.Connection) -> None:
    """Raise `StoreError` if the database is not a store, or one of a newer version."""
    n_tables = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
    if n_tables and read_pragma(connection, "application_id") != APPLICATION_ID:
        raise StoreArgumentError(f"{path}: is a database of another program; give another path")
    version = read_pragma(connection, "user_version")
    if version > SCHEMA_VERSION:
        raise StoreError(
            f"{path}: was written by a newer version (store {version}, this one reads up to "
            f"{SCHEMA_VERSION}); update the program, or give another path"
        )


def migrate(path: Path, connection: sqlite3.Connection) -> None:
    """Create the tables, or back up an older store and change it to the present schema."""
    version = read_pragma(connection, "user_version")
    if version == SCHEMA_VERSION:
        return
    if version:
        _back_up(path, connection, version=version)
    connection.execute("BEGIN IMMEDIATE")
    try:
        _run_statements(connection)
        connection.execute("COMMIT")
    except BaseException:
        connection.execute("ROLLBACK")
        raise


def _run_statements(connection: sqlite3.Connection) -> None:
    version = read_pragma(connection, "user_version")  # another process may have migrated it
    if version >= SCHEMA_VERSION:
        return
    steps = [TABLES] if version == 0 else [MIGRATIONS[v] for v in range(version, SCHEMA_VERSION)]
    for statement in ";".join(steps).split(";"):
        connection.execute(statement)
    fill_checksums(connection)
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")


def _back_up(path: Path, connection: sqlite3.Connection, *, version: int) -> None:
    """Copy the whole store to a file beside it before a migration changes it."""
    backup = path.with_name(f"{path.name}.before-{version}")
    with contextlib.closing(sqlite3.connect(backup)) as copy:
        connection.backup(copy)
