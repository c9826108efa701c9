-- One row of each table as the first schema had them; it must open for ever.
INSERT INTO series (id, device, channel, unit) VALUES (1, 'sc-1', 'weight', 'kg'), (300, 'sc-2', 'co2', 'ppm');
INSERT INTO position VALUES ('compacted', 6), ('settled', 6);
INSERT INTO apiary_item VALUES ('revision', '', '1');
INSERT INTO recorded_fill VALUES ('north-01-f', 1788238800000, 3.0, '2:1');
INSERT INTO quarantine (received_at, last_at, count, topic, retained, reason, fingerprint, bytes)
    VALUES (1788238800000, 1788238800000, 1, 'larder/sc-1/readings', 0, 'not JSON', 17, x'7b');
INSERT INTO impossible (device, channel, time) VALUES ('sc-1', 'weight', 1788238800000);
INSERT INTO device VALUES ('sc-1', 1788238800000);
INSERT INTO attribute VALUES ('sc-1', 'firmware', '"1.2"', 1788238800000);
INSERT INTO uptake VALUES ('north-01-f', '2026-09-01', 0.5, 0.4, 0.6, 3.0, 2.5, 3.5, 0.4, 1.0);
INSERT INTO weight VALUES ('north-01', '2026-09-01', 41.0, 40.5, 41.5, -0.0, NULL, 0.1, 0.0, 'good');
INSERT INTO fill_event VALUES ('north-01-f', 1788238800000, 3.0, 2.5, 3.5, '2:1', 'recorded');
INSERT INTO learned VALUES ('north-01', 'sc-1', 'weight', 'noise', '2026-09-01', 0, 0.1, 0.05, 0.15);
INSERT INTO flag VALUES ('north-01-empty-1', 'empty', 1788238800000, NULL, NULL, 1788238800000, NULL,
    'north', 'north-01', 'north-01-f', NULL, 'urgent', 0.9, '{"v":"1","template":"Took nothing."}');
INSERT INTO flag_care (flag, act, value, who, at) VALUES ('north-01-empty-1', 'acknowledge', 'yes', 'ada', 1788238800000);
INSERT INTO setting VALUES ('units', 'us');
INSERT INTO apiary_item VALUES ('yard', 'north',
    '{"v":"1","name":"North terrace","timezone":"America/New_York","latitude":41.2,"longitude":-77.3,"weather":null}');
INSERT INTO person VALUES ('ada', '{"v":"1","name":"Ada","ways":[["mail","ada@example.org"]],"yards":[],"kinds":[],"from_severity":"warning","quiet":null,"digest_at":null,"units":null,"since":1788238800000}');
