-- How an acquisition was taken, beyond what has a column of its own: canonical JSON, absent where nothing more was stated.

ALTER TABLE acquisition ADD COLUMN conditions_json TEXT;
