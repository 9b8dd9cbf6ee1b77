-- Times are seconds since 1970-01-01 UTC. Of what lets somebody in (passwords, session ids, tokens) only hashes are kept.

CREATE TABLE settings (name TEXT PRIMARY KEY, value BLOB NOT NULL) STRICT;

CREATE TABLE accounts (
    name TEXT PRIMARY KEY COLLATE NOCASE,
    role TEXT NOT NULL,
    sees_all INTEGER NOT NULL CHECK (sees_all IN (0, 1)),   -- all fleets, those to come included
    password TEXT,                      -- PHC string; null: signs in at the identity provider only
    issuer TEXT,                        -- of an account of an identity provider, with its subject there
    subject TEXT,
    is_disabled INTEGER NOT NULL DEFAULT 0 CHECK (is_disabled IN (0, 1)),
    made_s REAL NOT NULL,
    password_s REAL,                    -- when the password was last set
    pressure TEXT,                      -- what the person wants to see; null: nothing was chosen
    zone TEXT,
    CHECK ((issuer IS NULL) = (subject IS NULL)),
    UNIQUE (issuer, subject)
) STRICT;

CREATE TABLE account_fleets (
    account TEXT NOT NULL COLLATE NOCASE REFERENCES accounts (name) ON DELETE CASCADE,
    fleet TEXT NOT NULL,
    PRIMARY KEY (account, fleet)
) STRICT, WITHOUT ROWID;

CREATE TABLE sessions (
    id BLOB PRIMARY KEY,                -- SHA-256 of the id in the cookie
    account TEXT NOT NULL COLLATE NOCASE REFERENCES accounts (name) ON DELETE CASCADE,
    form_key TEXT NOT NULL,             -- what every form of this session carries
    began_s REAL NOT NULL,
    seen_s REAL NOT NULL,
    ends_s REAL NOT NULL,
    address TEXT NOT NULL
) STRICT;
CREATE INDEX sessions_of ON sessions (account);

CREATE TABLE tokens (
    id TEXT PRIMARY KEY,
    secret BLOB NOT NULL UNIQUE,        -- SHA-256 of the whole token
    account TEXT NOT NULL COLLATE NOCASE REFERENCES accounts (name) ON DELETE CASCADE,
    label TEXT NOT NULL,
    scope TEXT NOT NULL,
    sees_all INTEGER NOT NULL CHECK (sees_all IN (0, 1)),   -- all fleets of its account
    made_s REAL NOT NULL,
    ends_s REAL NOT NULL,
    revoked_s REAL,
    used_s REAL,
    used_from TEXT
) STRICT;
CREATE INDEX tokens_of ON tokens (account);

CREATE TABLE token_fleets (
    token TEXT NOT NULL REFERENCES tokens (id) ON DELETE CASCADE,
    fleet TEXT NOT NULL,
    PRIMARY KEY (token, fleet)
) STRICT, WITHOUT ROWID;

-- Failed attempts to sign in, counted by account and browser or by address.
CREATE TABLE attempts (bucket TEXT PRIMARY KEY, failed INTEGER NOT NULL, last_s REAL NOT NULL) STRICT, WITHOUT ROWID;

-- Who did what, when and from where, and what came of it. Rows are only added.
CREATE TABLE audit (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    at_s REAL NOT NULL,
    who TEXT NOT NULL,
    via TEXT NOT NULL,                  -- session, token, open, sign-in, command
    address TEXT NOT NULL,
    action TEXT NOT NULL,
    what TEXT NOT NULL,                 -- the account, token or alert that it was about
    result TEXT NOT NULL,               -- done, refused
    detail TEXT NOT NULL
) STRICT;
CREATE TRIGGER audit_is_not_changed BEFORE UPDATE ON audit BEGIN SELECT RAISE(ABORT, 'audit rows are only added'); END;
CREATE TRIGGER audit_is_not_deleted BEFORE DELETE ON audit BEGIN SELECT RAISE(ABORT, 'audit rows are only added'); END;
