-- A checksum in each row, so that a bit that flips on the disk shows when the row is read. `row_sum` is
-- ours (src/embedded/seal.rs): a program without it can read these tables and cannot write them. The
-- readings themselves (hot, block) carry checksums of their own. A row that was damaged is not sealed
-- anew by a change of a part of it. Who writes many rows gives their sums along: a trigger costs as much
-- as the row.

ALTER TABLE series ADD COLUMN sum INTEGER NOT NULL DEFAULT 0;
UPDATE series SET sum = row_sum('series', id, device, channel, unit, first_time, last_time, last_bits);
CREATE TRIGGER series_in AFTER INSERT ON series WHEN NEW.sum = 0 BEGIN
    UPDATE series SET sum = row_sum('series', id, device, channel, unit, first_time, last_time, last_bits)
    WHERE id = NEW.id;
END;
CREATE TRIGGER series_as AFTER UPDATE OF id, device, channel, unit, first_time, last_time, last_bits ON series
WHEN OLD.sum = row_sum('series', OLD.id, OLD.device, OLD.channel, OLD.unit, OLD.first_time, OLD.last_time,
    OLD.last_bits) BEGIN
    UPDATE series SET sum = row_sum('series', id, device, channel, unit, first_time, last_time, last_bits)
    WHERE id = NEW.id;
END;

ALTER TABLE position ADD COLUMN sum INTEGER NOT NULL DEFAULT 0;
UPDATE position SET sum = row_sum('position', name, log_id);
CREATE TRIGGER position_in AFTER INSERT ON position WHEN NEW.sum = 0 BEGIN
    UPDATE position SET sum = row_sum('position', name, log_id)
    WHERE name = NEW.name;
END;
CREATE TRIGGER position_as AFTER UPDATE OF name, log_id ON position
WHEN OLD.sum = row_sum('position', OLD.name, OLD.log_id) BEGIN
    UPDATE position SET sum = row_sum('position', name, log_id)
    WHERE name = NEW.name;
END;

ALTER TABLE change ADD COLUMN sum INTEGER NOT NULL DEFAULT 0;
UPDATE change SET sum = row_sum('change', device, channel, start_time, end_time);
CREATE TRIGGER change_in AFTER INSERT ON change WHEN NEW.sum = 0 BEGIN
    UPDATE change SET sum = row_sum('change', device, channel, start_time, end_time)
    WHERE device = NEW.device AND channel = NEW.channel;
END;
CREATE TRIGGER change_as AFTER UPDATE OF device, channel, start_time, end_time ON change
WHEN OLD.sum = row_sum('change', OLD.device, OLD.channel, OLD.start_time, OLD.end_time) BEGIN
    UPDATE change SET sum = row_sum('change', device, channel, start_time, end_time)
    WHERE device = NEW.device AND channel = NEW.channel;
END;

ALTER TABLE apiary_item ADD COLUMN sum INTEGER NOT NULL DEFAULT 0;
UPDATE apiary_item SET sum = row_sum('apiary_item', kind, id, body);
CREATE TRIGGER apiary_item_in AFTER INSERT ON apiary_item WHEN NEW.sum = 0 BEGIN
    UPDATE apiary_item SET sum = row_sum('apiary_item', kind, id, body)
    WHERE kind = NEW.kind AND id = NEW.id;
END;
CREATE TRIGGER apiary_item_as AFTER UPDATE OF kind, id, body ON apiary_item
WHEN OLD.sum = row_sum('apiary_item', OLD.kind, OLD.id, OLD.body) BEGIN
    UPDATE apiary_item SET sum = row_sum('apiary_item', kind, id, body)
    WHERE kind = NEW.kind AND id = NEW.id;
END;

ALTER TABLE recorded_fill ADD COLUMN sum INTEGER NOT NULL DEFAULT 0;
UPDATE recorded_fill SET sum = row_sum('recorded_fill', feeder, time, volume_l, strength);
CREATE TRIGGER recorded_fill_in AFTER INSERT ON recorded_fill WHEN NEW.sum = 0 BEGIN
    UPDATE recorded_fill SET sum = row_sum('recorded_fill', feeder, time, volume_l, strength)
    WHERE feeder = NEW.feeder AND time = NEW.time;
END;
CREATE TRIGGER recorded_fill_as AFTER UPDATE OF feeder, time, volume_l, strength ON recorded_fill
WHEN OLD.sum = row_sum('recorded_fill', OLD.feeder, OLD.time, OLD.volume_l, OLD.strength) BEGIN
    UPDATE recorded_fill SET sum = row_sum('recorded_fill', feeder, time, volume_l, strength)
    WHERE feeder = NEW.feeder AND time = NEW.time;
END;

ALTER TABLE quarantine ADD COLUMN sum INTEGER NOT NULL DEFAULT 0;
UPDATE quarantine SET sum = row_sum('quarantine', id, received_at, last_at, count, topic, content_type,
    retained, reason, record, impossible_device, impossible_channel, measured_at, fingerprint, bytes);
CREATE TRIGGER quarantine_in AFTER INSERT ON quarantine WHEN NEW.sum = 0 BEGIN
    UPDATE quarantine SET sum = row_sum('quarantine', id, received_at, last_at, count, topic, content_type,
        retained, reason, record, impossible_device, impossible_channel, measured_at, fingerprint, bytes)
    WHERE id = NEW.id;
END;
CREATE TRIGGER quarantine_as AFTER UPDATE OF id, received_at, last_at, count, topic, content_type, retained,
    reason, record, impossible_device, impossible_channel, measured_at, fingerprint, bytes ON quarantine
WHEN OLD.sum = row_sum('quarantine', OLD.id, OLD.received_at, OLD.last_at, OLD.count, OLD.topic,
    OLD.content_type, OLD.retained, OLD.reason, OLD.record, OLD.impossible_device, OLD.impossible_channel,
    OLD.measured_at, OLD.fingerprint, OLD.bytes) BEGIN
    UPDATE quarantine SET sum = row_sum('quarantine', id, received_at, last_at, count, topic, content_type,
        retained, reason, record, impossible_device, impossible_channel, measured_at, fingerprint, bytes)
    WHERE id = NEW.id;
END;

ALTER TABLE impossible ADD COLUMN sum INTEGER NOT NULL DEFAULT 0;
UPDATE impossible SET sum = row_sum('impossible', id, device, channel, time);
CREATE TRIGGER impossible_in AFTER INSERT ON impossible WHEN NEW.sum = 0 BEGIN
    UPDATE impossible SET sum = row_sum('impossible', id, device, channel, time)
    WHERE id = NEW.id;
END;
CREATE TRIGGER impossible_as AFTER UPDATE OF id, device, channel, time ON impossible
WHEN OLD.sum = row_sum('impossible', OLD.id, OLD.device, OLD.channel, OLD.time) BEGIN
    UPDATE impossible SET sum = row_sum('impossible', id, device, channel, time)
    WHERE id = NEW.id;
END;

ALTER TABLE device ADD COLUMN sum INTEGER NOT NULL DEFAULT 0;
UPDATE device SET sum = row_sum('device', id, last_heard);
CREATE TRIGGER device_in AFTER INSERT ON device WHEN NEW.sum = 0 BEGIN
    UPDATE device SET sum = row_sum('device', id, last_heard)
    WHERE id = NEW.id;
END;
CREATE TRIGGER device_as AFTER UPDATE OF id, last_heard ON device
WHEN OLD.sum = row_sum('device', OLD.id, OLD.last_heard) BEGIN
    UPDATE device SET sum = row_sum('device', id, last_heard)
    WHERE id = NEW.id;
END;

ALTER TABLE attribute ADD COLUMN sum INTEGER NOT NULL DEFAULT 0;
UPDATE attribute SET sum = row_sum('attribute', device, name, value_json, time);
CREATE TRIGGER attribute_in AFTER INSERT ON attribute WHEN NEW.sum = 0 BEGIN
    UPDATE attribute SET sum = row_sum('attribute', device, name, value_json, time)
    WHERE device = NEW.device AND name = NEW.name;
END;
CREATE TRIGGER attribute_as AFTER UPDATE OF device, name, value_json, time ON attribute
WHEN OLD.sum = row_sum('attribute', OLD.device, OLD.name, OLD.value_json, OLD.time) BEGIN
    UPDATE attribute SET sum = row_sum('attribute', device, name, value_json, time)
    WHERE device = NEW.device AND name = NEW.name;
END;

ALTER TABLE uptake ADD COLUMN sum INTEGER NOT NULL DEFAULT 0;
UPDATE uptake SET sum = row_sum('uptake', feeder, date, uptake_l, uptake_lo_l, uptake_hi_l, remaining_l,
    remaining_lo_l, remaining_hi_l, sugar_kg, sensed_share);
CREATE TRIGGER uptake_in AFTER INSERT ON uptake WHEN NEW.sum = 0 BEGIN
    UPDATE uptake SET sum = row_sum('uptake', feeder, date, uptake_l, uptake_lo_l, uptake_hi_l, remaining_l,
        remaining_lo_l, remaining_hi_l, sugar_kg, sensed_share)
    WHERE feeder = NEW.feeder AND date = NEW.date;
END;
CREATE TRIGGER uptake_as AFTER UPDATE OF feeder, date, uptake_l, uptake_lo_l, uptake_hi_l, remaining_l,
    remaining_lo_l, remaining_hi_l, sugar_kg, sensed_share ON uptake
WHEN OLD.sum = row_sum('uptake', OLD.feeder, OLD.date, OLD.uptake_l, OLD.uptake_lo_l, OLD.uptake_hi_l,
    OLD.remaining_l, OLD.remaining_lo_l, OLD.remaining_hi_l, OLD.sugar_kg, OLD.sensed_share) BEGIN
    UPDATE uptake SET sum = row_sum('uptake', feeder, date, uptake_l, uptake_lo_l, uptake_hi_l, remaining_l,
        remaining_lo_l, remaining_hi_l, sugar_kg, sensed_share)
    WHERE feeder = NEW.feeder AND date = NEW.date;
END;

ALTER TABLE weight ADD COLUMN sum INTEGER NOT NULL DEFAULT 0;
UPDATE weight SET sum = row_sum('weight', hive, date, weight_kg, weight_lo_kg, weight_hi_kg, net_change_kg,
    net_change_lo_kg, net_change_hi_kg, handling_kg, quality);
CREATE TRIGGER weight_in AFTER INSERT ON weight WHEN NEW.sum = 0 BEGIN
    UPDATE weight SET sum = row_sum('weight', hive, date, weight_kg, weight_lo_kg, weight_hi_kg,
        net_change_kg, net_change_lo_kg, net_change_hi_kg, handling_kg, quality)
    WHERE hive = NEW.hive AND date = NEW.date;
END;
CREATE TRIGGER weight_as AFTER UPDATE OF hive, date, weight_kg, weight_lo_kg, weight_hi_kg, net_change_kg,
    net_change_lo_kg, net_change_hi_kg, handling_kg, quality ON weight
WHEN OLD.sum = row_sum('weight', OLD.hive, OLD.date, OLD.weight_kg, OLD.weight_lo_kg, OLD.weight_hi_kg,
    OLD.net_change_kg, OLD.net_change_lo_kg, OLD.net_change_hi_kg, OLD.handling_kg, OLD.quality) BEGIN
    UPDATE weight SET sum = row_sum('weight', hive, date, weight_kg, weight_lo_kg, weight_hi_kg,
        net_change_kg, net_change_lo_kg, net_change_hi_kg, handling_kg, quality)
    WHERE hive = NEW.hive AND date = NEW.date;
END;

ALTER TABLE fill_event ADD COLUMN sum INTEGER NOT NULL DEFAULT 0;
UPDATE fill_event SET sum = row_sum('fill_event', feeder, time, volume_l, volume_lo_l, volume_hi_l,
    strength, source);
CREATE TRIGGER fill_event_in AFTER INSERT ON fill_event WHEN NEW.sum = 0 BEGIN
    UPDATE fill_event SET sum = row_sum('fill_event', feeder, time, volume_l, volume_lo_l, volume_hi_l,
        strength, source)
    WHERE feeder = NEW.feeder AND time = NEW.time;
END;
CREATE TRIGGER fill_event_as AFTER UPDATE OF feeder, time, volume_l, volume_lo_l, volume_hi_l, strength,
    source ON fill_event
WHEN OLD.sum = row_sum('fill_event', OLD.feeder, OLD.time, OLD.volume_l, OLD.volume_lo_l, OLD.volume_hi_l,
    OLD.strength, OLD.source) BEGIN
    UPDATE fill_event SET sum = row_sum('fill_event', feeder, time, volume_l, volume_lo_l, volume_hi_l,
        strength, source)
    WHERE feeder = NEW.feeder AND time = NEW.time;
END;

ALTER TABLE learned ADD COLUMN sum INTEGER NOT NULL DEFAULT 0;
UPDATE learned SET sum = row_sum('learned', hive, device, channel, trait, date, since, value, lo, hi);
CREATE TRIGGER learned_in AFTER INSERT ON learned WHEN NEW.sum = 0 BEGIN
    UPDATE learned SET sum = row_sum('learned', hive, device, channel, trait, date, since, value, lo, hi)
    WHERE hive = NEW.hive AND device = NEW.device AND channel = NEW.channel AND trait = NEW.trait AND date =
        NEW.date AND since = NEW.since;
END;
CREATE TRIGGER learned_as AFTER UPDATE OF hive, device, channel, trait, date, since, value, lo, hi ON learned
WHEN OLD.sum = row_sum('learned', OLD.hive, OLD.device, OLD.channel, OLD.trait, OLD.date, OLD.since,
    OLD.value, OLD.lo, OLD.hi) BEGIN
    UPDATE learned SET sum = row_sum('learned', hive, device, channel, trait, date, since, value, lo, hi)
    WHERE hive = NEW.hive AND device = NEW.device AND channel = NEW.channel AND trait = NEW.trait AND date =
        NEW.date AND since = NEW.since;
END;

ALTER TABLE flag ADD COLUMN sum INTEGER NOT NULL DEFAULT 0;
UPDATE flag SET sum = row_sum('flag', id, kind, opened_at, closed_at, known_at, changed_at, withdrawn_at,
    yard, hive, feeder, device, severity, probability, evidence);
CREATE TRIGGER flag_in AFTER INSERT ON flag WHEN NEW.sum = 0 BEGIN
    UPDATE flag SET sum = row_sum('flag', id, kind, opened_at, closed_at, known_at, changed_at,
        withdrawn_at, yard, hive, feeder, device, severity, probability, evidence)
    WHERE id = NEW.id;
END;
CREATE TRIGGER flag_as AFTER UPDATE OF id, kind, opened_at, closed_at, known_at, changed_at, withdrawn_at,
    yard, hive, feeder, device, severity, probability, evidence ON flag
WHEN OLD.sum = row_sum('flag', OLD.id, OLD.kind, OLD.opened_at, OLD.closed_at, OLD.known_at, OLD.changed_at,
    OLD.withdrawn_at, OLD.yard, OLD.hive, OLD.feeder, OLD.device, OLD.severity, OLD.probability,
    OLD.evidence) BEGIN
    UPDATE flag SET sum = row_sum('flag', id, kind, opened_at, closed_at, known_at, changed_at,
        withdrawn_at, yard, hive, feeder, device, severity, probability, evidence)
    WHERE id = NEW.id;
END;

ALTER TABLE flag_care ADD COLUMN sum INTEGER NOT NULL DEFAULT 0;
UPDATE flag_care SET sum = row_sum('flag_care', id, flag, act, value, who, at);
CREATE TRIGGER flag_care_in AFTER INSERT ON flag_care WHEN NEW.sum = 0 BEGIN
    UPDATE flag_care SET sum = row_sum('flag_care', id, flag, act, value, who, at)
    WHERE id = NEW.id;
END;
CREATE TRIGGER flag_care_as AFTER UPDATE OF id, flag, act, value, who, at ON flag_care
WHEN OLD.sum = row_sum('flag_care', OLD.id, OLD.flag, OLD.act, OLD.value, OLD.who, OLD.at) BEGIN
    UPDATE flag_care SET sum = row_sum('flag_care', id, flag, act, value, who, at)
    WHERE id = NEW.id;
END;

ALTER TABLE person ADD COLUMN sum INTEGER NOT NULL DEFAULT 0;
UPDATE person SET sum = row_sum('person', id, body);
CREATE TRIGGER person_in AFTER INSERT ON person WHEN NEW.sum = 0 BEGIN
    UPDATE person SET sum = row_sum('person', id, body)
    WHERE id = NEW.id;
END;
CREATE TRIGGER person_as AFTER UPDATE OF id, body ON person
WHEN OLD.sum = row_sum('person', OLD.id, OLD.body) BEGIN
    UPDATE person SET sum = row_sum('person', id, body)
    WHERE id = NEW.id;
END;

ALTER TABLE notice ADD COLUMN sum INTEGER NOT NULL DEFAULT 0;
UPDATE notice SET sum = row_sum('notice', id, person, way, address, kind, digest, made_at, state, tries,
    next_at, done_at, error);
CREATE TRIGGER notice_in AFTER INSERT ON notice WHEN NEW.sum = 0 BEGIN
    UPDATE notice SET sum = row_sum('notice', id, person, way, address, kind, digest, made_at, state, tries,
        next_at, done_at, error)
    WHERE id = NEW.id;
END;
CREATE TRIGGER notice_as AFTER UPDATE OF id, person, way, address, kind, digest, made_at, state, tries,
    next_at, done_at, error ON notice
WHEN OLD.sum = row_sum('notice', OLD.id, OLD.person, OLD.way, OLD.address, OLD.kind, OLD.digest,
    OLD.made_at, OLD.state, OLD.tries, OLD.next_at, OLD.done_at, OLD.error) BEGIN
    UPDATE notice SET sum = row_sum('notice', id, person, way, address, kind, digest, made_at, state, tries,
        next_at, done_at, error)
    WHERE id = NEW.id;
END;

ALTER TABLE told ADD COLUMN sum INTEGER NOT NULL DEFAULT 0;
UPDATE told SET sum = row_sum('told', person, way, address, flag, event, notice);
CREATE TRIGGER told_in AFTER INSERT ON told WHEN NEW.sum = 0 BEGIN
    UPDATE told SET sum = row_sum('told', person, way, address, flag, event, notice)
    WHERE person = NEW.person AND way = NEW.way AND address = NEW.address AND flag = NEW.flag AND event =
        NEW.event;
END;
CREATE TRIGGER told_as AFTER UPDATE OF person, way, address, flag, event, notice ON told
WHEN OLD.sum = row_sum('told', OLD.person, OLD.way, OLD.address, OLD.flag, OLD.event, OLD.notice) BEGIN
    UPDATE told SET sum = row_sum('told', person, way, address, flag, event, notice)
    WHERE person = NEW.person AND way = NEW.way AND address = NEW.address AND flag = NEW.flag AND event =
        NEW.event;
END;

ALTER TABLE last_digest ADD COLUMN sum INTEGER NOT NULL DEFAULT 0;
UPDATE last_digest SET sum = row_sum('last_digest', person, date);
CREATE TRIGGER last_digest_in AFTER INSERT ON last_digest WHEN NEW.sum = 0 BEGIN
    UPDATE last_digest SET sum = row_sum('last_digest', person, date)
    WHERE person = NEW.person;
END;
CREATE TRIGGER last_digest_as AFTER UPDATE OF person, date ON last_digest
WHEN OLD.sum = row_sum('last_digest', OLD.person, OLD.date) BEGIN
    UPDATE last_digest SET sum = row_sum('last_digest', person, date)
    WHERE person = NEW.person;
END;

ALTER TABLE hive_state ADD COLUMN sum INTEGER NOT NULL DEFAULT 0;
UPDATE hive_state SET sum = row_sum('hive_state', hive, payload);
CREATE TRIGGER hive_state_in AFTER INSERT ON hive_state WHEN NEW.sum = 0 BEGIN
    UPDATE hive_state SET sum = row_sum('hive_state', hive, payload)
    WHERE hive = NEW.hive;
END;
CREATE TRIGGER hive_state_as AFTER UPDATE OF hive, payload ON hive_state
WHEN OLD.sum = row_sum('hive_state', OLD.hive, OLD.payload) BEGIN
    UPDATE hive_state SET sum = row_sum('hive_state', hive, payload)
    WHERE hive = NEW.hive;
END;

ALTER TABLE setting ADD COLUMN sum INTEGER NOT NULL DEFAULT 0;
UPDATE setting SET sum = row_sum('setting', name, value);
CREATE TRIGGER setting_in AFTER INSERT ON setting WHEN NEW.sum = 0 BEGIN
    UPDATE setting SET sum = row_sum('setting', name, value)
    WHERE name = NEW.name;
END;
CREATE TRIGGER setting_as AFTER UPDATE OF name, value ON setting
WHEN OLD.sum = row_sum('setting', OLD.name, OLD.value) BEGIN
    UPDATE setting SET sum = row_sum('setting', name, value)
    WHERE name = NEW.name;
END;

-- What each topic has in the quarantine, without reading the messages.
CREATE INDEX quarantine_topic ON quarantine (topic, length(bytes));
