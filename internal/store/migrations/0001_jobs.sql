-- Times are RFC 3339 text. Whatever is kept is added once and stays.

CREATE TABLE jobs (
	id      TEXT PRIMARY KEY,
	station TEXT NOT NULL,
	opened  TEXT NOT NULL
) STRICT;

-- The newest name counts.
CREATE TABLE names (
	job  TEXT NOT NULL REFERENCES jobs(id),
	n    INTEGER NOT NULL,
	at   TEXT NOT NULL,
	name TEXT NOT NULL,
	PRIMARY KEY (job, n)
) STRICT;

-- line: the event as package job writes it, with its own schema and checksum.
CREATE TABLE events (
	job  TEXT NOT NULL REFERENCES jobs(id),
	n    INTEGER NOT NULL,
	line TEXT NOT NULL,
	PRIMARY KEY (job, n)
) STRICT;

CREATE TRIGGER events_in_order BEFORE INSERT ON events
WHEN NEW.n <> (SELECT coalesce(max(n), 0) + 1 FROM events WHERE job = NEW.job)
BEGIN SELECT RAISE(ABORT, 'events follow each other without a gap'); END;

-- The content lies beside the database under a name made of hash and name.
CREATE TABLE files (
	job    TEXT NOT NULL REFERENCES jobs(id),
	name   TEXT NOT NULL,
	kind   TEXT NOT NULL,
	at     TEXT NOT NULL,
	size   INTEGER NOT NULL,
	sha256 TEXT NOT NULL,
	PRIMARY KEY (job, name)
) STRICT;

-- print: all of the fingerprint that must agree to the letter; body: the whole.
CREATE TABLE coefficients (
	id    INTEGER PRIMARY KEY,
	job   TEXT NOT NULL REFERENCES jobs(id),
	at    TEXT NOT NULL,
	print TEXT NOT NULL,
	body  TEXT NOT NULL
) STRICT;

CREATE INDEX coefficients_by_print ON coefficients (print);

CREATE TRIGGER jobs_stay         BEFORE UPDATE ON jobs         BEGIN SELECT RAISE(ABORT, 'jobs are never altered'); END;
CREATE TRIGGER jobs_remain       BEFORE DELETE ON jobs         BEGIN SELECT RAISE(ABORT, 'jobs are never deleted'); END;
CREATE TRIGGER names_stay        BEFORE UPDATE ON names        BEGIN SELECT RAISE(ABORT, 'names are never altered'); END;
CREATE TRIGGER names_remain      BEFORE DELETE ON names        BEGIN SELECT RAISE(ABORT, 'names are never deleted'); END;
CREATE TRIGGER events_stay       BEFORE UPDATE ON events       BEGIN SELECT RAISE(ABORT, 'events are never altered'); END;
CREATE TRIGGER events_remain     BEFORE DELETE ON events       BEGIN SELECT RAISE(ABORT, 'events are never deleted'); END;
CREATE TRIGGER files_stay        BEFORE UPDATE ON files        BEGIN SELECT RAISE(ABORT, 'files are never altered'); END;
CREATE TRIGGER files_remain      BEFORE DELETE ON files        BEGIN SELECT RAISE(ABORT, 'files are never deleted'); END;
CREATE TRIGGER coefficients_stay   BEFORE UPDATE ON coefficients BEGIN SELECT RAISE(ABORT, 'coefficients are never altered'); END;
CREATE TRIGGER coefficients_remain BEFORE DELETE ON coefficients BEGIN SELECT RAISE(ABORT, 'coefficients are never deleted'); END;
