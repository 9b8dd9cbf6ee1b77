-- The first schema. Telemetry tables have no key, index, sequence, default or check: a lake catalog has none of them.
-- Every time is UTC. Every name is written with its catalog.

CREATE TABLE air.samples (
    fleet VARCHAR NOT NULL,
    unit VARCHAR NOT NULL,
    t TIMESTAMP NOT NULL,
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
    n_rows BIGINT NOT NULL,     -- rows it carried
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
    summary VARCHAR NOT NULL
);

CREATE TABLE air.derive_marks (job VARCHAR NOT NULL, batch BIGINT NOT NULL);
