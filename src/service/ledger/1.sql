-- The first form of a ledger. Times are UTC, days and times as ISO 8601 writes them; digests are `blake3:` and hex.

-- A job by the digest of its plain (unpacked) bytes.
CREATE TABLE jobs (
    digest  TEXT PRIMARY KEY NOT NULL,
    bytes   INTEGER NOT NULL,
    lines   INTEGER NOT NULL,
    seen_at TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- Paths under which a content was judged, as they were given. `-` is standard input.
CREATE TABLE names (
    job     TEXT NOT NULL REFERENCES jobs (digest) ON DELETE CASCADE,
    path    TEXT NOT NULL,
    seen_at TEXT NOT NULL,
    PRIMARY KEY (job, path)
) STRICT, WITHOUT ROWID;

-- Each version of a machine sheet.
CREATE TABLE sheets (
    digest  TEXT PRIMARY KEY NOT NULL,
    name    TEXT NOT NULL,
    text    TEXT NOT NULL,
    seen_at TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- What a content got on a sheet. All that the report hangs on is in the key.
CREATE TABLE inspections (
    id        INTEGER PRIMARY KEY AUTOINCREMENT,
    job       TEXT NOT NULL REFERENCES jobs (digest),
    file_name TEXT NOT NULL,                               -- without .gz; empty for standard input
    sheet     TEXT NOT NULL REFERENCES sheets (digest),
    accepted  TEXT NOT NULL,                               -- digest of the accepted findings that bear on it, or empty
    options   TEXT NOT NULL,                               -- what else the report hangs on, or empty
    model     TEXT NOT NULL,                               -- version of all that judges
    judged_at TEXT NOT NULL,
    verdict   TEXT NOT NULL CHECK (verdict IN ('go', 'hold', 'no-go')),
    figures   TEXT NOT NULL CHECK (json_valid(figures)),   -- the columns of the CSV report by name
    report    BLOB NOT NULL,                               -- gzip of the report as JSON, gonogo.report/1
    UNIQUE (job, file_name, sheet, accepted, options, model)
) STRICT;
CREATE INDEX inspections_by_time ON inspections (judged_at);
CREATE INDEX inspections_by_sheet ON inspections (sheet);

-- What somebody decided on an inspection.
CREATE TABLE decisions (
    id           INTEGER PRIMARY KEY AUTOINCREMENT,
    inspection   INTEGER NOT NULL REFERENCES inspections (id),
    decision     TEXT NOT NULL CHECK (decision IN ('release', 'refuse', 'hold')),
    reason       TEXT NOT NULL CHECK (reason <> ''),
    who          TEXT NOT NULL CHECK (who <> ''),
    until        TEXT,                                     -- the last day on which it counts
    is_unsafe    INTEGER NOT NULL CHECK (is_unsafe IN (0, 1)), -- there is an open no-go on heat or travel
    confirmation TEXT,                                     -- what was typed to confirm a release in spite of that
    decided_at   TEXT NOT NULL,
    CHECK (NOT (is_unsafe AND decision = 'release') OR confirmation IS NOT NULL)
) STRICT;
CREATE INDEX decisions_by_inspection ON decisions (inspection);

-- Finished prints; the columns of gonogo.prints.csv.
CREATE TABLE prints (
    id             INTEGER PRIMARY KEY AUTOINCREMENT,
    job            TEXT NOT NULL,
    measured_s     REAL NOT NULL,
    extruding_s    REAL NOT NULL,
    travel_s       REAL NOT NULL,
    extrude_only_s REAL NOT NULL,
    dwell_s        REAL NOT NULL,
    nozzle_c       REAL NOT NULL,
    bed_c          REAL NOT NULL,
    homings        INTEGER NOT NULL,
    probings       INTEGER NOT NULL,
    tool_changes   INTEGER NOT NULL,
    layers         INTEGER NOT NULL,
    filament_mm    REAL NOT NULL,
    heating_s      REAL,
    started        TEXT,
    waited_s       REAL NOT NULL,
    aborted        INTEGER NOT NULL CHECK (aborted IN (0, 1)),
    machine        TEXT,
    job_digest     TEXT,
    sheet_digest   TEXT,
    model          INTEGER
) STRICT;
CREATE INDEX prints_by_job ON prints (job_digest);
