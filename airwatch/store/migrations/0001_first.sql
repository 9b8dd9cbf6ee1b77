-- The first schema. Telemetry tables have no key, index, sequence, default or check: a lake catalog has none of them.
-- Every time is UTC. Every name is written with its catalog.

-- Whose samples are whose: a number made from the two names, so that any writer gives a unit the same one.
CREATE TABLE air.unit_keys (unit_key BIGINT NOT NULL, fleet VARCHAR NOT NULL, unit VARCHAR NOT NULL);

CREATE TABLE air.samples (
    unit_key BIGINT NOT NULL,
    t TIMESTAMP_MS NOT NULL,    -- gateways send whole milliseconds; microseconds would cost ten bits more a row
    trailer VARCHAR,            -- '' bobtail, null not known
    supply_kpa DOUBLE,
    primary_kpa DOUBLE,
    secondary_kpa DOUBLE,
    trailer_kpa DOUBLE,
    application_kpa DOUBLE,
    engine_rpm DOUBLE,
    speed_kph DOUBLE,
    ambient_c DOUBLE,
    park_brake TINYINT,
    service_brake TINYINT,
    low_air_warning TINYINT,
    compressor_loaded TINYINT
);

-- What is kept of samples older than the raw ones: least, greatest and mean of each interval, so that events stay visible.
-- An interval has a row for each time that samples of it were rolled up; `n` weighs them.
CREATE TABLE air.rollup (
    unit_key BIGINT NOT NULL,
    t TIMESTAMP_MS NOT NULL,    -- the interval's begin
    interval_s DOUBLE NOT NULL,
    n BIGINT NOT NULL,
    trailer VARCHAR,
    supply_kpa_min DOUBLE, supply_kpa_max DOUBLE, supply_kpa_mean DOUBLE,
    primary_kpa_min DOUBLE, primary_kpa_max DOUBLE, primary_kpa_mean DOUBLE,
    secondary_kpa_min DOUBLE, secondary_kpa_max DOUBLE, secondary_kpa_mean DOUBLE,
    trailer_kpa_min DOUBLE, trailer_kpa_max DOUBLE, trailer_kpa_mean DOUBLE,
    application_kpa_min DOUBLE, application_kpa_max DOUBLE, application_kpa_mean DOUBLE,
    engine_rpm_min DOUBLE, engine_rpm_max DOUBLE, engine_rpm_mean DOUBLE,
    speed_kph_min DOUBLE, speed_kph_max DOUBLE, speed_kph_mean DOUBLE,
    ambient_c_min DOUBLE, ambient_c_max DOUBLE, ambient_c_mean DOUBLE,
    park_brake_share DOUBLE,
    service_brake_share DOUBLE,
    low_air_warning_share DOUBLE,
    compressor_loaded_share DOUBLE
);

-- Since when raw samples are kept, and which hours have been rewritten in order; at most one row each.
CREATE TABLE air.raw_since (t TIMESTAMP NOT NULL);
CREATE TABLE air.compacted (hour TIMESTAMP NOT NULL, n_samples BIGINT NOT NULL);

CREATE TABLE air.governor_events (
    fleet VARCHAR NOT NULL, unit VARCHAR NOT NULL, t TIMESTAMP NOT NULL, kind VARCHAR NOT NULL, supply_kpa DOUBLE
);

CREATE TABLE air.fault_reports (  -- a controller said what is active at t; no row in fault_codes for it: nothing is
    fleet VARCHAR NOT NULL, unit VARCHAR NOT NULL, t TIMESTAMP NOT NULL, source_address SMALLINT
);

CREATE TABLE air.fault_codes (
    fleet VARCHAR NOT NULL, unit VARCHAR NOT NULL, t TIMESTAMP NOT NULL, source_address SMALLINT,
    spn INTEGER NOT NULL, fmi SMALLINT NOT NULL, count SMALLINT
);

CREATE TABLE air.lamp_events (
    fleet VARCHAR NOT NULL, unit VARCHAR NOT NULL, t TIMESTAMP NOT NULL, lamp VARCHAR NOT NULL, is_on BOOLEAN NOT NULL
);

-- The ledger: one row for each accepted message, with the batch (commit) that holds it and what it added.
CREATE TABLE air.messages (
    batch BIGINT NOT NULL,
    fleet VARCHAR NOT NULL,
    unit VARCHAR NOT NULL,
    stream VARCHAR NOT NULL,
    seq BIGINT,
    received TIMESTAMP NOT NULL,
    encoding VARCHAR NOT NULL,
    bytes BIGINT NOT NULL,
    t_first TIMESTAMP,          -- the time span of its rows
    t_last TIMESTAMP,
    trailer VARCHAR,            -- '' bobtail, null not known
    n_rows BIGINT NOT NULL,     -- rows it carried
    n_cells BIGINT NOT NULL,    -- values in the columns that it had
    n_null BIGINT NOT NULL,     -- of them, null as they came
    n_new BIGINT NOT NULL,      -- rows that were not there yet
    n_filled BIGINT NOT NULL,   -- samples that were there and gained a value
    n_conflicting BIGINT NOT NULL,  -- samples that were there with another value, which stays
    n_out_of_range BIGINT NOT NULL, -- values that the bus can't carry, now null
    remark VARCHAR
);

CREATE TABLE air.rejects (
    received TIMESTAMP NOT NULL, topic VARCHAR NOT NULL, reason VARCHAR NOT NULL, content_type VARCHAR, payload BLOB NOT NULL
);

-- The registry as it was last given.
CREATE TABLE air.units (
    unit VARCHAR NOT NULL, fleet VARCHAR NOT NULL, kind VARCHAR NOT NULL, axles INTEGER, trailer_towing BOOLEAN,
    rule_set VARCHAR NOT NULL, home_shop VARCHAR, supply_l DOUBLE, primary_l DOUBLE, secondary_l DOUBLE, required_l DOUBLE,
    compressor_cc DOUBLE, governed_rpm DOUBLE, cut_out_kpa DOUBLE, chambers VARCHAR
);

-- What derivation made.
CREATE TABLE air.runs (
    fleet VARCHAR NOT NULL, unit VARCHAR NOT NULL, run_start TIMESTAMP NOT NULL, run_end TIMESTAMP NOT NULL, n_samples BIGINT NOT NULL
);

CREATE TABLE air.readings (
    fleet VARCHAR NOT NULL,
    unit VARCHAR NOT NULL,
    trailer VARCHAR,
    circuit VARCHAR,
    "check" VARCHAR NOT NULL,
    "start" TIMESTAMP NOT NULL,
    "end" TIMESTAMP NOT NULL,
    value DOUBLE,
    lower DOUBLE,
    upper DOUBLE,
    measure VARCHAR NOT NULL,
    limit_low DOUBLE,
    limit_high DOUBLE,
    rule VARCHAR,
    verdict VARCHAR NOT NULL,
    note VARCHAR,
    test VARCHAR,               -- which test of the check, where there are several
    part VARCHAR,               -- a wheel end, say
    state VARCHAR,              -- of a fault: active, intermittent or cleared
    run_start TIMESTAMP         -- the run it belongs to, null where it belongs to none
);

CREATE TABLE air.alerts (
    id VARCHAR NOT NULL,
    fleet VARCHAR NOT NULL,
    unit VARCHAR NOT NULL,
    trailer VARCHAR,
    fault VARCHAR NOT NULL,
    circuit VARCHAR,
    severity VARCHAR NOT NULL,
    confidence DOUBLE NOT NULL,
    opened TIMESTAMP NOT NULL,
    updated TIMESTAMP NOT NULL,
    crossing_early TIMESTAMP,
    crossing_likely TIMESTAMP,
    crossing_late TIMESTAMP,
    state VARCHAR NOT NULL,
    summary VARCHAR NOT NULL,
    details VARCHAR NOT NULL    -- explanations and evidence, JSON
);

-- Each change of an alert, by people and by readings; rows are only added.
CREATE TABLE air.alert_history (
    event VARCHAR NOT NULL,
    alert VARCHAR NOT NULL,
    "at" TIMESTAMP NOT NULL,      -- data time from which it holds
    recorded TIMESTAMP NOT NULL,
    who VARCHAR NOT NULL,
    change VARCHAR NOT NULL,
    state VARCHAR NOT NULL,       -- after it
    reason VARCHAR NOT NULL,
    until TIMESTAMP,              -- end of a silence
    severity VARCHAR NOT NULL,
    fault VARCHAR NOT NULL,
    fleet VARCHAR NOT NULL,       -- of a withdrawn alert nothing else is left
    unit VARCHAR NOT NULL,
    trailer VARCHAR
);

-- What became of a change for each who is told of it; rows are only added, the last one holds.
CREATE TABLE air.notify_outbox (
    event_id VARCHAR NOT NULL,
    target VARCHAR NOT NULL,
    state VARCHAR NOT NULL,
    "at" TIMESTAMP NOT NULL,
    reason VARCHAR,
    attempts BIGINT NOT NULL
);

CREATE TABLE air.derive_marks (job VARCHAR NOT NULL, batch BIGINT NOT NULL);

-- What came in and what did not, by unit, stream and day.
CREATE TABLE air.data_quality (
    fleet VARCHAR NOT NULL,
    unit VARCHAR NOT NULL,
    stream VARCHAR NOT NULL,
    day DATE NOT NULL,
    n_messages BIGINT NOT NULL,
    n_rows BIGINT NOT NULL,
    n_repeated BIGINT NOT NULL,
    n_conflicting BIGINT NOT NULL,
    n_out_of_range BIGINT NOT NULL,
    null_share DOUBLE,
    first_t TIMESTAMP NOT NULL,
    last_t TIMESTAMP NOT NULL,
    n_gaps BIGINT NOT NULL,
    longest_gap_s DOUBLE,
    n_missing BIGINT NOT NULL,
    n_restarts BIGINT NOT NULL,
    n_out_of_order BIGINT NOT NULL,
    lateness_median_s DOUBLE,
    lateness_max_s DOUBLE,
    clock_offset_s DOUBLE,
    flags VARCHAR NOT NULL
);

-- Recordings whose landing was interrupted.
CREATE TABLE air.unfinished_files (key VARCHAR NOT NULL, name VARCHAR NOT NULL, position BIGINT NOT NULL, line BIGINT NOT NULL);
