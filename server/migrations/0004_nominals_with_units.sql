-- A nominal may tell its own length unit, as STEP files do: then none is kept beside its blob. SQLite changes no check of a
-- table in place, so the table is made anew.

PRAGMA defer_foreign_keys = ON;

CREATE TEMPORARY TABLE kept AS SELECT * FROM revision;

DROP TABLE revision;

CREATE TABLE revision (
    ord INTEGER PRIMARY KEY AUTOINCREMENT,
    part TEXT NOT NULL REFERENCES part (id),
    id TEXT NOT NULL,
    state TEXT NOT NULL CHECK (state IN ('draft', 'released', 'superseded')),
    plan_json TEXT NOT NULL,
    plan_sha256 TEXT NOT NULL,
    plan_source TEXT NOT NULL,
    nominal_sha256 TEXT REFERENCES blob (sha256),
    nominal_unit TEXT,
    bound_json TEXT NOT NULL,
    create_time INTEGER NOT NULL,
    release_time INTEGER,
    caller TEXT NOT NULL,
    remarks_json TEXT NOT NULL DEFAULT '[]',
    UNIQUE (part, id),
    CHECK (nominal_unit IS NULL OR nominal_sha256 IS NOT NULL)
) STRICT;

INSERT INTO revision SELECT * FROM kept;

DROP TABLE kept;

CREATE UNIQUE INDEX revision_in_force ON revision (part) WHERE state = 'released';

CREATE TRIGGER revision_content_stays BEFORE UPDATE OF
    part, id, plan_json, plan_sha256, plan_source, nominal_sha256, nominal_unit, bound_json, create_time
    ON revision
BEGIN SELECT RAISE(ABORT, 'a revision does not change'); END;

CREATE TRIGGER revision_stays BEFORE DELETE ON revision
BEGIN SELECT RAISE(ABORT, 'a revision is kept'); END;
