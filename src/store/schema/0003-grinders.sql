-- Version 3. Grinders, and what happened to them.

CREATE TABLE grinders (
    id       TEXT NOT NULL PRIMARY KEY COLLATE NOCASE,
    added_at TEXT NOT NULL,
    record   TEXT NOT NULL
) STRICT;

-- Added, edited, retired: what was changed, in words.
CREATE TABLE grinder_events (
    number  INTEGER PRIMARY KEY,
    grinder TEXT NOT NULL COLLATE NOCASE REFERENCES grinders (id),
    at      TEXT NOT NULL,
    what    TEXT NOT NULL
) STRICT;
CREATE INDEX grinder_events_by_grinder ON grinder_events (grinder, number);
