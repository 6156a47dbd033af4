-- Version 1. Times are RFC 3339, records are JSON as src/record writes it.

CREATE TABLE wheels (
    id       TEXT NOT NULL PRIMARY KEY COLLATE NOCASE,
    added_at TEXT NOT NULL,
    record   TEXT NOT NULL
) STRICT;

-- What happened to a wheel: added, dropped, tagged out, retired, active again.
CREATE TABLE wheel_events (
    number INTEGER PRIMARY KEY,
    wheel  TEXT NOT NULL COLLATE NOCASE REFERENCES wheels (id),
    at     TEXT NOT NULL,
    state  TEXT NOT NULL,
    note   TEXT
) STRICT;
CREATE INDEX wheel_events_by_wheel ON wheel_events (wheel, number);

-- A baseline is never changed: a new one gets the next version. It can be retired.
CREATE TABLE baselines (
    number     INTEGER PRIMARY KEY,
    kind       TEXT NOT NULL CHECK (kind IN ('wheel', 'specification')),
    name       TEXT NOT NULL COLLATE NOCASE,
    version    INTEGER NOT NULL CHECK (version >= 1),
    built_at   TEXT NOT NULL,
    record     TEXT NOT NULL,
    hash       TEXT NOT NULL,
    retired_at TEXT,
    retired_why TEXT,
    UNIQUE (kind, name, version)
) STRICT;
CREATE TRIGGER baselines_stay BEFORE UPDATE OF number, kind, name, version, built_at, record, hash
ON baselines BEGIN SELECT RAISE (ABORT, 'a baseline is never changed'); END;
CREATE TRIGGER baselines_are_kept BEFORE DELETE ON baselines
BEGIN SELECT RAISE (ABORT, 'a baseline is never deleted'); END;

-- The soundings that a baseline was built from, whole.
CREATE TABLE baseline_soundings (
    baseline INTEGER NOT NULL REFERENCES baselines (number),
    position INTEGER NOT NULL,
    record   TEXT NOT NULL,
    PRIMARY KEY (baseline, position)
) STRICT, WITHOUT ROWID;
CREATE TRIGGER baseline_soundings_stay BEFORE UPDATE ON baseline_soundings
BEGIN SELECT RAISE (ABORT, 'the soundings of a baseline are never changed'); END;
CREATE TRIGGER baseline_soundings_are_kept BEFORE DELETE ON baseline_soundings
BEGIN SELECT RAISE (ABORT, 'the soundings of a baseline are never deleted'); END;

-- Soundings, each with the hash of the one before it.
CREATE TABLE soundings (
    number   INTEGER PRIMARY KEY,
    at       TEXT NOT NULL,
    wheel    TEXT COLLATE NOCASE REFERENCES wheels (id),
    record   TEXT NOT NULL,
    previous TEXT NOT NULL,
    hash     TEXT NOT NULL UNIQUE
) STRICT;
CREATE INDEX soundings_by_wheel ON soundings (wheel, number);
CREATE TRIGGER soundings_stay BEFORE UPDATE ON soundings
BEGIN SELECT RAISE (ABORT, 'a sounding is never changed'); END;
CREATE TRIGGER soundings_are_kept BEFORE DELETE ON soundings
BEGIN SELECT RAISE (ABORT, 'a sounding is never deleted'); END;

-- How long the chain is and how it ends, so that a cut end is seen too.
CREATE TABLE chain_end (
    only  INTEGER PRIMARY KEY CHECK (only = 1),
    count INTEGER NOT NULL,
    hash  TEXT NOT NULL
) STRICT;
INSERT INTO chain_end VALUES (1, 0, '');

-- Recordings beside the database, named by their content.
CREATE TABLE sound_files (
    hash    TEXT NOT NULL PRIMARY KEY,
    name    TEXT NOT NULL,
    ending  TEXT NOT NULL,
    bytes   INTEGER NOT NULL,
    kept_at TEXT NOT NULL
) STRICT, WITHOUT ROWID;
