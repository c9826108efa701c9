//! What came of a message.

use super::decode_error::{DecodeError, DecodeErrorClass};
use super::{MAX_PAYLOAD_BYTES, Message};
use larder_domain::{ChannelName, ChannelRef, DeviceId, Reading, Timestamp, Unit};
use larder_store::{Attribute, Refused};
use std::cell::Cell;
use std::collections::BTreeSet;

/// Bytes of refused records kept for one message: every bad record is kept with the whole message,
/// so a hostile pack of a thousand bad records would otherwise grow a thousandfold. Records beyond
/// it share one entry that says how many they are.
const MAX_REFUSED_BYTES: usize = 8 * 1024 * 1024;
/// A reason is one line of at most this many characters.
const MAX_REASON_CHARS: usize = 400;

/// Readings, attributes and refusals of one message.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Decoded {
    /// What was measured, in the message's order.
    pub readings: Vec<Reading>,
    /// What devices say about themselves.
    pub attributes: Vec<Attribute>,
    /// What could not be read, with its reason.
    pub refused: Vec<Refused>,
    /// The kinds of fault in `refused`, one for each fault, for counting.
    pub faults: Vec<DecodeErrorClass>,
    /// The devices that spoke, whether or not their values were possible.
    pub heard: Vec<DeviceId>,
    /// The time of receipt is the time of some of it: the message says none of its own.
    pub is_dated_by_receipt: bool,
    /// Set where a network server's message is neither a reading nor an error.
    pub event: Option<Event>,
}

/// Messages of a network server that carry no reading.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Event {
    /// A device joined the network.
    Join,
    /// A downlink was acknowledged or handed to a gateway.
    Acknowledgement,
    /// A log line, a location, a status without values.
    Other,
    /// An uplink that somebody simulated.
    Simulated,
    /// An uplink without a payload.
    Empty,
}

impl Event {
    /// The word in metrics.
    pub fn name(self) -> &'static str {
        match self {
            Self::Join => "join",
            Self::Acknowledgement => "acknowledgement",
            Self::Other => "other",
            Self::Simulated => "simulated",
            Self::Empty => "empty",
        }
    }
}

/// Collects what the readers find.
pub(super) struct Collector<'a> {
    message: &'a Message,
    now: Timestamp,
    decoded: Decoded,
    heard: BTreeSet<DeviceId>,
    /// Faults of the record that is being read.
    pending: Vec<DecodeError>,
    /// Set where one record alone is wanted.
    only: Option<usize>,
    /// The time of receipt was asked for.
    is_dated_by_receipt: Cell<bool>,
    /// Bad records beyond [`MAX_REFUSED_BYTES`], and the reason of the first of them.
    beyond: (usize, Option<String>),
}

impl<'a> Collector<'a> {
    pub fn new(message: &'a Message, now: Timestamp) -> Self {
        Self {
            message,
            now,
            decoded: Decoded::default(),
            heard: BTreeSet::new(),
            pending: Vec::new(),
            only: None,
            is_dated_by_receipt: Cell::new(false),
            beyond: (0, None),
        }
    }

    /// Keeps what this record says, and nothing else.
    pub fn only(mut self, index: u32) -> Self {
        self.only = usize::try_from(index).ok();
        self
    }

    /// The time of receipt, where that says when something was measured: not for a retained message.
    pub fn receipt(&self) -> Result<Timestamp, DecodeError> {
        if self.message.retained {
            Err(DecodeError::retained())
        } else {
            self.is_dated_by_receipt.set(true);
            Ok(self.message.received_at)
        }
    }

    /// A time that is wrong for a whole record, said once and not for each of its values.
    pub fn check_time(&self, time: Timestamp) -> Result<(), DecodeError> {
        super::moment::check(time, self.now)
    }

    /// Reads one record; whatever is wrong with it becomes one entry.
    pub fn record(
        &mut self,
        index: usize,
        read: impl FnOnce(&mut Self) -> Result<(), DecodeError>,
    ) {
        let before = (self.decoded.readings.len(), self.decoded.attributes.len());
        if let Err(fault) = read(self) {
            self.pending.push(fault);
        }
        if self.only.is_some_and(|wanted| wanted != index) {
            // Read all the same: later records rest on its base fields.
            self.decoded.readings.truncate(before.0);
            self.decoded.attributes.truncate(before.1);
            self.pending.clear();
            return;
        }
        let faults = std::mem::take(&mut self.pending);
        if !faults.is_empty() {
            self.refuse(Some(index), faults);
        }
    }

    /// Nothing of the message can be used.
    pub fn refuse_message(&mut self, fault: DecodeError) {
        self.pending.clear();
        self.refuse(None, vec![fault]);
    }

    /// Notes a fault of the record that is being read, and goes on with the rest of it.
    pub fn fault(&mut self, fault: DecodeError) {
        self.pending.push(fault);
    }

    pub fn heard(&mut self, device: &DeviceId) {
        if !self.heard.contains(device) {
            self.heard.insert(device.clone());
        }
    }

    pub fn event(&mut self, event: Event) {
        self.decoded.event = Some(event);
    }

    /// Checks a value and takes it in as a reading.
    pub fn reading(
        &mut self,
        device: &DeviceId,
        channel: &ChannelName,
        unit: Option<Unit>,
        time: Timestamp,
        value: f64,
    ) -> Result<(), DecodeError> {
        // Adding zero turns a negative zero into zero, so that one value has one form.
        let checked = Reading::check(
            device.clone(),
            channel.clone(),
            unit,
            time,
            value + 0.0,
            self.now,
        );
        let reading = checked.map_err(|refusal| {
            DecodeError::refusal(&refusal, || {
                let series = ChannelRef {
                    device: device.clone(),
                    channel: channel.clone(),
                };
                (series, time)
            })
        })?;
        self.decoded.readings.push(reading);
        Ok(())
    }

    /// Takes in what a device says about itself. `value_json` is its JSON text.
    pub fn attribute(
        &mut self,
        device: &DeviceId,
        name: &str,
        value_json: String,
        time: Timestamp,
    ) -> Result<(), DecodeError> {
        const LONGEST_NAME: usize = 64;
        if name.is_empty() || name.chars().count() > LONGEST_NAME {
            return Err(DecodeError::name(format!(
                "a name must have 1 to {LONGEST_NAME} characters, not {}",
                super::decode_error::quoted(name)
            )));
        }
        self.check_time(time)?;
        self.decoded.attributes.push(Attribute {
            device: device.clone(),
            name: name.to_owned(),
            value_json,
            time,
        });
        Ok(())
    }

    pub fn finish(mut self) -> Decoded {
        if let (count @ 1.., Some(first)) = &self.beyond {
            let reason = format!("{count} more records of this message, the first: {first}");
            let entry = self.entry(None, reason, None);
            self.decoded.refused.push(entry);
        }
        self.decoded.heard = self.heard.into_iter().collect();
        self.decoded.is_dated_by_receipt = self.is_dated_by_receipt.get();
        self.decoded
    }

    fn refuse(&mut self, index: Option<usize>, faults: Vec<DecodeError>) {
        let mut reasons: Vec<&str> = Vec::new();
        for fault in &faults {
            if !reasons.contains(&fault.reason.as_str()) {
                reasons.push(&fault.reason);
            }
        }
        let reason = one_line(&reasons.join("; "));
        let impossible = faults.iter().find_map(|fault| fault.impossible.clone());
        // Only where nothing else is wrong will time mend it.
        let is_early = faults.iter().all(|fault| fault.ahead.is_some());
        let ahead = faults.iter().filter_map(|fault| fault.ahead).max();
        let ahead = ahead.filter(|_| is_early);
        self.decoded.faults.extend(faults.iter().map(|f| f.class));
        let held = self.decoded.refused.len() * self.message.payload.len();
        if held > MAX_REFUSED_BYTES {
            self.beyond.0 += 1;
            self.beyond.1.get_or_insert(reason);
            return;
        }
        let mut entry = self.entry(index, reason, impossible);
        entry.measured_at = entry.measured_at.or(ahead);
        self.decoded.refused.push(entry);
    }

    fn entry(
        &self,
        index: Option<usize>,
        mut reason: String,
        impossible: Option<(ChannelRef, Timestamp)>,
    ) -> Refused {
        let bytes = &self.message.payload;
        let (impossible, measured_at) = impossible.unzip();
        let kept = bytes.len().min(MAX_PAYLOAD_BYTES);
        if kept < self.message.bytes() {
            reason.push_str(&format!("; only the first {kept} are kept"));
        }
        Refused {
            received_at: self.message.received_at,
            topic: self.message.topic.clone(),
            bytes: bytes[..kept].to_vec(),
            content_type: self.message.content_type.clone(),
            retained: self.message.retained,
            reason,
            record: index.and_then(|i| u32::try_from(i).ok()),
            impossible,
            measured_at,
        }
    }
}

fn one_line(reason: &str) -> String {
    let mut line: String = reason
        .chars()
        .take(MAX_REASON_CHARS)
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect();
    if reason.chars().nth(MAX_REASON_CHARS).is_some() {
        line.push('…');
    }
    line
}
