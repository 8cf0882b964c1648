-- The nominals of the neighbours that a revision's plan names: a JSON list of id, digest and stated length unit.
ALTER TABLE revision ADD COLUMN neighbours_json TEXT NOT NULL DEFAULT '[]';

CREATE TRIGGER revision_neighbours_stay BEFORE UPDATE OF neighbours_json ON revision
BEGIN SELECT RAISE(ABORT, 'a revision does not change'); END;
