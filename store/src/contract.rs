//! The two traits that the other crates know, and the plain values that pass through them.
//! Both are synchronous; callers in async code use a blocking thread.

use crate::StoreError;
use chrono::NaiveDate;
use larder_domain::{
    Apiary, CareEntry, ChannelName, ChannelRef, DeviceId, FeederId, FillEvent, FlagId, HiveId,
    KeptFlag, Learned, Reading, RecordedFill, Sample, Span, Timestamp, Unit, UptakeDay, WeightDay,
    YardId,
};

/// What an append did. Every reading given is counted in exactly one of the first three or handed back
/// in the fourth.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Appended {
    /// Identities not seen before.
    pub new: u64,
    /// Identities whose value was another one; the new value stands now.
    pub replaced: u64,
    /// Identities that were there with the same value.
    pub repeated: u64,
    /// Readings that were not taken in: they belong into the quarantine ([`RefusedReading::into_refused`]).
    pub refused: Vec<RefusedReading>,
}

/// A reading that only the store could judge, and did not take in.
#[derive(Clone, PartialEq, Debug)]
pub struct RefusedReading {
    /// The reading.
    pub reading: Reading,
    /// Why not.
    pub why: Refusal,
}

/// Why a store does not take a reading in.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum Refusal {
    /// The channel is not known to the service, and its readings are kept in a unit of another quantity.
    /// What one value means must not depend on what came later, so the first unit stands.
    #[error(
        "the channel's readings are kept in {kept}, and this one is in {sent}: give the other quantity \
         a channel of its own"
    )]
    OtherUnit {
        /// The unit of the series.
        kept: Unit,
        /// The unit of this reading.
        sent: Unit,
    },
    /// There are [`MOST_UNDECLARED_DEVICES`].
    #[error(
        "the store knows {MOST_UNDECLARED_DEVICES} devices that nobody has declared and takes no more: \
         declare this one, then replay"
    )]
    TooManyDevices,
    /// The device has [`MOST_CHANNELS`].
    #[error("the device has {MOST_CHANNELS} channels already, and no more are kept")]
    TooManyChannels,
    /// Devices that nobody has declared have [`MOST_UNDECLARED_SERIES`] channels together.
    #[error(
        "devices that nobody has declared have {MOST_UNDECLARED_SERIES} channels already: declare this \
         one, then replay"
    )]
    TooManySeries,
}

/// Devices that nobody has declared and of which something is kept. Names cost memory for ever, and
/// anyone who may publish can make them up; a real operation declares its devices within days. Declared
/// ones are not counted. When full, readings of a further one go to the quarantine.
pub const MOST_UNDECLARED_DEVICES: usize = 10_000;

/// Channels of all devices that nobody has declared: some 40 megabytes. When full, a further channel goes
/// to the quarantine.
pub const MOST_UNDECLARED_SERIES: usize = 100_000;

/// Channels of one device: a logger for forty hives with six sensors each has 240. When full, a further
/// channel goes to the quarantine.
pub const MOST_CHANNELS: usize = 256;

/// Attributes kept of one device. When full, the known ones go on and new names are left out.
pub const MOST_ATTRIBUTES: usize = 64;

/// Bytes of an attribute's value; a longer text is cut there, and says so by its end.
pub const MOST_ATTRIBUTE_BYTES: usize = 1024;

/// Bytes of an attribute's name; one with a longer name is left out.
pub const MOST_ATTRIBUTE_NAME_BYTES: usize = 128;

/// Entries of the quarantine. When it is full, or when its bytes are too many, the oldest entries of the
/// topic with the most bytes go: whoever floods it pushes out their own. They are counted
/// ([`Records::quarantine_dropped`]).
pub const MOST_QUARANTINED: usize = 10_000;

/// Bytes of all messages in the quarantine.
pub const MOST_QUARANTINED_BYTES: u64 = 256 << 20;

/// Bytes of the messages of one topic, or one file, in the quarantine.
pub const MOST_QUARANTINED_BYTES_OF_TOPIC: u64 = 64 << 20;

/// Bytes of messages in one answer of [`Records::quarantined`]. The first entry always comes, whatever its
/// size.
pub const QUARANTINE_PAGE_BYTES: usize = 1 << 20;

/// Moments of impossible values kept of one device; the oldest go.
pub const MOST_IMPOSSIBLE: usize = 256;

/// Moments of impossible values kept of all devices together; the oldest go.
pub const MOST_IMPOSSIBLE_OF_ALL: usize = 100_000;

impl RefusedReading {
    /// The entry of the quarantine: the reading as a line of a readings file.
    pub fn into_refused(self, received_at: Timestamp) -> Refused {
        let reading = &self.reading;
        let topic = match self.why {
            // One topic for all of them, so that a flood of names pushes out itself.
            Refusal::TooManyDevices | Refusal::TooManySeries => "undeclared devices".to_owned(),
            Refusal::OtherUnit { .. } | Refusal::TooManyChannels => {
                format!("{}/{}", reading.device, reading.channel)
            }
        };
        let line = format!(
            "{},{},{},{},{}",
            reading.time.to_rfc3339(),
            reading.device,
            reading.channel,
            reading.unit,
            reading.value
        );
        Refused {
            received_at,
            topic,
            bytes: line.into_bytes(),
            content_type: Some(READING_LINE.into()),
            retained: false,
            reason: self.why.to_string(),
            record: None,
            impossible: None,
            measured_at: None,
        }
    }
}

/// One series as the store knows it.
#[derive(Clone, PartialEq, Debug)]
pub struct SeriesInfo {
    /// Device and channel.
    pub series: ChannelRef,
    /// The unit in which its values are kept.
    pub unit: Unit,
    /// Time of the first reading.
    pub first: Timestamp,
    /// Time of the last reading.
    pub last: Timestamp,
}

/// The newest value of a series.
#[derive(Clone, PartialEq, Debug)]
pub struct LatestSample {
    /// Device and channel.
    pub series: ChannelRef,
    /// The unit of the value.
    pub unit: Unit,
    /// The newest reading by its own time.
    pub sample: Sample,
}

/// When a message that carries no time of its own was received. Until the sender is known to have been
/// told that the message is stored, it may come again, and is then the same message.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Receipt {
    /// Who delivered it: an MQTT client's id, or empty for the session at an outside broker.
    pub sender: String,
    /// Which of the sender's messages under way it is; a later message in the same slot takes its
    /// place.
    pub slot: u16,
    /// Tells it from another message in the same slot.
    pub fingerprint: u64,
    /// When it came first, which is the time of its readings.
    pub received_at: Timestamp,
}

/// Readings that are taken out at once, at most: as many as fit the quarantine twice over.
pub const MOST_REMOVED: usize = 100_000;

/// Readings to be taken out.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Removal<'a> {
    /// Of this series.
    pub series: &'a ChannelRef,
    /// The span whose readings are taken out.
    pub span: Span,
    /// Why, in one line.
    pub reason: &'a str,
    /// Whether the readings come back by themselves once the clock has passed their times.
    pub comes_back: bool,
    /// Now.
    pub at: Timestamp,
}

/// What a removal did.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Removed {
    /// There was nothing in the span.
    Nothing,
    /// The readings that were taken out and are in the quarantine now: how many.
    Readings(u64),
    /// How many readings are in the span, which is more than [`MOST_REMOVED`]: none was taken out.
    TooMany(u64),
}

/// Readings: identity is (device, channel, time). Every method may be called from several threads.
pub trait Readings: Send + Sync {
    /// Appends; when it returns `Ok` the readings are on disk (or in the server's log). Repeating
    /// is safe. The same identity twice in one call: the later one stands.
    fn append_durable(&self, readings: &[Reading]) -> Result<Appended, StoreError> {
        self.append_received(readings, &[])
    }

    /// Appends readings of messages without a time, and remembers when those came, in one
    /// transaction.
    fn append_received(
        &self,
        readings: &[Reading],
        receipts: &[Receipt],
    ) -> Result<Appended, StoreError>;

    /// Takes readings of one series out and puts them into the quarantine, in one transaction; the
    /// days that they belong to are noted as changed.
    fn remove(&self, removal: &Removal<'_>) -> Result<Removed, StoreError>;

    /// All receipts that are remembered.
    fn receipts(&self) -> Result<Vec<Receipt>, StoreError>;

    /// Appends readings that a store may have lost although it knows them: they go where readings
    /// go in the end even if they are there with the same value.
    fn append_again(&self, readings: &[Reading]) -> Result<Appended, StoreError> {
        self.append_durable(readings)
    }

    /// All series, by device and channel. Empty is not an error.
    fn series(&self) -> Result<Vec<SeriesInfo>, StoreError>;

    /// One series over a span in order of time, each time once. Unknown series: empty.
    fn range(&self, series: &ChannelRef, span: Span) -> Result<Vec<Sample>, StoreError>;

    /// One series over a span in order of time, reduced to about `points` samples in such a way
    /// that every bucket of time keeps its least and greatest value: peaks are not lost. Series
    /// shorter than `points` come whole.
    fn reduced(
        &self,
        series: &ChannelRef,
        span: Span,
        points: usize,
    ) -> Result<Vec<Sample>, StoreError>;

    /// How many readings one series has in a span. Unknown series: none.
    fn count(&self, series: &ChannelRef, span: Span) -> Result<u64, StoreError> {
        Ok(self.range(series, span)?.len() as u64)
    }

    /// The newest value of every series, by device and channel.
    fn latest(&self) -> Result<Vec<LatestSample>, StoreError>;
}

/// Something well formed that a device says about itself and that is no reading: firmware,
/// sequence number, a switch.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Attribute {
    /// The device.
    pub device: DeviceId,
    /// The attribute's name.
    pub name: String,
    /// The latest value as JSON text (`"1.2.3"` in quotes, `true`, `42`).
    pub value_json: String,
    /// When it was said.
    pub time: Timestamp,
}

/// Something that could not be read, to be kept with its reason.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Refused {
    /// When it came.
    pub received_at: Timestamp,
    /// The MQTT topic, or the file's name and line.
    pub topic: String,
    /// The bytes as they came: the whole message.
    pub bytes: Vec<u8>,
    /// The MQTT 5 content type that came with it, so that a replay reads it the same way.
    pub content_type: Option<String>,
    /// The message was a retained one.
    pub retained: bool,
    /// One line that says why.
    pub reason: String,
    /// The index of the bad record in its pack; `None` where nothing of the message could be read.
    pub record: Option<u32>,
    /// The device and the channel of a value that was refused as impossible; it counts towards
    /// that device's `sensor_fault`.
    pub impossible: Option<ChannelRef>,
    /// The own time of that impossible value: the moment at which it counts. `None`: the time of
    /// receipt. Without an impossible value: nothing is wrong but that this time is ahead of the
    /// clock, see [`Records::quarantined_ahead`].
    pub measured_at: Option<Timestamp>,
}

/// The name of the attribute that says what a device's clock said (RFC 3339) when it was last off by
/// years; its time is that of receipt.
pub const CLOCK_OFF: &str = "clock_off";

/// The content type of a [`Refused`] that is one line of a readings file:
/// `time,device,channel,unit,value`.
pub const READING_LINE: &str = "text/csv; header=absent";

/// The number of a quarantine entry.
pub type QuarantinedId = i64;

/// An entry of the quarantine. The same bytes on the same topic for the same reason (and record)
/// are one entry that counts.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Quarantined {
    /// The entry's number.
    pub id: QuarantinedId,
    /// What was refused, as it came the first time.
    pub refused: Refused,
    /// How often the entry's message came.
    pub count: u64,
    /// When it came last.
    pub last_at: Timestamp,
}

/// What is known about a device beside its readings.
#[derive(Clone, PartialEq, Debug)]
pub struct DeviceHealth {
    /// The device.
    pub device: DeviceId,
    /// When a message of it was last received, by our clock; `None`: only from files.
    pub last_seen: Option<Timestamp>,
    /// What it says about itself.
    pub attributes: Vec<Attribute>,
    /// Moments (by the values' own time) at which its values were refused as impossible, the
    /// newest few hundred that came at most.
    pub impossible: Vec<(ChannelName, Timestamp)>,
}

/// A series that has news, and the local-day-sized part of it that changed.
#[derive(Clone, PartialEq, Debug)]
pub struct Change {
    /// Device and channel.
    pub series: ChannelRef,
    /// The earliest and (just after) the latest reading time that is new or has another value.
    pub span: Span,
}

/// New results for one yard over some days: what stood there for these hives and days is replaced.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct ResultsPatch {
    /// The hives that were estimated.
    pub hives: Vec<HiveId>,
    /// The feeders that were estimated.
    pub feeders: Vec<FeederId>,
    /// Local dates from the first to the last, inclusive, whose daily results are replaced.
    pub dates: Option<(NaiveDate, NaiveDate)>,
    /// Moments between which fill events are replaced.
    pub fills_span: Option<Span>,
    /// Daily uptake, one for every feeder and date.
    pub uptake: Vec<UptakeDay>,
    /// Daily weights.
    pub weight: Vec<WeightDay>,
    /// Fill events.
    pub fills: Vec<FillEvent>,
    /// What was learned of instruments.
    pub learned: Vec<Learned>,
}

/// Everything that is not a reading: small, and always in the embedded store.
pub trait Records: Send + Sync {
    /// The apiary; an empty one where nothing was declared.
    fn apiary(&self) -> Result<Apiary, StoreError>;
    /// Replaces the apiary. Says whether anything changed.
    fn set_apiary(&self, apiary: &Apiary) -> Result<bool, StoreError>;

    /// Changes the apiary in one transaction: `edit` sees what is declared at that moment, whoever
    /// else is writing, and what it returns takes its place; `None` leaves everything as it is. Says
    /// whether anything changed. See [`edit_apiary`] for edits that may fail.
    fn edit_apiary_with(
        &self,
        edit: &mut dyn FnMut(&Apiary) -> Option<Apiary>,
    ) -> Result<bool, StoreError>;

    /// Writes fills down; identity (feeder, time). Repeating is safe; another volume or strength
    /// replaces. `new`, `replaced`, `repeated` as for readings.
    fn record_fills(&self, fills: &[RecordedFill]) -> Result<Appended, StoreError>;
    /// Fills written down, by feeder and time; all feeders where `feeder` is `None`.
    fn recorded_fills(
        &self,
        feeder: Option<&FeederId>,
        span: Span,
    ) -> Result<Vec<RecordedFill>, StoreError>;
    /// Takes a fill out again. Says whether it was there.
    fn remove_fill(&self, feeder: &FeederId, time: Timestamp) -> Result<bool, StoreError>;

    /// Keeps what could not be read; durable when it returns. Bounded: see [`MOST_QUARANTINED`].
    fn quarantine_durable(&self, refused: &[Refused]) -> Result<(), StoreError>;
    /// The quarantine, oldest first, at most `limit` entries after number `after`, and no more than
    /// [`QUARANTINE_PAGE_BYTES`] of messages: ask again after the last one until nothing comes.
    fn quarantined(
        &self,
        after: QuarantinedId,
        limit: usize,
    ) -> Result<Vec<Quarantined>, StoreError>;
    /// Entries that are refused for nothing but a time ahead of the clock, and whose time is not
    /// later than `until`: the clock has passed them, or was put right. At most `limit` after number
    /// `after`, in order of number.
    fn quarantined_ahead(
        &self,
        until: Timestamp,
        after: QuarantinedId,
        limit: usize,
    ) -> Result<Vec<QuarantinedId>, StoreError>;
    /// Number of entries, and of messages that they count.
    fn quarantine_size(&self) -> Result<(u64, u64), StoreError>;
    /// How many entries were ever dropped because the quarantine was full.
    fn quarantine_dropped(&self) -> Result<u64, StoreError> {
        Ok(0)
    }
    /// Takes entries out, after a replay that read them or because someone wants them gone.
    fn release_quarantined(&self, ids: &[QuarantinedId]) -> Result<(), StoreError>;

    /// Keeps the latest attributes, and when each device was last heard. After a crash a device may
    /// seem to have been heard a minute earlier than it was; what it said is kept. Bounded: see
    /// [`MOST_UNDECLARED_DEVICES`] and [`MOST_ATTRIBUTES`].
    fn note_devices(
        &self,
        heard: &[(DeviceId, Timestamp)],
        attributes: &[Attribute],
    ) -> Result<(), StoreError>;
    /// No device was heard after `now`: what a clock that was ahead wrote down is put back to it.
    fn cap_heard(&self, now: Timestamp) -> Result<(), StoreError>;
    /// What is known about every device that was ever heard or declared or has readings.
    fn devices(&self) -> Result<Vec<DeviceHealth>, StoreError>;

    /// What changed since it was last taken care of: the backlog of the processing stage. Appends
    /// put entries in, in the same transaction as the readings. `mark` goes to [`Self::acknowledge_changes`].
    fn changes(&self, limit: usize) -> Result<(Vec<Change>, i64), StoreError>;
    /// Puts an entry in by hand: fills and the apiary change results too.
    fn note_change(&self, change: &[Change]) -> Result<(), StoreError>;
    /// Forgets the changes that [`Self::changes`] last handed out with `mark`. What came to them
    /// since stays, and only that.
    fn acknowledge_changes(&self, mark: i64) -> Result<(), StoreError>;

    /// Replaces results, in one transaction.
    fn replace_results(&self, patch: &ResultsPatch) -> Result<(), StoreError>;
    /// Daily uptake by date, feeder. Dates inclusive; `None`: open ended.
    fn uptake(
        &self,
        feeders: &[FeederId],
        from: Option<NaiveDate>,
        to: Option<NaiveDate>,
    ) -> Result<Vec<UptakeDay>, StoreError>;
    /// Daily weight by date, hive.
    fn weight(
        &self,
        hives: &[HiveId],
        from: Option<NaiveDate>,
        to: Option<NaiveDate>,
    ) -> Result<Vec<WeightDay>, StoreError>;
    /// Fill events by feeder and time.
    fn fill_events(&self, feeders: &[FeederId], span: Span) -> Result<Vec<FillEvent>, StoreError>;
    /// What was learned last of every channel and trait, by device, channel, trait.
    fn learned(&self) -> Result<Vec<Learned>, StoreError>;
    /// All that was ever learned of a device, by channel, date, trait.
    fn learned_of(&self, device: &DeviceId) -> Result<Vec<Learned>, StoreError>;

    /// Keeps flags: those with a known id are replaced, the others are new. What people said about
    /// them is kept apart ([`Self::care_for`]) and stays; `care` is not looked at.
    fn keep_flags(&self, flags: &[KeptFlag]) -> Result<(), StoreError>;
    /// Flags that were open at some time in `span`, withdrawn ones too, by opening time; all yards
    /// where `None`.
    fn flags(&self, yard: Option<&YardId>, span: Span) -> Result<Vec<KeptFlag>, StoreError>;
    /// One flag; `None`: there is none of that name.
    fn flag(&self, id: &FlagId) -> Result<Option<KeptFlag>, StoreError>;
    /// Writes down what a person did to a flag. Repeating is safe: `false` where it was written down
    /// before.
    fn care_for(&self, id: &FlagId, entry: &CareEntry) -> Result<bool, StoreError>;

    /// One of the operation's own settings, as text; `None`: never set.
    fn setting(&self, name: &str) -> Result<Option<String>, StoreError>;
    /// Sets one of the operation's own settings.
    fn set_setting(&self, name: &str, value: &str) -> Result<(), StoreError>;
}

/// Changes the apiary by an edit that may refuse, which then changes nothing. Read, edit and write are
/// one transaction: of two edits at the same time neither eats the other.
pub fn edit_apiary<E>(
    records: &dyn Records,
    mut edit: impl FnMut(&Apiary) -> Result<Apiary, E>,
) -> Result<Result<bool, E>, StoreError> {
    let mut refusal = None;
    let changed = records.edit_apiary_with(&mut |apiary| match edit(apiary) {
        Ok(edited) => Some(edited),
        Err(error) => {
            refusal = Some(error);
            None
        }
    })?;
    Ok(refusal.map_or(Ok(changed), Err))
}
