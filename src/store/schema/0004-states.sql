-- Version 4. More states of a wheel, each with who said so and the record that tells it.

UPDATE wheels SET record = json_set(record, '$.state', 'in store')
WHERE json_extract(record, '$.state') = 'active';
UPDATE wheel_events SET state = 'in store' WHERE state = 'active';

ALTER TABLE wheel_events ADD COLUMN said_by TEXT;
ALTER TABLE wheel_events ADD COLUMN grinder TEXT;
-- Number of the record in the chain; none of what was said before version 4, of adding, of edits.
ALTER TABLE wheel_events ADD COLUMN record INTEGER REFERENCES records (number);
