-- Version 2. One chain for all kinds of records; until now it held soundings only.
-- The kind is the name of the record's format, a copy for searching.

ALTER TABLE soundings RENAME TO records;
ALTER TABLE records ADD COLUMN kind TEXT NOT NULL DEFAULT 'fourtap.sounding';

DROP INDEX soundings_by_wheel;
CREATE INDEX records_by_wheel ON records (wheel, number);
CREATE INDEX records_by_kind ON records (kind, number);

DROP TRIGGER soundings_stay;
CREATE TRIGGER records_stay BEFORE UPDATE ON records
BEGIN SELECT RAISE (ABORT, 'a record is never changed'); END;
DROP TRIGGER soundings_are_kept;
CREATE TRIGGER records_are_kept BEFORE DELETE ON records
BEGIN SELECT RAISE (ABORT, 'a record is never deleted'); END;
