-- Times are milliseconds of UTC since 1970. Dates are ISO 8601 text.

-- Series of readings. `first_time`, `last_time` and `last_bits` are of what blocks hold; NULL: nothing yet.
-- `bits` is everywhere a value as an IEEE 754 bit pattern: REAL does not keep -0.0.
CREATE TABLE series (
    id INTEGER PRIMARY KEY,
    device TEXT NOT NULL,
    channel TEXT NOT NULL,
    unit TEXT NOT NULL,
    first_time INTEGER,
    last_time INTEGER,
    last_bits INTEGER,
    UNIQUE (device, channel)
) STRICT;

-- The log: readings in the order in which they came, one row for each append.
CREATE TABLE hot (
    id INTEGER PRIMARY KEY,
    readings BLOB NOT NULL
) STRICT;

-- Readings sorted by day (UTC) and series: id = day * 2^26 + series. `least` and `most` are bits,
-- `least_at` and `most_at` milliseconds from the start of the day.
CREATE TABLE block (
    id INTEGER PRIMARY KEY,
    n INTEGER NOT NULL,
    least INTEGER NOT NULL,
    least_at INTEGER NOT NULL,
    most INTEGER NOT NULL,
    most_at INTEGER NOT NULL,
    total REAL,
    readings BLOB NOT NULL
) STRICT;

-- How far the log is done with: `compacted` into blocks, `settled` by the processing stage.
CREATE TABLE position (
    name TEXT PRIMARY KEY,
    log_id INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

-- The backlog of the processing stage, as far as it does not follow from the log.
CREATE TABLE change (
    device TEXT NOT NULL,
    channel TEXT NOT NULL,
    start_time INTEGER NOT NULL,
    end_time INTEGER NOT NULL,
    PRIMARY KEY (device, channel)
) STRICT, WITHOUT ROWID;

-- The apiary: one versioned JSON record for each yard, hive, feeder and gateway.
CREATE TABLE apiary_item (
    kind TEXT NOT NULL,
    id TEXT NOT NULL,
    body TEXT NOT NULL,
    PRIMARY KEY (kind, id)
) STRICT, WITHOUT ROWID;

-- Fills that a keeper wrote down.
CREATE TABLE recorded_fill (
    feeder TEXT NOT NULL,
    time INTEGER NOT NULL,
    volume_l REAL,
    strength TEXT,
    PRIMARY KEY (feeder, time)
) STRICT, WITHOUT ROWID;

-- What could not be read. Numbers are never used twice.
CREATE TABLE quarantine (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    received_at INTEGER NOT NULL,
    last_at INTEGER NOT NULL,
    count INTEGER NOT NULL,
    topic TEXT NOT NULL,
    content_type TEXT,
    retained INTEGER NOT NULL,
    reason TEXT NOT NULL,
    record INTEGER,
    impossible_device TEXT,
    impossible_channel TEXT,
    measured_at INTEGER,
    fingerprint INTEGER NOT NULL,
    bytes BLOB NOT NULL
) STRICT;
CREATE INDEX quarantine_fingerprint ON quarantine (fingerprint);

-- Moments at which a value was refused as impossible; the newest of each device.
CREATE TABLE impossible (
    id INTEGER PRIMARY KEY,
    device TEXT NOT NULL,
    channel TEXT NOT NULL,
    time INTEGER NOT NULL
) STRICT;
CREATE INDEX impossible_device ON impossible (device, id);

CREATE TABLE device (
    id TEXT PRIMARY KEY,
    last_heard INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
CREATE TABLE attribute (
    device TEXT NOT NULL,
    name TEXT NOT NULL,
    value_json TEXT NOT NULL,
    time INTEGER NOT NULL,
    PRIMARY KEY (device, name)
) STRICT, WITHOUT ROWID;

-- What the processing stage found out. An estimate is three columns; no value: not known.
CREATE TABLE uptake (
    feeder TEXT NOT NULL,
    date TEXT NOT NULL,
    uptake_l REAL,
    uptake_lo_l REAL,
    uptake_hi_l REAL,
    remaining_l REAL,
    remaining_lo_l REAL,
    remaining_hi_l REAL,
    sugar_kg REAL,
    sensed_share REAL NOT NULL,
    PRIMARY KEY (feeder, date)
) STRICT, WITHOUT ROWID;
CREATE TABLE weight (
    hive TEXT NOT NULL,
    date TEXT NOT NULL,
    weight_kg REAL,
    weight_lo_kg REAL,
    weight_hi_kg REAL,
    net_change_kg REAL,
    net_change_lo_kg REAL,
    net_change_hi_kg REAL,
    handling_kg REAL NOT NULL,
    quality TEXT NOT NULL,
    PRIMARY KEY (hive, date)
) STRICT, WITHOUT ROWID;
CREATE TABLE fill_event (
    feeder TEXT NOT NULL,
    time INTEGER NOT NULL,
    volume_l REAL,
    volume_lo_l REAL,
    volume_hi_l REAL,
    strength TEXT,
    source TEXT NOT NULL,
    PRIMARY KEY (feeder, time)
) STRICT, WITHOUT ROWID;

-- What was learned of instruments, as of a day.
CREATE TABLE learned (
    hive TEXT NOT NULL,
    device TEXT NOT NULL,
    channel TEXT NOT NULL,
    trait TEXT NOT NULL,
    date TEXT NOT NULL,
    since INTEGER NOT NULL,
    value REAL NOT NULL,
    lo REAL NOT NULL,
    hi REAL NOT NULL,
    PRIMARY KEY (hive, device, channel, trait, date, since)
) STRICT, WITHOUT ROWID;
CREATE INDEX learned_device ON learned (device);

-- A flag keeps its `id` when its days are estimated again. `known_at`: when it was known first; NULL: it
-- was found in a record of the past. `evidence` is a versioned JSON record.
CREATE TABLE flag (
    id TEXT PRIMARY KEY,
    kind TEXT NOT NULL,
    opened_at INTEGER NOT NULL,
    closed_at INTEGER,
    known_at INTEGER,
    changed_at INTEGER NOT NULL,
    withdrawn_at INTEGER,
    yard TEXT,
    hive TEXT,
    feeder TEXT,
    device TEXT,
    severity TEXT NOT NULL,
    probability REAL NOT NULL,
    evidence TEXT NOT NULL
) STRICT, WITHOUT ROWID;
CREATE INDEX flag_yard ON flag (yard, opened_at);

-- What people did to flags, act by act. `value`: a time, a note's words, a verdict; NULL takes back.
CREATE TABLE flag_care (
    id INTEGER PRIMARY KEY,
    flag TEXT NOT NULL,
    act TEXT NOT NULL,
    value TEXT,
    who TEXT NOT NULL,
    at INTEGER NOT NULL
) STRICT;
CREATE INDEX flag_care_flag ON flag_care (flag);

-- Who is told of flags: a versioned JSON record each.
CREATE TABLE person (
    id TEXT PRIMARY KEY,
    body TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- Notices: the outbox and what became of them. `kind`: news, digest, test. `state`: waiting, sent,
-- given_up, moot.
CREATE TABLE notice (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    person TEXT NOT NULL,
    way TEXT NOT NULL,
    address TEXT NOT NULL,
    kind TEXT NOT NULL,
    digest TEXT,
    made_at INTEGER NOT NULL,
    state TEXT NOT NULL,
    tries INTEGER NOT NULL,
    next_at INTEGER NOT NULL,
    done_at INTEGER,
    error TEXT
) STRICT;
CREATE INDEX notice_state ON notice (state, next_at);

-- What was told, or is on its way: never twice.
CREATE TABLE told (
    person TEXT NOT NULL,
    way TEXT NOT NULL,
    address TEXT NOT NULL,
    flag TEXT NOT NULL,
    event TEXT NOT NULL,
    notice INTEGER NOT NULL,
    PRIMARY KEY (person, way, address, flag, event)
) STRICT, WITHOUT ROWID;
CREATE INDEX told_notice ON told (notice);
CREATE TABLE last_digest (
    person TEXT PRIMARY KEY,
    date TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- The retained state message of each hive as the broker has it.
CREATE TABLE hive_state (
    hive TEXT PRIMARY KEY,
    payload TEXT NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE setting (
    name TEXT PRIMARY KEY,
    value TEXT NOT NULL
) STRICT, WITHOUT ROWID;
