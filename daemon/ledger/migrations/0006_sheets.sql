-- The names of files that were recorded one after another, in lower case and in the
-- order of file_no, with slashes (which no name holds) around each: what a name is
-- looked for in by its middle, in place of a million rows. marks tells which sheets
-- cannot hold it: of each three and four bytes that stand together in names, a bit. A
-- sheet is made of files and says only which of them to ask. Files that no sheet tells
-- of, or one without marks or with a wrong seal, are asked themselves.
CREATE TABLE name_sheets (
    first_file INTEGER PRIMARY KEY,
    last_file  INTEGER NOT NULL CHECK (last_file >= first_file),
    names_sum  INTEGER NOT NULL,   -- XXH3-64 of names, as a signed integer
    seal       INTEGER NOT NULL,   -- over the numbers and the XXH3-64 of marks
    marks      BLOB    NOT NULL,   -- empty, as names is, when the names cannot be kept so
    names      BLOB    NOT NULL
) STRICT;

-- Nothing removes a file or gives it another name. If anything ever does, then what
-- was made of it goes too.
CREATE TRIGGER files_other_name AFTER UPDATE OF file_no, path ON files
BEGIN
    DELETE FROM name_sheets WHERE old.file_no BETWEEN first_file AND last_file OR new.file_no BETWEEN first_file AND last_file;
END;
CREATE TRIGGER files_gone AFTER DELETE ON files
BEGIN
    DELETE FROM name_sheets WHERE old.file_no BETWEEN first_file AND last_file;
END;
