CREATE TABLE collected_strokes (
    id VARCHAR(36) NOT NULL,
    received_at VARCHAR(27) NOT NULL,
    shop TEXT NOT NULL,
    at VARCHAR(27) NOT NULL,
    bench TEXT NOT NULL,
    job VARCHAR(36) NOT NULL,
    pack TEXT NOT NULL,
    unit_serial TEXT NOT NULL,
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
    more JSON,
    PRIMARY KEY (id)
);

CREATE INDEX collected_strokes_at ON collected_strokes (at);

CREATE INDEX collected_strokes_job ON collected_strokes (job, "check", n);

CREATE INDEX collected_strokes_serial ON collected_strokes (unit_serial);

CREATE TABLE collected_verdicts (
    id VARCHAR(36) NOT NULL,
    received_at VARCHAR(27) NOT NULL,
    shop TEXT NOT NULL,
    at VARCHAR(27) NOT NULL,
    bench TEXT NOT NULL,
    head_number BIGINT,
    head_sha256 TEXT NOT NULL,
    job VARCHAR(36) NOT NULL,
    pack TEXT NOT NULL,
    unit_serial TEXT NOT NULL,
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
    advice JSON NOT NULL,
    recording_sha256 TEXT NOT NULL,
    remarks JSON NOT NULL,
    attempt BIGINT,
    not_measured TEXT NOT NULL,
    outcome TEXT NOT NULL,
    left_out TEXT NOT NULL,
    more JSON,
    PRIMARY KEY (id)
);

CREATE INDEX collected_verdicts_at ON collected_verdicts (at);

CREATE INDEX collected_verdicts_job ON collected_verdicts (job, "check");

CREATE INDEX collected_verdicts_serial ON collected_verdicts (unit_serial);

CREATE TABLE collected_statuses (
    id VARCHAR(36) NOT NULL,
    received_at VARCHAR(27) NOT NULL,
    shop TEXT NOT NULL,
    at VARCHAR(27) NOT NULL,
    bench TEXT NOT NULL,
    state TEXT NOT NULL,
    software_version TEXT NOT NULL,
    job VARCHAR(36),
    unit_serial TEXT NOT NULL,
    technician TEXT NOT NULL,
    pack TEXT,
    indicator TEXT NOT NULL,
    messages_waiting BIGINT NOT NULL,
    vanished BOOLEAN,
    display_unit TEXT NOT NULL,
    measure TEXT NOT NULL,
    last_stroke_at VARCHAR(27),
    last_travel_nm BIGINT,
    air TEXT NOT NULL,
    air_fault TEXT NOT NULL,
    gauge_due DATE,
    gauge_serial TEXT NOT NULL,
    gauge_standing TEXT NOT NULL,
    gauge_text TEXT NOT NULL,
    needs TEXT NOT NULL,
    silent BOOLEAN NOT NULL,
    more JSON,
    PRIMARY KEY (id)
);

CREATE INDEX collected_statuses_at ON collected_statuses (at);

CREATE TABLE collected_units (
    id VARCHAR(36) NOT NULL,
    received_at VARCHAR(27) NOT NULL,
    shop TEXT NOT NULL,
    at VARCHAR(27) NOT NULL,
    bench TEXT NOT NULL,
    head_number BIGINT,
    head_sha256 TEXT NOT NULL,
    job VARCHAR(36) NOT NULL,
    unit_serial TEXT NOT NULL,
    packs JSON NOT NULL,
    steps BIGINT NOT NULL,
    steps_closed BIGINT NOT NULL,
    next_step TEXT NOT NULL,
    against JSON NOT NULL,
    to_acknowledge JSON NOT NULL,
    signed_off_by TEXT NOT NULL,
    signed_off_at VARCHAR(27),
    demonstrated_by TEXT NOT NULL,
    more JSON,
    PRIMARY KEY (id)
);

CREATE INDEX collected_units_at ON collected_units (at);

CREATE INDEX collected_units_job ON collected_units (job);

CREATE INDEX collected_units_serial ON collected_units (unit_serial);

CREATE TABLE collected_by (
    name TEXT NOT NULL,
    since VARCHAR(27) NOT NULL,
    PRIMARY KEY (name)
);

CREATE TABLE collected_heads (
    sha256 VARCHAR(64) NOT NULL,
    shop TEXT NOT NULL,
    bench TEXT NOT NULL,
    number BIGINT NOT NULL,
    record INTEGER NOT NULL,
    at VARCHAR(27) NOT NULL,
    received_at VARCHAR(27) NOT NULL,
    PRIMARY KEY (sha256, shop, bench)
);

CREATE INDEX collected_heads_bench ON collected_heads (shop, bench, number);

CREATE TABLE collected_broken_records (
    number INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT,
    shop TEXT NOT NULL,
    bench TEXT NOT NULL,
    received_at VARCHAR(27) NOT NULL,
    head_number BIGINT NOT NULL,
    head_sha256 VARCHAR(64) NOT NULL,
    why TEXT NOT NULL
);

CREATE TABLE collected_leases (
    session TEXT NOT NULL,
    holder TEXT NOT NULL,
    number BIGINT NOT NULL,
    beat BIGINT NOT NULL,
    PRIMARY KEY (session)
);

CREATE TABLE collected_refused (
    number INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT,
    sha256 VARCHAR(64) NOT NULL,
    received_at VARCHAR(27) NOT NULL,
    shop TEXT NOT NULL,
    topic TEXT NOT NULL,
    reason TEXT NOT NULL,
    payload BLOB NOT NULL,
    payload_bytes BIGINT NOT NULL,
    UNIQUE (sha256)
);
