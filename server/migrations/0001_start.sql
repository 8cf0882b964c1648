-- Times are microseconds since 1970-01-01 UTC. `ord` counts rows in the order of their making; ids identify
-- and never order.

CREATE TABLE part (
    ord INTEGER PRIMARY KEY AUTOINCREMENT,
    id TEXT NOT NULL UNIQUE,
    title TEXT NOT NULL,
    create_time INTEGER NOT NULL,
    caller TEXT NOT NULL
) STRICT;

CREATE TABLE blob (
    sha256 TEXT NOT NULL PRIMARY KEY CHECK (length(sha256) = 64),
    size_bytes INTEGER NOT NULL CHECK (size_bytes >= 0),
    create_time INTEGER NOT NULL,
    caller TEXT NOT NULL
) STRICT;

-- `offset_bytes` counts only bytes that are safely on the disc; the spool file may be longer.
CREATE TABLE upload (
    id TEXT NOT NULL PRIMARY KEY,
    sha256 TEXT NOT NULL CHECK (length(sha256) = 64),
    size_bytes INTEGER NOT NULL CHECK (size_bytes > 0),
    offset_bytes INTEGER NOT NULL CHECK (offset_bytes BETWEEN 0 AND size_bytes),
    complete INTEGER NOT NULL DEFAULT 0 CHECK (complete IN (0, 1)),
    create_time INTEGER NOT NULL,
    progress_time INTEGER NOT NULL,
    caller TEXT NOT NULL
) STRICT;

CREATE INDEX upload_of_digest ON upload (sha256, caller);

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
    UNIQUE (part, id),
    CHECK ((nominal_sha256 IS NULL) = (nominal_unit IS NULL))
) STRICT;

CREATE UNIQUE INDEX revision_in_force ON revision (part) WHERE state = 'released';

CREATE TRIGGER revision_content_stays BEFORE UPDATE OF
    part, id, plan_json, plan_sha256, plan_source, nominal_sha256, nominal_unit, bound_json, create_time
    ON revision
BEGIN SELECT RAISE(ABORT, 'a revision does not change'); END;

CREATE TRIGGER revision_stays BEFORE DELETE ON revision
BEGIN SELECT RAISE(ABORT, 'a revision is kept'); END;

CREATE TABLE acquisition (
    ord INTEGER PRIMARY KEY AUTOINCREMENT,
    id TEXT NOT NULL UNIQUE,
    blob TEXT NOT NULL REFERENCES blob (sha256),
    length_unit TEXT NOT NULL,
    instrument TEXT NOT NULL,
    operator TEXT NOT NULL,
    acquire_time INTEGER,
    restraint TEXT NOT NULL,
    temperature_c REAL,
    simulated INTEGER NOT NULL CHECK (simulated IN (0, 1)),
    content TEXT NOT NULL CHECK (content IN ('scan', 'points')),
    columns TEXT NOT NULL,
    coordinates TEXT,
    point_standard_mm REAL,
    create_time INTEGER NOT NULL,
    caller TEXT NOT NULL
) STRICT;

CREATE INDEX acquisition_of_blob ON acquisition (blob) WHERE simulated = 1;

CREATE TRIGGER acquisition_stays BEFORE UPDATE ON acquisition
BEGIN SELECT RAISE(ABORT, 'an acquisition does not change'); END;

-- `fence` counts the claims of a job: only the holder of the latest may end it. `starts` counts how often it
-- was begun without being handed back in order.
CREATE TABLE inspection (
    ord INTEGER PRIMARY KEY AUTOINCREMENT,
    id TEXT NOT NULL UNIQUE,
    caller TEXT NOT NULL,
    request_id TEXT NOT NULL,
    request_sha256 TEXT NOT NULL,
    part TEXT NOT NULL,
    revision TEXT NOT NULL,
    serial_number TEXT NOT NULL,
    sources_json TEXT NOT NULL,
    readings_json TEXT NOT NULL,
    scope_json TEXT NOT NULL,
    purpose TEXT NOT NULL,
    context_json TEXT NOT NULL,
    repeat_of TEXT REFERENCES inspection (id),
    attempt INTEGER NOT NULL CHECK (attempt >= 1),
    state TEXT NOT NULL CHECK (state IN ('queued', 'running', 'done', 'failed')),
    fence INTEGER NOT NULL DEFAULT 0,
    starts INTEGER NOT NULL DEFAULT 0,
    lease_until INTEGER,
    verdict TEXT,
    reason TEXT NOT NULL DEFAULT '',
    result_json TEXT,
    result_sha256 TEXT,
    report_sha256 TEXT REFERENCES blob (sha256),
    deviation_sha256 TEXT REFERENCES blob (sha256),
    failure TEXT,
    create_time INTEGER NOT NULL,
    finish_time INTEGER,
    sequence INTEGER UNIQUE,
    UNIQUE (caller, request_id),
    FOREIGN KEY (part, revision) REFERENCES revision (part, id),
    CHECK ((state IN ('done', 'failed')) = (sequence IS NOT NULL)),
    CHECK ((state = 'done') = (result_json IS NOT NULL)),
    CHECK ((state = 'failed') = (failure IS NOT NULL))
) STRICT;

CREATE INDEX inspection_waiting ON inspection (ord) WHERE state IN ('queued', 'running');
CREATE INDEX inspection_of_part ON inspection (part, revision, serial_number);
CREATE INDEX inspection_of_serial ON inspection (serial_number, ord);

CREATE TRIGGER inspection_finished_stays BEFORE UPDATE ON inspection WHEN OLD.sequence IS NOT NULL
BEGIN SELECT RAISE(ABORT, 'a finished inspection does not change'); END;

CREATE TRIGGER inspection_stays BEFORE DELETE ON inspection
BEGIN SELECT RAISE(ABORT, 'an inspection is kept'); END;

-- Append only; each entry holds the hash of the one before it.
CREATE TABLE audit (
    ord INTEGER PRIMARY KEY AUTOINCREMENT,
    time INTEGER NOT NULL,
    caller TEXT NOT NULL,
    action TEXT NOT NULL,
    subject TEXT NOT NULL,
    detail TEXT NOT NULL,
    previous_sha256 TEXT NOT NULL,
    sha256 TEXT NOT NULL
) STRICT;

CREATE TRIGGER audit_stays BEFORE UPDATE ON audit
BEGIN SELECT RAISE(ABORT, 'the audit trail is append only'); END;

CREATE TRIGGER audit_is_kept BEFORE DELETE ON audit
BEGIN SELECT RAISE(ABORT, 'the audit trail is append only'); END;
