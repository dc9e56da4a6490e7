//! Reading ahead: storage goes on giving while what it gave is unpacked.
//!
//! A card that waits for every block to be unpacked before it is asked for the next loses that time, and it is nearly always the
//! slowest part of a check. So where storage is slow each file has threads that do nothing but read, some pieces further than its
//! user: one piece waits while the next is on its way. What is in memory already is read at once: it comes faster than a thread
//! can be woken for it.

use std::io;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, Sender, channel};
use std::thread;
use std::time::Instant;

use crate::container::source::Source;

/// Pieces that are read ahead, at most.
pub(super) const PIECES: usize = 2;
/// Bytes a second below which storage is slow: twice what a check takes in on two cores, and a tenth of what memory gives, so that
/// a busy machine does not look like a card.
const SLOW: f64 = 6e8;

/// Where a piece of a file lies: offset and length in bytes.
type Place = (u64, usize);

/// What was read of a piece.
#[derive(Debug)]
pub(super) struct Piece {
    /// As many as were asked for.
    pub(super) bytes: Vec<u8>,
    /// How many of them there were before the end of the file.
    pub(super) have: io::Result<usize>,
    slow: bool,
}

/// A file that is read piece by piece, mostly in order.
#[derive(Debug)]
pub(super) struct Ahead {
    source: Arc<Source>,
    readers: Vec<Reader>,
}

/// A thread that reads ahead, and what it was told to read.
#[derive(Debug)]
struct Reader {
    orders: Sender<(Vec<u8>, Place)>,
    pieces: Receiver<Piece>,
    ordered: Option<Place>,
}

impl Ahead {
    /// Nothing is read before it is asked for.
    pub(super) fn new(source: Source) -> Ahead {
        Ahead {
            source: Arc::new(source),
            readers: Vec::new(),
        }
    }

    /// The file itself, for what lies elsewhere.
    pub(super) fn source(&self) -> &Source {
        &self.source
    }

    /// A piece of the file, read already where it was among those `following` another one. These may be read meanwhile, but for empty
    /// ones. `memory` is used again, whatever it holds.
    pub(super) fn piece(
        &mut self,
        mut memory: Vec<u8>,
        place: Place,
        following: [Place; PIECES],
    ) -> Piece {
        let mut piece = None;
        for reader in &mut self.readers {
            match reader.ordered {
                Some(ordered) if ordered == place => piece = reader.taken(),
                // Read for nothing: after a gap, for one.
                Some(ordered) if !following.contains(&ordered) => drop(reader.taken()),
                _ => {}
            }
        }
        let piece =
            piece.unwrap_or_else(|| Piece::read(&self.source, std::mem::take(&mut memory), place));
        if piece.slow {
            for next in following.into_iter().filter(|(_, length)| *length > 0) {
                self.order(std::mem::take(&mut memory), next);
            }
        }
        piece
    }

    /// Have a piece read, unless it is on its way. Where there is no thread for it, nothing is read ahead.
    fn order(&mut self, memory: Vec<u8>, place: Place) {
        if self.readers.iter().any(|r| r.ordered == Some(place)) {
            return;
        }
        let idle = self.readers.iter().position(|r| r.ordered.is_none());
        let idle = idle.or_else(|| {
            let reader = Reader::start(Arc::clone(&self.source)).ok()?;
            self.readers.push(reader);
            Some(self.readers.len() - 1)
        });
        if let Some(idle) = idle {
            let reader = &mut self.readers[idle];
            let sent = reader.orders.send((memory, place));
            reader.ordered = sent.is_ok().then_some(place);
        }
    }
}

impl Piece {
    /// Read a piece of a file.
    fn read(source: &Source, memory: Vec<u8>, (offset, length): Place) -> Piece {
        let mut bytes = memory;
        bytes.resize(length, 0);
        let begun = Instant::now();
        let have = source.read_at(&mut bytes, offset);
        let slow = begun.elapsed().as_secs_f64() * SLOW > length as f64;
        Piece { bytes, have, slow }
    }
}

impl Reader {
    /// The thread ends when nobody can order any more; it is not waited for, since a card may never answer.
    fn start(source: Arc<Source>) -> io::Result<Reader> {
        let (orders, ordered) = channel();
        let (ready, pieces) = channel();
        thread::Builder::new().spawn(move || {
            for (memory, place) in ordered {
                if ready.send(Piece::read(&source, memory, place)).is_err() {
                    return;
                }
            }
        })?;
        Ok(Reader {
            orders,
            pieces,
            ordered: None,
        })
    }

    /// What was ordered, once it is there.
    fn taken(&mut self) -> Option<Piece> {
        self.ordered.take()?;
        self.pieces.recv().ok()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn file(bytes: usize) -> (tempfile::TempDir, Ahead) {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a");
        let content: Vec<u8> = (0..bytes).map(|k| (k % 251) as u8).collect();
        std::fs::write(&path, content).unwrap();
        let source = Source::open(&path).unwrap();
        (folder, Ahead::new(source))
    }

    fn expected(offset: u64, length: usize) -> Vec<u8> {
        let from = offset as usize;
        (from..from + length).map(|k| (k % 251) as u8).collect()
    }

    /// As if storage was slow, whatever it is.
    fn slowly(ahead: &mut Ahead, memory: Vec<u8>, place: Place, following: [Place; 2]) -> Piece {
        let piece = ahead.piece(memory, place, following);
        for next in following.into_iter().filter(|next| next.1 > 0) {
            ahead.order(Vec::new(), next);
        }
        piece
    }

    #[test]
    fn pieces_are_those_of_the_file_in_any_order() {
        let places = [(0, 700), (700, 700), (2000, 10), (100, 900), (1000, 1)];
        // Those after are announced rightly, wrongly or not at all.
        for next in [Some((700, 700)), Some((3000, 5)), Some((0, 0)), None] {
            let (_folder, mut ahead) = file(10_000);
            let mut memory = Vec::new();
            for (n, &place) in places.iter().enumerate() {
                let after = |k: usize| places.get(n + k).copied().unwrap_or((0, 0));
                let following = [next.unwrap_or(after(1)), after(2)];
                let piece = slowly(&mut ahead, memory, place, following);
                let have = piece.have.unwrap();
                assert_eq!((&piece.bytes, have), (&expected(place.0, place.1), place.1));
                memory = piece.bytes;
                assert!(ahead.readers.len() <= PIECES);
            }
        }
    }

    #[test]
    fn what_was_announced_is_read_once() {
        let (_folder, mut ahead) = file(1000);
        slowly(&mut ahead, Vec::new(), (0, 100), [(100, 100), (200, 100)]);
        let on_its_way = |ahead: &Ahead| -> Vec<Place> {
            let mut places: Vec<_> = ahead.readers.iter().filter_map(|r| r.ordered).collect();
            places.sort_unstable();
            places
        };
        assert_eq!(on_its_way(&ahead), [(100, 100), (200, 100)]);
        slowly(&mut ahead, Vec::new(), (100, 100), [(200, 100), (300, 100)]);
        assert_eq!(on_its_way(&ahead), [(200, 100), (300, 100)]);
    }

    #[test]
    fn at_the_end_of_the_file_it_says_how_much_is_there() {
        let (_folder, mut ahead) = file(1000);
        let last = (900, 400);
        slowly(&mut ahead, Vec::new(), (500, 400), [last, (1300, 0)]);
        let piece = slowly(&mut ahead, Vec::new(), last, [(1300, 0); 2]);
        assert_eq!(
            (&piece.bytes[..100], piece.have.unwrap()),
            (&expected(900, 100)[..], 100)
        );
    }

    #[test]
    fn a_reader_that_is_dropped_early_does_not_hang() {
        let (_folder, mut ahead) = file(1000);
        slowly(&mut ahead, Vec::new(), (0, 10), [(10, 500), (510, 490)]);
        drop(ahead);
    }
}
