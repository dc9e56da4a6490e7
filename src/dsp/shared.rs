//! Tables that every track wants: made once, and looked up from one place in memory, so that they stay in the caches of the
//! processor from one track to the next.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};

/// Tables by what they are made from.
#[derive(Debug)]
pub struct Shared<K, V>(Mutex<BTreeMap<K, Arc<V>>>);

impl<K: Ord, V> Shared<K, V> {
    /// Nothing yet.
    pub const fn new() -> Shared<K, V> {
        Shared(Mutex::new(BTreeMap::new()))
    }

    /// The table of a key, made if nobody has asked for it before.
    pub fn get(&self, key: K, make: impl FnOnce() -> V) -> Arc<V> {
        match self.0.lock() {
            Ok(mut tables) => Arc::clone(tables.entry(key).or_insert_with(|| Arc::new(make()))),
            Err(_) => Arc::new(make()),
        }
    }
}

impl<K: Ord, V> Default for Shared<K, V> {
    fn default() -> Shared<K, V> {
        Shared::new()
    }
}

/// Hann window of a length, as long transforms want it (periodic).
pub fn hann(size: usize) -> Arc<Vec<f32>> {
    static WINDOWS: Shared<usize, Vec<f32>> = Shared::new();
    let turn = |n: usize| 2.0 * std::f64::consts::PI * n as f64 / size as f64;
    let at = |n: usize| (0.5 - 0.5 * turn(n).cos()) as f32;
    WINDOWS.get(size, || (0..size).map(at).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_table_is_made_once() {
        let tables: Shared<u8, u8> = Shared::new();
        let first = tables.get(1, || 5);
        assert!(Arc::ptr_eq(&first, &tables.get(1, || 6)));
        assert_eq!(*tables.get(2, || 6), 6);
    }

    #[test]
    fn a_window_begins_at_nothing_and_is_whole_in_its_middle() {
        let window = hann(8);
        assert_eq!((window[0], window[2], window[4]), (0.0, 0.5, 1.0));
        assert!(hann(0).is_empty());
    }
}
