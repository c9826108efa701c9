//! Damage in the write-ahead log, found before SQLite looks at it.
//!
//! SQLite takes the first frame whose checksum fails for the end of the log: right for a write that a
//! power cut tore, and wrong for a bit that flipped in the middle, behind which acknowledged commits
//! stand. They are told apart here. What a power cut tears is the last transaction, because each
//! commit is synced before the next one begins; so a frame that verifies *behind a later commit*
//! means damage. So does a frame that one changed bit makes whole, wherever it stands: no torn write
//! is that close to what it should be. (Checksums are cumulative; behind a bad frame they are
//! followed from the one stored in the frame before.)
//!
//! The format is that of sqlite.org/fileformat2.html, section 4.

use super::fault::Fault;
use super::folder::{self, database_in};
use super::salvage::{self, Found};
use crate::StoreError;
use std::io;
use std::path::{Path, PathBuf};

const HEADER: usize = 32;
const FRAME_HEADER: usize = 24;
/// The last bit says that checksums take words in big-endian order.
const MAGIC: u32 = 0x377f_0682;

/// Flipped bits that are set right in one log; more are no accident of single bits.
const MOST_FIXED: usize = 64;

/// What is wrong with a log.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct Damage {
    /// The first frame that does not verify, counted from 1; 0: the log's header.
    pub(super) frame: usize,
    /// Frames of this log, as far as the file has them.
    pub(super) frames: usize,
    /// Commits that stand before the damage and those behind it that can be told.
    pub(super) commits_before: usize,
    pub(super) commits_behind: usize,
    /// The whole log with its flipped bits set right, and their number, where that explains
    /// everything.
    pub(super) mended: Option<(Vec<u8>, usize)>,
}

impl Damage {
    pub(super) fn told(&self) -> String {
        let place = match self.frame {
            0 => "in its header".to_owned(),
            frame => format!("at frame {frame} of {}", self.frames),
        };
        format!(
            "the write-ahead log (larder.sqlite-wal) does not match its checksums {place}, with {} \
             commits before and at least {} from there on",
            self.commits_before, self.commits_behind
        )
    }
}

/// The log's file beside the database.
pub(super) fn log_in(dir: &Path) -> PathBuf {
    let mut log = database_in(dir).into_os_string();
    log.push("-wal");
    log.into()
}

/// Looks at the log in `dir`, without changing anything. `None`: there is none, or it is sound up to
/// a torn end.
pub(super) fn examine(dir: &Path) -> io::Result<Option<Damage>> {
    match std::fs::read(log_in(dir)) {
        Ok(bytes) => Ok(examine_bytes(&bytes)),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(error) => Err(error),
    }
}

/// What can be saved from behind damage that cannot be set right: readings, from frames that follow
/// each other up to a commit.
pub(super) fn salvage(dir: &Path) -> io::Result<Found> {
    let bytes = std::fs::read(log_in(dir))?;
    let Some(layout) = bytes.get(..HEADER).and_then(Layout::read) else {
        return Ok(Found::default());
    };
    let (bad, _) = layout.sound(&bytes);
    let n = layout.count(&bytes);
    let follows = |i: usize| {
        let before = layout.frame(&bytes, i - 1).sum;
        layout.frame(&bytes, i).follows(before)
    };
    let mut pages = Vec::new();
    let mut whole = Vec::new();
    for i in bad + 1..n {
        if !follows(i) {
            pages.clear();
            continue;
        }
        let at = HEADER + i * layout.size();
        let is_commit = be(&bytes, at + 4) != 0;
        let start = at + FRAME_HEADER;
        pages.push((be(&bytes, at), &bytes[start..start + layout.page]));
        if is_commit {
            // Rows are taken one by one, so the end of a transaction that began in the damage will do.
            whole.push(std::mem::take(&mut pages));
        }
    }
    Ok(salvage::look_through(whole.into_iter()))
}

/// Before SQLite opens it: a damaged log would be cut short at the damage, unseen. The caller holds the
/// folder's lock.
pub(super) fn refuse_damaged(dir: &Path) -> Result<(), StoreError> {
    let told = |error: io::Error| Fault::from(error).told(dir, "read the write-ahead log");
    match examine(dir).map_err(told)? {
        Some(damage) => Err(Fault::Damaged(damage.told()).told(dir, "")),
        None => Ok(()),
    }
}

/// Refuses a damaged log on behalf of one who only reads. Beside a process that writes the log
/// changes while it is read, and that process looked at it when it started; so what looks like
/// damage counts only where no one writes.
pub(super) fn refuse_damaged_to_read(dir: &Path) -> Result<(), StoreError> {
    match refuse_damaged(dir) {
        Err(StoreError::Damaged { .. }) => match folder::lock(dir) {
            Err(StoreError::InUse(_)) => Ok(()),
            _ => refuse_damaged(dir),
        },
        looked => looked,
    }
}

fn examine_bytes(bytes: &[u8]) -> Option<Damage> {
    if bytes.len() < HEADER + FRAME_HEADER {
        return None;
    }
    match Layout::read(&bytes[..HEADER]) {
        Some(layout) => walk(bytes, &layout),
        None => damaged_header(bytes),
    }
}

/// The header does not verify. One bit set right may make it whole; otherwise frames that verify
/// among themselves show that it was one.
fn damaged_header(bytes: &[u8]) -> Option<Damage> {
    for bit in 0..HEADER * 8 {
        let mut header = bytes[..HEADER].to_vec();
        header[bit / 8] ^= 1 << (bit % 8);
        let Some(layout) = Layout::read(&header) else {
            continue;
        };
        let mended = [&header, &bytes[HEADER..]].concat();
        let (frames, commits) = layout.sound(&mended);
        let behind = walk(&mended, &layout);
        let mended = match &behind {
            None => Some((mended, 1)),
            Some(more) => more.mended.clone().map(|(all, n)| (all, n + 1)),
        };
        // A flip in the last word that is covered and one in the checksum look the same.
        if frames == 0 {
            continue;
        }
        return Some(Damage {
            frame: 0,
            frames,
            commits_before: 0,
            commits_behind: commits
                .max(behind.map_or(0, |more| more.commits_before + more.commits_behind)),
            mended,
        });
    }
    let page_sizes = (9..=16).map(|power| 1_usize << power);
    page_sizes
        .flat_map(|page| [true, false].map(|big_endian| (page, big_endian)))
        .find_map(|(page, big_endian)| {
            let first = bytes.get(HEADER..HEADER + FRAME_HEADER)?;
            let layout = Layout {
                big_endian,
                page,
                salts: first[8..16].try_into().ok()?,
                sum: (0, 0),
            };
            let n = layout.count(bytes);
            let links = |i: usize| {
                layout
                    .frame(bytes, i)
                    .follows(layout.frame(bytes, i - 1).sum)
            };
            let commits = (1..n).filter(|&i| links(i) && layout.frame(bytes, i).is_commit());
            let commits = commits.count();
            (commits > 0).then_some(Damage {
                frame: 0,
                frames: n,
                commits_before: 0,
                commits_behind: commits,
                mended: None,
            })
        })
}

/// Follows the checksums from the first frame on.
fn walk(bytes: &[u8], layout: &Layout) -> Option<Damage> {
    let mut mended: Option<(Vec<u8>, usize)> = None;
    let mut first_bad = None;
    let n = layout.count(bytes);
    let (mut sum, mut commits) = (layout.sum, 0);
    let mut i = 0;
    while i < n {
        let now = mended.as_ref().map_or(bytes, |(mended, _)| mended);
        let frame = layout.frame(now, i);
        if frame.follows(sum) {
            (sum, commits) = (frame.sum, commits + usize::from(frame.is_commit()));
            i += 1;
            continue;
        }
        let Some(bit) = layout.one_bit(now, i, sum) else {
            break;
        };
        first_bad.get_or_insert((i, commits));
        let (fixed, n_fixed) = mended.get_or_insert_with(|| (bytes.to_vec(), 0));
        fixed[bit / 8] ^= 1 << (bit % 8);
        *n_fixed += 1;
        if *n_fixed > MOST_FIXED {
            break;
        }
    }
    // What is left does not verify: the log's end, or damage of more than one bit.
    let behind = (i < n).then(|| layout.behind(bytes, i)).flatten();
    if let Some(more) = behind {
        let (frame, before) = first_bad.unwrap_or((i, commits));
        return Some(Damage {
            frame: frame + 1,
            frames: n,
            commits_before: before,
            commits_behind: commits - before + more,
            mended: None,
        });
    }
    first_bad.map(|(frame, before)| Damage {
        frame: frame + 1,
        frames: i,
        commits_before: before,
        commits_behind: commits - before,
        mended,
    })
}

type Checksum = (u32, u32);

/// What the log's header says.
struct Layout {
    big_endian: bool,
    page: usize,
    salts: [u8; 8],
    sum: Checksum,
}

impl Layout {
    fn read(header: &[u8]) -> Option<Self> {
        let magic = be(header, 0);
        let page = be(header, 8) as usize;
        let layout = Self {
            big_endian: magic & 1 == 1,
            page,
            salts: header[16..24].try_into().ok()?,
            sum: (be(header, 24), be(header, 28)),
        };
        let is_sound = magic & !1 == MAGIC
            && (512..=65_536).contains(&page)
            && page.is_power_of_two()
            && layout.add((0, 0), &header[..24]) == layout.sum;
        is_sound.then_some(layout)
    }

    fn size(&self) -> usize {
        FRAME_HEADER + self.page
    }

    fn count(&self, bytes: &[u8]) -> usize {
        bytes.len().saturating_sub(HEADER) / self.size()
    }

    /// Frames and commits that verify from the first one on.
    fn sound(&self, bytes: &[u8]) -> (usize, usize) {
        let (mut sum, mut commits) = (self.sum, 0);
        for i in 0..self.count(bytes) {
            let frame = self.frame(bytes, i);
            if !frame.follows(sum) {
                return (i, commits);
            }
            (sum, commits) = (frame.sum, commits + usize::from(frame.is_commit()));
        }
        (self.count(bytes), commits)
    }

    fn frame<'a>(&'a self, bytes: &'a [u8], i: usize) -> Frame<'a> {
        let start = HEADER + i * self.size();
        let (header, page) = bytes[start..start + self.size()].split_at(FRAME_HEADER);
        Frame {
            layout: self,
            header,
            page,
            sum: (be(header, 16), be(header, 20)),
        }
    }

    /// Commits from the bad frame `bad` on, where a frame of a later transaction verifies.
    fn behind(&self, bytes: &[u8], bad: usize) -> Option<usize> {
        let first = self.frame(bytes, bad);
        let mut commits = usize::from(first.has_salts() && first.is_commit());
        let mut is_damage = false;
        for i in bad + 1..self.count(bytes) {
            let frame = self.frame(bytes, i);
            if frame.follows(self.frame(bytes, i - 1).sum) {
                is_damage |= commits > 0;
                commits += usize::from(frame.is_commit());
            }
        }
        is_damage.then_some(commits)
    }

    /// The bit of the file that makes frame `i` follow `before` when it is changed.
    fn one_bit(&self, bytes: &[u8], i: usize, before: Checksum) -> Option<usize> {
        let start = (HEADER + i * self.size()) * 8;
        let frame = self.frame(bytes, i);
        let right = frame.expected(before);
        let salts_differ: u32 = (frame.header[8..16].iter().zip(&self.salts))
            .map(|(a, b)| (a ^ b).count_ones())
            .sum();
        let sum_differs =
            (right.0 ^ frame.sum.0).count_ones() + (right.1 ^ frame.sum.1).count_ones();
        let first_difference = |at: usize, a: &[u8], b: &[u8]| {
            (0..64).find_map(|bit| {
                let differs = (a[bit / 8] ^ b[bit / 8]) & (1 << (bit % 8)) != 0;
                differs.then_some(start + at * 8 + bit)
            })
        };
        let found = match (salts_differ, sum_differs) {
            (1, 0) => first_difference(8, &frame.header[8..16], &self.salts),
            (0, 1) => {
                let right = [right.0.to_be_bytes(), right.1.to_be_bytes()].concat();
                let in_sum = first_difference(16, &frame.header[16..24], &right);
                // A flip in the last word that is covered looks the same; the next frame knows.
                if i + 1 < self.count(bytes) && self.frame(bytes, i + 1).follows(frame.sum) {
                    None
                } else {
                    in_sum
                }
            }
            _ => None,
        };
        let in_content = || {
            self.one_bit_of_content(&frame, right)
                .map(|bit| start + bit)
        };
        found.or_else(|| (salts_differ == 0).then(in_content).flatten())
    }

    /// The checksum is linear modulo 2^32, so what each bit adds to it is known: going backwards, a
    /// change of a pair's first word is carried by `first`, of its second word by `second`.
    fn one_bit_of_content(&self, frame: &Frame<'_>, computed: Checksum) -> Option<usize> {
        let missing = (
            frame.sum.0.wrapping_sub(computed.0),
            frame.sum.1.wrapping_sub(computed.1),
        );
        let covered = [&frame.header[..8], frame.page].concat();
        let (mut first, mut second): (Checksum, Checksum) = ((1, 1), (0, 1));
        for pair in (0..covered.len() / 8).rev() {
            for (word, adds) in [(0, first), (1, second)] {
                let at = pair * 8 + word * 4;
                let value = self.word(&covered, at);
                for bit in 0..32 {
                    let change = if value >> bit & 1 == 0 {
                        1_u32 << bit
                    } else {
                        (1_u32 << bit).wrapping_neg()
                    };
                    let added = (change.wrapping_mul(adds.0), change.wrapping_mul(adds.1));
                    if added == missing {
                        let byte = if self.big_endian {
                            3 - bit / 8
                        } else {
                            bit / 8
                        };
                        let place = at + byte;
                        let place = if place < 8 {
                            place
                        } else {
                            place - 8 + FRAME_HEADER
                        };
                        return Some(place * 8 + bit % 8);
                    }
                }
            }
            let carried = |(a, b): Checksum| {
                let a = a.wrapping_add(b);
                (a, b.wrapping_add(a))
            };
            (first, second) = (carried(first), carried(second));
        }
        None
    }

    fn word(&self, bytes: &[u8], at: usize) -> u32 {
        let word = bytes[at..at + 4].try_into().expect("four bytes were taken");
        if self.big_endian {
            u32::from_be_bytes(word)
        } else {
            u32::from_le_bytes(word)
        }
    }

    fn add(&self, (mut a, mut b): Checksum, bytes: &[u8]) -> Checksum {
        for at in (0..bytes.len()).step_by(8) {
            a = a.wrapping_add(self.word(bytes, at)).wrapping_add(b);
            b = b.wrapping_add(self.word(bytes, at + 4)).wrapping_add(a);
        }
        (a, b)
    }
}

/// One page as a commit wrote it.
struct Frame<'a> {
    layout: &'a Layout,
    header: &'a [u8],
    page: &'a [u8],
    /// As it is written in the frame.
    sum: Checksum,
}

impl Frame<'_> {
    /// The database's size stands in the last frame of a transaction only.
    fn is_commit(&self) -> bool {
        be(self.header, 4) != 0
    }

    fn has_salts(&self) -> bool {
        self.header[8..16] == self.layout.salts
    }

    fn expected(&self, before: Checksum) -> Checksum {
        let sum = self.layout.add(before, &self.header[..8]);
        self.layout.add(sum, self.page)
    }

    fn follows(&self, before: Checksum) -> bool {
        self.has_salts() && self.expected(before) == self.sum
    }
}

fn be(bytes: &[u8], at: usize) -> u32 {
    u32::from_be_bytes(bytes[at..at + 4].try_into().expect("four bytes were taken"))
}
