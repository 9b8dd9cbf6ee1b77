-- What pages ask for again and again, kept ready so that asking takes no longer the longer the history is.

-- The newest reading of each unit, check, circuit, test and part.
CREATE TABLE air.newest_readings AS
    SELECT * FROM air.readings
    QUALIFY row_number() OVER (
        PARTITION BY fleet, unit, "check", circuit, test, part ORDER BY "end" DESC, "start" DESC
    ) = 1;

-- The ledger summed up by unit, as far as the mark of the job `heard`; what came later stands in the ledger alone.
CREATE TABLE air.heard (
    fleet VARCHAR NOT NULL,
    unit VARCHAR NOT NULL,
    first_t TIMESTAMP,
    last_t TIMESTAMP,
    newest TIMESTAMP,           -- newest data time, or the arrival where that is earlier: a clock ahead makes nobody silent
    last_received TIMESTAMP NOT NULL,
    n_messages BIGINT NOT NULL,
    n_rows BIGINT NOT NULL,
    n_new BIGINT NOT NULL,
    n_conflicting BIGINT NOT NULL,
    n_out_of_range BIGINT NOT NULL
);

-- What people wrote of a unit; rows are only added. One that corrects another names it, and the other stays.
CREATE TABLE air.unit_notes (
    note VARCHAR NOT NULL,
    fleet VARCHAR NOT NULL,
    unit VARCHAR NOT NULL,
    recorded TIMESTAMP NOT NULL,
    who VARCHAR NOT NULL,
    text VARCHAR NOT NULL,
    corrects VARCHAR
);
