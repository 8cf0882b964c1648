-- The register of instruments. Days are written as YYYY-MM-DD, so that text compares as days do.

CREATE TABLE instrument (
    ord INTEGER PRIMARY KEY AUTOINCREMENT,
    id TEXT NOT NULL UNIQUE,
    title TEXT NOT NULL,
    serial_number TEXT NOT NULL,
    create_time INTEGER NOT NULL,
    caller TEXT NOT NULL
) STRICT;

CREATE TRIGGER instrument_stays BEFORE UPDATE ON instrument
BEGIN SELECT RAISE(ABORT, 'an instrument does not change'); END;

CREATE TRIGGER instrument_is_kept BEFORE DELETE ON instrument
BEGIN SELECT RAISE(ABORT, 'an instrument is kept'); END;

CREATE TABLE verification (
    ord INTEGER PRIMARY KEY AUTOINCREMENT,
    instrument TEXT NOT NULL REFERENCES instrument (id),
    id TEXT NOT NULL,
    verified_on TEXT NOT NULL CHECK (length(verified_on) = 10),
    valid_until TEXT NOT NULL CHECK (length(valid_until) = 10),
    simulated INTEGER NOT NULL CHECK (simulated IN (0, 1)),
    content_json TEXT NOT NULL,
    -- What the scan of balls showed, ball by ball; absent of a certificate.
    results_json TEXT,
    blob TEXT REFERENCES blob (sha256),
    create_time INTEGER NOT NULL,
    caller TEXT NOT NULL,
    withdraw_time INTEGER,
    withdraw_reason TEXT,
    withdraw_caller TEXT,
    UNIQUE (instrument, id),
    CHECK (verified_on <= valid_until),
    CHECK ((withdraw_time IS NULL) = (withdraw_reason IS NULL)),
    CHECK ((withdraw_time IS NULL) = (withdraw_caller IS NULL))
) STRICT;

CREATE TRIGGER verification_content_stays BEFORE UPDATE OF
    ord, instrument, id, verified_on, valid_until, simulated, content_json, results_json, blob, create_time, caller
    ON verification
BEGIN SELECT RAISE(ABORT, 'a verification does not change'); END;

CREATE TRIGGER verification_is_withdrawn_once BEFORE UPDATE ON verification WHEN OLD.withdraw_time IS NOT NULL
BEGIN SELECT RAISE(ABORT, 'a withdrawn verification does not change'); END;

CREATE TRIGGER verification_is_kept BEFORE DELETE ON verification
BEGIN SELECT RAISE(ABORT, 'a verification is kept'); END;

-- The instrument that an acquisition names.
ALTER TABLE acquisition ADD COLUMN registered_instrument TEXT REFERENCES instrument (id);
