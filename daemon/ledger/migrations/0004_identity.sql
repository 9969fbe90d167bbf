-- A retired drive is out of use: its copies count no more, and its history stays.
-- A drive that is not retired is sealed as before.
ALTER TABLE drives ADD COLUMN retired INTEGER NOT NULL DEFAULT 0 CHECK (retired IN (0, 1));

-- What happened to a drive's identity, in the order of seq. Names of before version
-- 4 are not known.
CREATE TABLE drive_events (
    seq         INTEGER PRIMARY KEY AUTOINCREMENT,
    drive_no    INTEGER NOT NULL REFERENCES drives (drive_no),
    what        TEXT    NOT NULL CHECK (what IN ('renamed', 'retired', 'enrolled')),
    name        TEXT    NOT NULL,   -- the drive's from then on
    name_before TEXT    NOT NULL,
    at_wall          TEXT    NOT NULL,
    at_trusted       INTEGER NOT NULL CHECK (at_trusted IN (0, 1)),
    at_boot          TEXT    NOT NULL,
    at_since_boot_ns INTEGER NOT NULL,
    seal        INTEGER NOT NULL
) STRICT;
CREATE INDEX drive_events_by_drive ON drive_events (drive_no, seq);

-- What a drive told of other boxes and was taken over already: the name of a ledger
-- that one left on it with its size and time, or '' for the manifests. Nothing rests
-- on it but whether that is read again, so it is not sealed.
CREATE TABLE taken_over (
    drive_no INTEGER NOT NULL REFERENCES drives (drive_no),
    source   TEXT    NOT NULL,
    stamp    TEXT    NOT NULL,
    PRIMARY KEY (drive_no, source)
) STRICT, WITHOUT ROWID;
