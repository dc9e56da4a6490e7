//! Lists that grow with a take, and the file in which those of a long take lie.
//!
//! A list is cut into pieces of one size. Where a take has a file, every full piece goes there, and each thread keeps the piece of
//! each list that it read last: who goes through a take frame by frame reads every piece once. Where it has none, the whole list is
//! in memory; nobody who asks a list for a value can tell the difference.

use std::borrow::Cow;
use std::cell::RefCell;
use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::ops::Range;
use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};

use crate::dsp::compact::{Code, room_for};

/// Bytes of a piece, at most.
const PIECE_BYTES: usize = 1 << 13;
/// Lists of which a thread keeps a piece.
const KEPT: usize = 512;

/// A place for lists; without a file all of them stay in memory.
#[derive(Debug, Clone, Default)]
pub struct Aside(Option<Arc<Pieces>>);

/// The file, with the number of pieces in it.
#[derive(Debug)]
struct Pieces {
    file: Mutex<(File, u64)>,
}

impl Aside {
    /// A file without a name in a folder, which is made; it is gone when the last list is. Where there can be none, lists stay in
    /// memory.
    pub fn in_folder(folder: &Path) -> Aside {
        let file = std::fs::create_dir_all(folder).and_then(|()| tempfile::tempfile_in(folder));
        let pieces = |file| {
            Arc::new(Pieces {
                file: Mutex::new((file, 0)),
            })
        };
        Aside(file.ok().map(pieces))
    }
}

impl Pieces {
    /// Write a piece and say where it lies.
    fn put(&self, bytes: &[u8]) -> io::Result<u64> {
        let broken = |_| io::Error::other("another thread has stopped");
        let (file, pieces) = &mut *self.file.lock().map_err(broken)?;
        let place = *pieces;
        file.seek(SeekFrom::Start(place * PIECE_BYTES as u64))?;
        file.write_all(bytes)?;
        *pieces += 1;
        Ok(place)
    }

    fn get(&self, place: u64, bytes: &mut [u8]) -> io::Result<()> {
        let broken = |_| io::Error::other("another thread has stopped");
        let (file, _) = &mut *self.file.lock().map_err(broken)?;
        file.seek(SeekFrom::Start(place * PIECE_BYTES as u64))?;
        file.read_exact(bytes)
    }
}

/// A list of values of one size that grows at its end.
#[derive(Debug, Clone)]
pub struct Series<T> {
    aside: Aside,
    /// Number of a list that lies in a file, by which a thread finds its last piece again.
    number: u64,
    /// Where the full pieces lie, and what follows them.
    away: Vec<u64>,
    rest: Vec<T>,
}

/// The piece of a list that a thread read last.
#[derive(Debug, Default)]
struct Last {
    number: u64,
    piece: usize,
    bytes: Vec<u8>,
}

thread_local! {
    static LAST: RefCell<Vec<Last>> = const { RefCell::new(Vec::new()) };
}

impl<T: Code> Default for Series<T> {
    fn default() -> Series<T> {
        Series::new(&Aside::default())
    }
}

impl<T: Code> Series<T> {
    const PIECE: usize = PIECE_BYTES / T::BYTES;

    /// An empty list.
    pub fn new(aside: &Aside) -> Series<T> {
        Series {
            aside: aside.clone(),
            number: 0,
            away: Vec::new(),
            rest: Vec::new(),
        }
    }

    /// Make room for so many values where they stay in memory and there is memory for them. Nothing depends on it.
    pub fn expect(&mut self, values: usize) {
        let now = if self.aside.0.is_some() {
            values.min(Self::PIECE)
        } else {
            values
        };
        let _ = self.rest.try_reserve_exact(now);
    }

    /// Where the list lies.
    pub fn aside(&self) -> &Aside {
        &self.aside
    }

    /// Number of values.
    pub fn len(&self) -> usize {
        self.away.len() * Self::PIECE + self.rest.len()
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Put a value at the end.
    pub fn push(&mut self, value: T) {
        room_for(&mut self.rest, 1);
        self.rest.push(value);
        if self.rest.len() >= Self::PIECE && self.aside.0.is_some() {
            self.put_aside();
        }
    }

    fn put_aside(&mut self) {
        let Some(pieces) = &self.aside.0 else {
            return;
        };
        static NUMBER: AtomicU64 = AtomicU64::new(1);
        if self.number == 0 {
            self.number = NUMBER.fetch_add(1, Ordering::Relaxed);
        }
        let mut bytes = Vec::with_capacity(PIECE_BYTES);
        self.rest.iter().for_each(|value| value.put(&mut bytes));
        match pieces.put(&bytes) {
            Ok(place) => {
                self.away.push(place);
                self.rest.clear();
            }
            // A full disk: what is there stays there, the rest stays in memory.
            Err(_) => self.rest.reserve(8 * Self::PIECE),
        }
    }

    /// A value; panics beyond the end, as a slice does.
    #[inline]
    pub fn get(&self, at: usize) -> T {
        match at.checked_sub(self.away.len() * Self::PIECE) {
            Some(at) => self.rest[at],
            None => self.read(at / Self::PIECE, |bytes| {
                T::get(&bytes[at % Self::PIECE * T::BYTES..])
            }),
        }
    }

    /// All values in order.
    pub fn iter(&self) -> impl DoubleEndedIterator<Item = T> + ExactSizeIterator + '_ {
        (0..self.len()).map(|at| self.get(at))
    }

    /// All values at once: for who looks at one list again and again.
    pub fn all(&self) -> Cow<'_, [T]> {
        self.part(0..self.len())
    }

    /// Some values at once.
    pub fn part(&self, range: Range<usize>) -> Cow<'_, [T]> {
        let first = self.away.len() * Self::PIECE;
        if range.start >= first {
            return Cow::Borrowed(&self.rest[range.start - first..range.end - first]);
        }
        Cow::Owned(range.map(|at| self.get(at)).collect())
    }

    /// Number of values in front for which something holds, which it does for none behind them.
    pub fn partition_point(&self, holds: impl Fn(&T) -> bool) -> usize {
        let (mut from, mut to) = (0, self.len());
        while from < to {
            let middle = from.midpoint(to);
            if holds(&self.get(middle)) {
                from = middle + 1;
            } else {
                to = middle;
            }
        }
        from
    }

    /// Look at a piece that lies in the file.
    #[inline]
    fn read<R>(&self, piece: usize, look: impl FnOnce(&[u8]) -> R) -> R {
        LAST.with_borrow_mut(|last| {
            if last.is_empty() {
                last.resize_with(KEPT, Last::default);
            }
            let last = &mut last[self.number as usize % KEPT];
            if last.number != self.number || last.piece != piece {
                self.fetch(piece, last);
            }
            look(&last.bytes)
        })
    }

    #[cold]
    fn fetch(&self, piece: usize, last: &mut Last) {
        // Should it fail there is nothing here.
        *last = Last {
            number: 0,
            piece: 0,
            bytes: std::mem::take(&mut last.bytes),
        };
        last.bytes.resize(Self::PIECE * T::BYTES, 0);
        let file = self
            .aside
            .0
            .as_ref()
            .map(|pieces| pieces.get(self.away[piece], &mut last.bytes));
        if let Some(Err(error)) = file {
            // Nothing true can be said of the take any more: it ends as one that panicked, and the day goes on.
            panic!("what was put aside cannot be read: {error}");
        }
        (last.number, last.piece) = (self.number, piece);
    }
}

impl<T: Code> Extend<T> for Series<T> {
    fn extend<I: IntoIterator<Item = T>>(&mut self, values: I) {
        values.into_iter().for_each(|value| self.push(value));
    }
}

impl<T: Code> FromIterator<T> for Series<T> {
    fn from_iter<I: IntoIterator<Item = T>>(values: I) -> Series<T> {
        let mut series = Series::default();
        series.extend(values);
        series
    }
}

impl<T: Code + PartialEq> PartialEq for Series<T> {
    fn eq(&self, other: &Series<T>) -> bool {
        self.iter().eq(other.iter())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lists() -> [Series<[u8; 3]>; 2] {
        let folder = tempfile::tempdir().unwrap();
        [Aside::default(), Aside::in_folder(folder.path())].map(|aside| {
            let mut series = Series::new(&aside);
            series.expect(10);
            series.extend((0..100_000u32).map(|k| [k as u8, (k >> 8) as u8, (k >> 16) as u8]));
            series
        })
    }

    #[test]
    fn what_lies_in_a_file_reads_as_if_it_did_not() {
        let [here, away] = lists();
        assert!(here.away.is_empty() && away.away.len() == 100_000 / (PIECE_BYTES / 3));
        assert_eq!(here, away);
        assert_eq!((away.len(), away.get(99_999)), (100_000, [159, 134, 1]));
        for range in [0..0, 5..6, 10_000..40_000, 99_000..100_000, 0..100_000] {
            assert_eq!(here.part(range.clone()), away.part(range));
        }
        assert_eq!(here.iter().next_back(), away.all().last().copied());
        for number in [0, 1, 70_000, 99_999, 100_000u32] {
            let before = |v: &[u8; 3]| u32::from_le_bytes([v[0], v[1], v[2], 0]) < number;
            assert_eq!(away.partition_point(before), number as usize);
        }
    }

    #[test]
    fn threads_and_lists_do_not_mix_up_their_pieces() {
        let [here, away] = lists();
        let many: Vec<Series<[u8; 3]>> = (0..2 * KEPT as u16)
            .map(|n| {
                let [low, high] = n.to_le_bytes();
                let mut series = Series::new(&away.aside);
                series.extend((0..12_000).map(|_| [low, high, 7]));
                series
            })
            .collect();
        std::thread::scope(|scope| {
            for from in 0..4 {
                let (here, away, many) = (&here, &away, &many);
                scope.spawn(move || {
                    for at in (from..100_000).step_by(977) {
                        assert_eq!(here.get(at), away.get(at));
                        let n = at % many.len();
                        let [low, high] = (n as u16).to_le_bytes();
                        assert_eq!(many[n].get(at % 12_000), [low, high, 7]);
                    }
                });
            }
        });
    }

    #[test]
    fn where_no_file_can_be_lists_stay_in_memory() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("a");
        std::fs::write(&file, "x").unwrap();
        let mut series = Series::new(&Aside::in_folder(&file));
        series.extend(std::iter::repeat_n(7u8, 3 * PIECE_BYTES));
        assert_eq!((series.away.len(), series.len()), (0, 3 * PIECE_BYTES));
        assert!(Series::<u8>::default().is_empty());
    }
}
