"""The tables of the store, and the statements that lead from one version of them to the next."""

from __future__ import annotations

APPLICATION_ID = 0x48495453  # "HITS", in the file's header: tells our stores from other databases
SCHEMA_VERSION = 4
TABLES = """
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
    session_source TEXT NOT NULL DEFAULT '', origin TEXT NOT NULL DEFAULT '{}', mate);
CREATE UNIQUE INDEX hit_here ON hit (path, region) WHERE state = 'here';
CREATE INDEX hit_hash ON hit (content_hash);
CREATE INDEX hit_path ON hit (path, state, region, size, mtime_ns, version, mate);
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
    step INTEGER NOT NULL DEFAULT 0);
CREATE TABLE verdict (
    first TEXT NOT NULL, second TEXT NOT NULL, same INTEGER NOT NULL, time_utc TEXT NOT NULL,
    PRIMARY KEY (first, second));
CREATE TABLE file_said (content_hash TEXT PRIMARY KEY, cut TEXT, mix TEXT);
CREATE TABLE decision (
    first TEXT NOT NULL, second TEXT NOT NULL, version INTEGER NOT NULL, answer TEXT NOT NULL,
    share REAL NOT NULL, logit REAL NOT NULL, PRIMARY KEY (first, second)) WITHOUT ROWID;
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
    time_utc TEXT NOT NULL);
CREATE TABLE setting (key TEXT PRIMARY KEY, value TEXT NOT NULL);
CREATE TABLE revision (id INTEGER PRIMARY KEY CHECK (id = 1), value INTEGER NOT NULL);
INSERT INTO revision VALUES (1, 0);
"""
# `hit_path` holds all that a scan asks of an unchanged file: the wide rows are not read.
# From this version to the next: the statements that do it.
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
}
