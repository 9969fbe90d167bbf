-- How far the proof of a whole copy reaches: each of its files has a proof with a
-- number up to this one, or a newer one. A patrol takes the copy with the smallest
-- number first, and goes on with those of its files that have no newer proof.
-- Nothing rests on it but the order of work, so it is not sealed; 0 means that the
-- copy never was proven whole.
ALTER TABLE copies ADD COLUMN proven_up_to INTEGER NOT NULL DEFAULT 0;
UPDATE copies SET proven_up_to = (SELECT coalesce(max(proof_no), 0) FROM proofs) WHERE status = 'proven';

-- Every verdict that an offload ever had, with its reason, in the order of seq.
-- Those of before version 3 are not known, but for the last.
CREATE TABLE verdicts (
    seq         INTEGER PRIMARY KEY AUTOINCREMENT,
    offload_seq INTEGER NOT NULL REFERENCES offloads (seq),
    verdict     TEXT    NOT NULL CHECK (verdict IN ('', 'hold', 'release')),
    reason      TEXT    NOT NULL,
    status      TEXT    NOT NULL CHECK (status IN ('open', 'done', 'void')),
    at_wall          TEXT    NOT NULL,
    at_trusted       INTEGER NOT NULL CHECK (at_trusted IN (0, 1)),
    at_boot          TEXT    NOT NULL,
    at_since_boot_ns INTEGER NOT NULL,
    seal        INTEGER NOT NULL
) STRICT;
CREATE INDEX verdicts_by_offload ON verdicts (offload_seq, seq);

-- The last part of a file's path, to find the file by: what an editor asks for.
-- It takes no room but in its index. Letters of ASCII are found in either case.
ALTER TABLE files ADD COLUMN name TEXT COLLATE NOCASE
    GENERATED ALWAYS AS (substr(path, length(rtrim(path, replace(path, '/', ''))) + 1)) VIRTUAL;
CREATE INDEX files_by_name ON files (name, offload_seq DESC);
CREATE INDEX offloads_void ON offloads (seq) WHERE status = 'void';
