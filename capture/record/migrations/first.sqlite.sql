CREATE TABLE jobs (
    id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT,
    uuid TEXT NOT NULL,
    bench TEXT NOT NULL,
    unit_serial TEXT NOT NULL,
    technician TEXT NOT NULL,
    sheet_name TEXT NOT NULL,
    sheet_revision TEXT NOT NULL,
    sheet_toml TEXT NOT NULL,
    opened_at TEXT NOT NULL,
    closed_at TEXT,
    UNIQUE (uuid)
);

CREATE TABLE outbox (
    id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT,
    message TEXT NOT NULL,
    topic TEXT NOT NULL,
    payload TEXT NOT NULL,
    retain BOOLEAN NOT NULL,
    created_at TEXT NOT NULL,
    UNIQUE (message)
);

CREATE TABLE set_aside (
    id INTEGER NOT NULL,
    message TEXT NOT NULL,
    topic TEXT NOT NULL,
    payload TEXT NOT NULL,
    retain BOOLEAN NOT NULL,
    created_at TEXT NOT NULL,
    why TEXT NOT NULL,
    PRIMARY KEY (id),
    UNIQUE (message)
);

CREATE TABLE checks (
    id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT,
    job BIGINT NOT NULL,
    pack TEXT NOT NULL,
    number BIGINT NOT NULL,
    state TEXT NOT NULL,
    indicator JSON NOT NULL,
    gauge JSON,
    recording_path TEXT NOT NULL,
    started_at TEXT NOT NULL,
    ended_at TEXT,
    low_nm BIGINT NOT NULL,
    high_nm BIGINT NOT NULL,
    strokes_wanted BIGINT NOT NULL,
    seat_wanted BIGINT NOT NULL,
    measure TEXT NOT NULL,
    origin JSON,
    UNIQUE (job, pack, number),
    CONSTRAINT checks_state CHECK (state IN ('measuring', 'done', 'abandoned')),
    CONSTRAINT checks_measure CHECK (measure IN ('peak', 'held')),
    FOREIGN KEY(job) REFERENCES jobs (id)
);

CREATE TABLE ledger (
    number INTEGER NOT NULL,
    job BIGINT,
    kind TEXT NOT NULL,
    at TEXT NOT NULL,
    body TEXT NOT NULL,
    previous TEXT NOT NULL,
    sha256 TEXT NOT NULL,
    PRIMARY KEY (number),
    FOREIGN KEY(job) REFERENCES jobs (id)
);

CREATE INDEX ledger_job_kind ON ledger (job, kind);

CREATE TRIGGER ledger_no_update BEFORE UPDATE ON ledger BEGIN SELECT RAISE(ABORT, 'ledger is append-only: a correction is a new entry'); END;

CREATE TRIGGER ledger_no_delete BEFORE DELETE ON ledger BEGIN SELECT RAISE(ABORT, 'ledger is append-only: a correction is a new entry'); END;

CREATE TRIGGER ledger_in_order BEFORE INSERT ON ledger WHEN NEW.number <> (SELECT coalesce(max(number), 0) + 1 FROM ledger) OR NEW.previous <> coalesce((SELECT sha256 FROM ledger ORDER BY number DESC LIMIT 1), '0000000000000000000000000000000000000000000000000000000000000000') BEGIN SELECT RAISE(ABORT, 'ledger: an entry follows the newest one and names its hash'); END;

CREATE TABLE strokes (
    id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT,
    "check" BIGINT NOT NULL,
    seat BOOLEAN NOT NULL,
    n BIGINT NOT NULL,
    start_ns BIGINT NOT NULL,
    end_ns BIGINT NOT NULL,
    released_nm BIGINT NOT NULL,
    peak_travel_nm BIGINT NOT NULL,
    held_travel_nm BIGINT NOT NULL,
    rise_ns BIGINT NOT NULL,
    creep_nm BIGINT NOT NULL,
    return_error_nm BIGINT NOT NULL,
    flags JSON NOT NULL,
    accepted BOOLEAN NOT NULL,
    rounding_nm BIGINT,
    fall_nm_per_s BIGINT,
    inferred_nm BIGINT,
    pressure_min_pa BIGINT,
    pressure_max_pa BIGINT,
    leak_down_pa_per_s BIGINT,
    UNIQUE ("check", n),
    FOREIGN KEY("check") REFERENCES checks (id)
);

CREATE TRIGGER strokes_no_update BEFORE UPDATE ON strokes BEGIN SELECT RAISE(ABORT, 'strokes is append-only: a correction is a new entry'); END;

CREATE TRIGGER strokes_no_delete BEFORE DELETE ON strokes BEGIN SELECT RAISE(ABORT, 'strokes is append-only: a correction is a new entry'); END;

CREATE TABLE verdicts (
    id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT,
    "check" BIGINT NOT NULL,
    verdict TEXT NOT NULL,
    mean_nm BIGINT NOT NULL,
    expanded_uncertainty_nm BIGINT NOT NULL,
    coverage FLOAT NOT NULL,
    coverage_factor FLOAT NOT NULL,
    dof FLOAT,
    standard_uncertainty_nm FLOAT NOT NULL,
    strokes BIGINT NOT NULL,
    low_nm BIGINT NOT NULL,
    high_nm BIGINT NOT NULL,
    conformance_probability FLOAT NOT NULL,
    budget JSON NOT NULL,
    next_step TEXT NOT NULL,
    more_strokes BIGINT,
    remarks JSON NOT NULL,
    advice JSON NOT NULL,
    recording_sha256 TEXT NOT NULL,
    recording_bytes BIGINT NOT NULL,
    software_version TEXT NOT NULL,
    at TEXT NOT NULL,
    UNIQUE ("check"),
    FOREIGN KEY("check") REFERENCES checks (id)
);

CREATE TRIGGER verdicts_no_update BEFORE UPDATE ON verdicts BEGIN SELECT RAISE(ABORT, 'verdicts is append-only: a correction is a new entry'); END;

CREATE TRIGGER verdicts_no_delete BEFORE DELETE ON verdicts BEGIN SELECT RAISE(ABORT, 'verdicts is append-only: a correction is a new entry'); END;
