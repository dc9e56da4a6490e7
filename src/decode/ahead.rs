//! Reading ahead: storage goes on giving while what it gave is unpacked.
//!
//! A card that waits for every block to be unpacked before it is asked for the next loses that time, and it is nearly always the
//! slowest part of a check. So each file has a thread that does nothing but read, one piece further than its user.

use std::io;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, Sender, channel};
use std::thread;

use crate::container::source::Source;

/// Where a piece of a file lies: offset and length in bytes.
type Place = (u64, usize);

/// A piece, with the number of its bytes that were there before the end of the file.
type Piece = (Vec<u8>, io::Result<usize>);

/// A file that is read piece by piece, mostly in order.
#[derive(Debug)]
pub(super) struct Ahead {
    source: Arc<Source>,
    reader: Option<Reader>,
}

/// The thread that reads ahead, and what it was told to read.
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
            reader: None,
        }
    }

    /// The file itself, for what lies elsewhere.
    pub(super) fn source(&self) -> &Source {
        &self.source
    }

    /// A piece of the file, read already if it is what was said to come `next` the time before. `next` is read meanwhile, unless
    /// it is empty. `memory` is used again, whatever it holds.
    pub(super) fn piece(&mut self, mut memory: Vec<u8>, place: Place, next: Place) -> Piece {
        let (offset, length) = place;
        // What was read for nothing is dropped: after a gap between two pieces, for one.
        let ready = self.taken().filter(|(before, _)| *before == place);
        let piece = match ready {
            Some((_, piece)) => piece,
            None => {
                let mut bytes = std::mem::take(&mut memory);
                bytes.resize(length, 0);
                let have = self.source.read_at(&mut bytes, offset);
                (bytes, have)
            }
        };
        if next.1 > 0 {
            self.order(memory, next);
        }
        piece
    }

    /// What was ordered, once it is there.
    fn taken(&mut self) -> Option<(Place, Piece)> {
        let reader = self.reader.as_mut()?;
        let place = reader.ordered.take()?;
        let piece = reader.pieces.recv().ok()?;
        Some((place, piece))
    }

    /// Have a piece read. Where there is no thread for it, nothing is read ahead.
    fn order(&mut self, memory: Vec<u8>, place: Place) {
        if self.reader.is_none() {
            self.reader = Reader::start(Arc::clone(&self.source)).ok();
        }
        if let Some(reader) = &mut self.reader {
            let sent = reader.orders.send((memory, place));
            reader.ordered = sent.is_ok().then_some(place);
        }
    }
}

impl Reader {
    /// The thread ends when nobody can order any more; it is not waited for, since a card may never answer.
    fn start(source: Arc<Source>) -> io::Result<Reader> {
        let (orders, ordered) = channel::<(Vec<u8>, Place)>();
        let (ready, pieces) = channel();
        thread::Builder::new().spawn(move || {
            for (mut bytes, (offset, length)) in ordered {
                bytes.resize(length, 0);
                let have = source.read_at(&mut bytes, offset);
                if ready.send((bytes, have)).is_err() {
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

    #[test]
    fn pieces_are_those_of_the_file_in_any_order() {
        let (_folder, mut ahead) = file(10_000);
        let places = [(0, 700), (700, 700), (2000, 10), (100, 900), (1000, 1)];
        // The one after is announced rightly, wrongly or not at all.
        for next in [Some((700, 700)), Some((3000, 5)), None] {
            let mut memory = Vec::new();
            for (n, &place) in places.iter().enumerate() {
                let following = places.get(n + 1).copied().unwrap_or((0, 0));
                let (bytes, have) = ahead.piece(memory, place, next.unwrap_or(following));
                assert_eq!(
                    (&bytes, have.unwrap()),
                    (&expected(place.0, place.1), place.1)
                );
                memory = bytes;
            }
        }
    }

    #[test]
    fn at_the_end_of_the_file_it_says_how_much_is_there() {
        let (_folder, mut ahead) = file(1000);
        let (bytes, have) = ahead.piece(Vec::new(), (500, 400), (900, 400));
        assert_eq!((bytes, have.unwrap()), (expected(500, 400), 400));
        let (bytes, have) = ahead.piece(Vec::new(), (900, 400), (1300, 0));
        assert_eq!(
            (&bytes[..100], have.unwrap()),
            (&expected(900, 100)[..], 100)
        );
    }

    #[test]
    fn a_reader_that_is_dropped_early_does_not_hang() {
        let (_folder, mut ahead) = file(1000);
        let _ = ahead.piece(Vec::new(), (0, 10), (10, 990));
        drop(ahead);
    }
}
