-- Hand measurements, campaigns, forecasts and outcomes. Rows are only added. A correction is a row that names the one it
-- replaces, with who, when and why; what nobody replaces, and is not void, holds.

CREATE TABLE air.hand_entries (
    id VARCHAR NOT NULL,            -- made by whoever enters it, so that an entry sent twice lands once
    fleet VARCHAR NOT NULL,
    unit VARCHAR NOT NULL,
    taken_at TIMESTAMP NOT NULL,
    "by" VARCHAR NOT NULL,          -- who measured
    item VARCHAR NOT NULL,
    "position" VARCHAR,
    "value" DOUBLE,                 -- as typed, in `measure`
    measure VARCHAR,
    finding VARCHAR,
    note VARCHAR,
    is_confirmed BOOLEAN NOT NULL,  -- somebody insisted on an entry that was asked back
    recorded TIMESTAMP NOT NULL,
    replaces VARCHAR,
    who VARCHAR NOT NULL,           -- who entered or corrected it
    reason VARCHAR,                 -- of a correction
    is_void BOOLEAN NOT NULL        -- takes back what it replaces and puts nothing in its place
);

CREATE TABLE air.campaigns (
    id VARCHAR NOT NULL,            -- of this row; the campaign is the row it goes back to
    campaign VARCHAR NOT NULL,
    name VARCHAR NOT NULL,
    fleet VARCHAR NOT NULL,
    first_day DATE NOT NULL,
    last_day DATE NOT NULL,
    items VARCHAR NOT NULL,         -- focus items, `;`-joined
    recorded TIMESTAMP NOT NULL,
    replaces VARCHAR,
    who VARCHAR NOT NULL,
    reason VARCHAR,
    is_void BOOLEAN NOT NULL
);

-- What was forecast and when. A later forecast stands beside an earlier one, so that outcomes are held against what was said before.
CREATE TABLE air.campaign_forecasts (
    campaign VARCHAR NOT NULL,
    made_at TIMESTAMP NOT NULL,
    fleet VARCHAR NOT NULL,
    unit VARCHAR NOT NULL,
    item VARCHAR NOT NULL,
    chance DOUBLE,                  -- null: unknown
    at_most DOUBLE,
    answer VARCHAR NOT NULL,
    rests_on VARCHAR NOT NULL,
    lacks VARCHAR
);

CREATE TABLE air.campaign_outcomes (
    id VARCHAR NOT NULL,
    campaign VARCHAR NOT NULL,
    fleet VARCHAR NOT NULL,
    unit VARCHAR NOT NULL,
    item VARCHAR NOT NULL,
    passed BOOLEAN NOT NULL,
    seen_at TIMESTAMP NOT NULL,
    note VARCHAR,
    recorded TIMESTAMP NOT NULL,
    replaces VARCHAR,
    who VARCHAR NOT NULL,
    reason VARCHAR,
    is_void BOOLEAN NOT NULL
);
