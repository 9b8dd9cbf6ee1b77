-- The shop's plan. Rows are only added: of each thing the last one holds, and the others say what it was before.

-- The shop's own description (bays, people, hours, campaigns), as its file gave it.
CREATE TABLE air.shop_setups (
    setup BIGINT NOT NULL,
    shop VARCHAR NOT NULL,
    recorded TIMESTAMP NOT NULL,
    who VARCHAR NOT NULL,
    why VARCHAR NOT NULL,
    description VARCHAR NOT NULL   -- TOML
);

-- Times at which a bay is taken by something else than planned work; `kept` or `cancelled`.
CREATE TABLE air.appointments (
    shop VARCHAR NOT NULL,
    appointment VARCHAR NOT NULL,
    recorded TIMESTAMP NOT NULL,
    who VARCHAR NOT NULL,
    why VARCHAR NOT NULL,
    state VARCHAR NOT NULL,
    bay VARCHAR NOT NULL,
    "start" TIMESTAMP NOT NULL,
    "end" TIMESTAMP NOT NULL,
    fleet VARCHAR,
    vehicle VARCHAR,
    note VARCHAR NOT NULL
);

-- When a vehicle is `home` or `away`; `unknown` takes back what was said of that time.
CREATE TABLE air.unit_times (
    fleet VARCHAR NOT NULL,
    vehicle VARCHAR NOT NULL,
    "start" TIMESTAMP NOT NULL,
    "end" TIMESTAMP NOT NULL,
    state VARCHAR NOT NULL,
    recorded TIMESTAMP NOT NULL,
    who VARCHAR NOT NULL
);

CREATE TABLE air.plans (
    plan BIGINT NOT NULL,
    shop VARCHAR NOT NULL,
    setup BIGINT NOT NULL,
    recorded TIMESTAMP NOT NULL,
    who VARCHAR NOT NULL,
    why VARCHAR NOT NULL,
    "begin" TIMESTAMP NOT NULL,
    "end" TIMESTAMP NOT NULL,
    risk DOUBLE NOT NULL,
    cost DOUBLE NOT NULL,
    bound DOUBLE NOT NULL,
    seconds DOUBLE NOT NULL,
    found_by VARCHAR NOT NULL
);

CREATE TABLE air.plan_jobs (
    plan BIGINT NOT NULL,
    job VARCHAR NOT NULL,          -- the alert
    fleet VARCHAR NOT NULL,
    vehicle VARCHAR NOT NULL,
    bay VARCHAR,                   -- null: does not fit
    slot TIMESTAMP,
    is_fixed BOOLEAN NOT NULL,     -- by somebody
    parts_here TIMESTAMP,          -- ordered when it was planned first
    chance_before DOUBLE,
    risk DOUBLE,
    day_later DOUBLE,
    is_late BOOLEAN NOT NULL,
    why VARCHAR NOT NULL
);

-- Each change of a work order, with all of it as it was afterwards.
CREATE TABLE air.work_order_changes (
    work_order VARCHAR NOT NULL,
    "sequence" BIGINT NOT NULL,
    recorded TIMESTAMP NOT NULL,
    "at" TIMESTAMP NOT NULL,       -- from when it holds: when the work was done, say
    who VARCHAR NOT NULL,
    change VARCHAR NOT NULL,       -- planned, moved, in_work, done, cancelled
    state VARCHAR NOT NULL,        -- planned, in_work, done, cancelled
    reason VARCHAR NOT NULL,
    plan BIGINT NOT NULL,
    shop VARCHAR NOT NULL,
    fleet VARCHAR NOT NULL,
    vehicle VARCHAR NOT NULL,
    jobs VARCHAR[] NOT NULL,
    bay VARCHAR NOT NULL,
    slot TIMESTAMP NOT NULL,
    "start" TIMESTAMP NOT NULL,
    "end" TIMESTAMP NOT NULL,
    work_h DOUBLE NOT NULL,
    people VARCHAR[] NOT NULL
);
