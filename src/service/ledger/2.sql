-- The second form of a ledger: which version of a sheet a machine of a gate had, and since when.

CREATE TABLE uses (
    id     INTEGER PRIMARY KEY AUTOINCREMENT,
    folder TEXT NOT NULL,                                  -- the folder of the machine
    file   TEXT NOT NULL,                                  -- name of the sheet's file
    sheet  TEXT NOT NULL REFERENCES sheets (digest),
    name   TEXT NOT NULL,                                  -- name of the machine
    since  TEXT NOT NULL
) STRICT;
CREATE INDEX uses_by_folder ON uses (folder);
