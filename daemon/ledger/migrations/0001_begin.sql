-- The ledger of a box, version 1.
--
-- Read it with any SQLite client; the daemon is its only writer. Every row that a
-- verdict may rest on carries a seal: XXH3-64 (as a signed integer) over the
-- table's name and the row's other values, which the daemon compares whenever it
-- reads the row. A row changed by hand or by a dying disk is reported, not believed.
--
-- A moment is four columns: the wall clock in RFC 3339 UTC (text, '' for "never"),
-- whether it was known to be synchronised, the kernel's boot id, and nanoseconds
-- since that boot. Nothing is ordered by them: seq does that.

CREATE TABLE box (
    only   INTEGER PRIMARY KEY CHECK (only = 1),
    id     TEXT    NOT NULL,    -- made at random with the ledger; begins every offload's id
    schema INTEGER NOT NULL,    -- equals user_version, so that a flipped bit in either shows
    seal   INTEGER NOT NULL
) STRICT;

CREATE TABLE drives (
    drive_no    INTEGER PRIMARY KEY,
    id          TEXT    NOT NULL UNIQUE CHECK (id <> ''),  -- from its .bothy/drive.toml
    name        TEXT    NOT NULL,
    disk_key    TEXT    NOT NULL,   -- the physical disk; two partitions of one disk share it
    fs_type     TEXT    NOT NULL,
    fs_uuid     TEXT    NOT NULL,
    label       TEXT    NOT NULL,
    box         TEXT    NOT NULL,   -- the box that enrolled it
    size_bytes  INTEGER NOT NULL,
    free_bytes  INTEGER NOT NULL,   -- when last seen
    first_seen_wall          TEXT    NOT NULL,
    first_seen_trusted       INTEGER NOT NULL CHECK (first_seen_trusted IN (0, 1)),
    first_seen_boot          TEXT    NOT NULL,
    first_seen_since_boot_ns INTEGER NOT NULL,
    last_seen_wall           TEXT    NOT NULL,
    last_seen_trusted        INTEGER NOT NULL CHECK (last_seen_trusted IN (0, 1)),
    last_seen_boot           TEXT    NOT NULL,
    last_seen_since_boot_ns  INTEGER NOT NULL,
    seal        INTEGER NOT NULL
) STRICT;

-- One card's content at one insertion.
CREATE TABLE offloads (
    seq           INTEGER PRIMARY KEY AUTOINCREMENT,  -- the only order there is; never used twice
    id            TEXT    NOT NULL UNIQUE CHECK (id <> ''),
    card_key      TEXT    NOT NULL,   -- recognises the card when it comes again; '' never does
    card_label    TEXT    NOT NULL,
    rule          TEXT    NOT NULL,
    folder        TEXT    NOT NULL,
    verify        TEXT    NOT NULL,
    checksum      TEXT    NOT NULL,
    copies_wanted INTEGER NOT NULL,
    files         INTEGER NOT NULL,   -- planned, and so many rows in files once all are read
    bytes         INTEGER NOT NULL,
    started_wall          TEXT    NOT NULL,
    started_trusted       INTEGER NOT NULL CHECK (started_trusted IN (0, 1)),
    started_boot          TEXT    NOT NULL,
    started_since_boot_ns INTEGER NOT NULL,
    ended_wall            TEXT    NOT NULL,
    ended_trusted         INTEGER NOT NULL CHECK (ended_trusted IN (0, 1)),
    ended_boot            TEXT    NOT NULL,
    ended_since_boot_ns   INTEGER NOT NULL,
    status        TEXT    NOT NULL CHECK (status IN ('open', 'done', 'void')),
    verdict       TEXT    NOT NULL CHECK (verdict IN ('', 'hold', 'release')),
    reason        TEXT    NOT NULL,
    refers_to     TEXT    NOT NULL,   -- JSON list of offload ids
    left_out      TEXT    NOT NULL,   -- JSON list of sentences
    seal          INTEGER NOT NULL
) STRICT;
CREATE INDEX offloads_by_card ON offloads (card_key, seq) WHERE card_key <> '';

CREATE TABLE files (
    file_no     INTEGER PRIMARY KEY,
    offload_seq INTEGER NOT NULL REFERENCES offloads (seq),
    path        TEXT    NOT NULL CHECK (path <> ''),  -- on the card, with slashes
    size_bytes  INTEGER NOT NULL CHECK (size_bytes >= 0),
    modified    TEXT    NOT NULL,     -- RFC 3339 UTC, as the card gave it
    algorithm   TEXT    NOT NULL,
    checksum    TEXT    NOT NULL,     -- taken while the card was read
    sample      TEXT    NOT NULL,     -- checksum of a few blocks, to recognise the file by
    seal        INTEGER NOT NULL,
    UNIQUE (offload_seq, path)
) STRICT;

-- One offload on one drive.
CREATE TABLE copies (
    copy_no       INTEGER PRIMARY KEY,
    offload_seq   INTEGER NOT NULL REFERENCES offloads (seq),
    drive_no      INTEGER NOT NULL REFERENCES drives (drive_no),
    folder        TEXT    NOT NULL,
    status        TEXT    NOT NULL
        CHECK (status IN ('open', 'finishing', 'proven', 'unproven', 'incomplete', 'failed', 'lost')),
    reason        TEXT    NOT NULL,
    manifest_path TEXT    NOT NULL,
    manifest_c4   TEXT    NOT NULL,
    updated_wall          TEXT    NOT NULL,
    updated_trusted       INTEGER NOT NULL CHECK (updated_trusted IN (0, 1)),
    updated_boot          TEXT    NOT NULL,
    updated_since_boot_ns INTEGER NOT NULL,
    seal          INTEGER NOT NULL,
    UNIQUE (offload_seq, drive_no)
) STRICT;
CREATE INDEX copies_by_drive ON copies (drive_no, status);

-- When a group of files was proven on a drive.
CREATE TABLE proofs (
    proof_no INTEGER PRIMARY KEY,
    at_wall          TEXT    NOT NULL,
    at_trusted       INTEGER NOT NULL CHECK (at_trusted IN (0, 1)),
    at_boot          TEXT    NOT NULL,
    at_since_boot_ns INTEGER NOT NULL,
    seal     INTEGER NOT NULL
) STRICT;

-- A row here: this file was read back from this drive and was the same.
CREATE TABLE proven (
    file_no  INTEGER NOT NULL REFERENCES files (file_no) ON DELETE CASCADE,
    drive_no INTEGER NOT NULL REFERENCES drives (drive_no),
    proof_no INTEGER NOT NULL REFERENCES proofs (proof_no),
    seal     INTEGER NOT NULL,   -- over the file's seal and the drive's id
    PRIMARY KEY (file_no, drive_no)
) STRICT, WITHOUT ROWID;

-- What was proven was the old content: other facts, no proof.
CREATE TRIGGER files_other_facts AFTER UPDATE OF seal ON files WHEN old.seal <> new.seal
BEGIN
    DELETE FROM proven WHERE file_no = old.file_no;
END;

-- What the box wanted known, raised and cleared; the newest 10,000.
CREATE TABLE conditions (
    seq     INTEGER PRIMARY KEY AUTOINCREMENT,
    code    TEXT    NOT NULL,
    subject TEXT    NOT NULL,
    detail  TEXT    NOT NULL,
    raised  INTEGER NOT NULL CHECK (raised IN (0, 1)),
    at_wall          TEXT    NOT NULL,
    at_trusted       INTEGER NOT NULL CHECK (at_trusted IN (0, 1)),
    at_boot          TEXT    NOT NULL,
    at_since_boot_ns INTEGER NOT NULL,
    seal    INTEGER NOT NULL
) STRICT;

-- Every file, with every drive that has a copy of its offload.
CREATE VIEW what_is_where AS
SELECT o.seq AS offload_seq, o.id AS offload, o.card_label, o.verdict,
       f.path, f.size_bytes, f.algorithm, f.checksum,
       d.id AS drive, d.name AS drive_name, d.disk_key, c.folder, c.status AS copy_status,
       p.file_no IS NOT NULL AS proven, coalesce(g.at_wall, '') AS proven_at
FROM files f
JOIN offloads o ON o.seq = f.offload_seq
JOIN copies c ON c.offload_seq = o.seq
JOIN drives d ON d.drive_no = c.drive_no
LEFT JOIN proven p ON p.file_no = f.file_no AND p.drive_no = c.drive_no
LEFT JOIN proofs g ON g.proof_no = p.proof_no;

-- Every finished offload that a known drive has no proven copy of.
CREATE VIEW what_is_missing AS
SELECT d.id AS drive, d.name AS drive_name, o.seq AS offload_seq, o.id AS offload, o.card_label,
       o.files, o.bytes, coalesce(c.status, '') AS copy_status
FROM drives d
CROSS JOIN offloads o
LEFT JOIN copies c ON c.offload_seq = o.seq AND c.drive_no = d.drive_no
WHERE o.status = 'done' AND coalesce(c.status, '') <> 'proven';
