-- What a revision's nominal and its binding gave to tell when it was registered, a JSON list of sentences.
ALTER TABLE revision ADD COLUMN remarks_json TEXT NOT NULL DEFAULT '[]';
