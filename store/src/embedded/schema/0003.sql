-- When messages without a time of their own were received. A broker or a device that was not told that
-- such a message is stored sends it again; it then keeps its first time and counts once.
CREATE TABLE receipt (
    sender TEXT NOT NULL,
    slot INTEGER NOT NULL,
    fingerprint INTEGER NOT NULL,
    received_at INTEGER NOT NULL,
    sum INTEGER NOT NULL,
    PRIMARY KEY (sender, slot)
) STRICT, WITHOUT ROWID;
