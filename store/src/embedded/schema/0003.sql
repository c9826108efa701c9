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

-- Entries that are refused only because their time is ahead of the clock come back when it has passed.
CREATE INDEX quarantine_ahead ON quarantine (measured_at)
WHERE measured_at IS NOT NULL AND impossible_device IS NULL;
