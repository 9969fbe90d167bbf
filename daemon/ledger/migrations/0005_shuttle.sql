-- A copy may be handed over: what was chosen of an offload stands on a shuttle. The
-- words that a status can be are part of the table, so it is made anew. It is never
-- renamed, since views speak of it.
CREATE TABLE copies_before AS SELECT * FROM copies;
DROP TABLE copies;
CREATE TABLE copies (
    copy_no       INTEGER PRIMARY KEY,
    offload_seq   INTEGER NOT NULL REFERENCES offloads (seq),
    drive_no      INTEGER NOT NULL REFERENCES drives (drive_no),
    folder        TEXT    NOT NULL,
    status        TEXT    NOT NULL
        CHECK (status IN ('open', 'finishing', 'proven', 'unproven', 'incomplete', 'failed', 'lost', 'handed-over')),
    reason        TEXT    NOT NULL,
    manifest_path TEXT    NOT NULL,
    manifest_c4   TEXT    NOT NULL,
    updated_wall          TEXT    NOT NULL,
    updated_trusted       INTEGER NOT NULL CHECK (updated_trusted IN (0, 1)),
    updated_boot          TEXT    NOT NULL,
    updated_since_boot_ns INTEGER NOT NULL,
    seal          INTEGER NOT NULL,
    proven_up_to  INTEGER NOT NULL DEFAULT 0,
    UNIQUE (offload_seq, drive_no)
) STRICT;
INSERT INTO copies (copy_no, offload_seq, drive_no, folder, status, reason, manifest_path, manifest_c4,
    updated_wall, updated_trusted, updated_boot, updated_since_boot_ns, seal, proven_up_to)
SELECT copy_no, offload_seq, drive_no, folder, status, reason, manifest_path, manifest_c4,
    updated_wall, updated_trusted, updated_boot, updated_since_boot_ns, seal, proven_up_to FROM copies_before;
DROP TABLE copies_before;
CREATE INDEX copies_by_drive ON copies (drive_no, status);
