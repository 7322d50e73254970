//! Tables that are looked up by id, and what happens if an id is not in its table.

use std::cell::Cell;
use std::fmt;
use std::marker::PhantomData;
use std::ops::{Deref, DerefMut};

/// A number of its own type that names an entry of one table.
pub trait Id: Copy {
    /// The id of the entry at `index`; the last id there is, if the type has no such number.
    fn nth(index: usize) -> Self;

    /// As an index into the table.
    fn place(self) -> usize;
}

/// Entries that are looked up by id.
///
/// Ids come out of the same compiled show as the tables, so each lookup finds its entry. One
/// that does not is a broken inner rule: it panics in tests and debug builds; in release it is
/// counted (`misses`, shown among the faults) and answered with an entry that belongs to no
/// one, so that the playing goes on. An id that came from outside is looked up with
/// [`Table::find`], which counts nothing.
///
/// The number of entries never changes, so copying over another table of the same rig
/// (`clone_from`) allocates nothing.
pub struct Table<K, T> {
    entries: Box<[T]>,
    /// What a miss reads, and what it writes to.
    nobody: T,
    /// Lookups that missed. A cell, so that reading needs no `&mut`.
    misses: Cell<u32>,
    key: PhantomData<fn(K)>,
}

impl<K: Id, T> Table<K, T> {
    /// A table of these entries; `nobody` is read and written where an id is in no table.
    pub fn new(entries: impl Into<Box<[T]>>, nobody: T) -> Self {
        Self {
            entries: entries.into(),
            nobody,
            misses: Cell::new(0),
            key: PhantomData,
        }
    }

    /// The entry of an id.
    pub fn at(&self, id: K) -> &T {
        self.entries.get(id.place()).unwrap_or_else(|| {
            self.miss();
            &self.nobody
        })
    }

    /// The entry of an id, to be changed.
    pub fn at_mut(&mut self, id: K) -> &mut T {
        if !self.has(id) {
            self.miss();
            return &mut self.nobody;
        }
        let entry = self.entries.get_mut(id.place());
        entry.unwrap_or(&mut self.nobody)
    }

    /// The entry of an id that came from outside and may name nothing.
    pub fn find(&self, id: K) -> Option<&T> {
        self.entries.get(id.place())
    }

    /// The same, to be changed.
    pub fn find_mut(&mut self, id: K) -> Option<&mut T> {
        self.entries.get_mut(id.place())
    }

    /// Whether an id that came from outside names an entry.
    pub fn has(&self, id: K) -> bool {
        id.place() < self.entries.len()
    }

    /// All ids, in order.
    pub fn ids(&self) -> impl ExactSizeIterator<Item = K> + use<K, T> {
        (0..self.entries.len()).map(K::nth)
    }

    /// All entries with their ids, in order.
    pub fn pairs(&self) -> impl Iterator<Item = (K, &T)> {
        self.ids().zip(self.entries.iter())
    }

    /// Two different entries, to be changed together; none if one of them is missing.
    pub fn two_mut(&mut self, one: K, other: K) -> Option<(&mut T, &mut T)> {
        let (one, other) = (one.place(), other.place());
        let (low, high) = (one.min(other), one.max(other));
        let (head, tail) = self.entries.split_at_mut_checked(high)?;
        let (low, high) = (head.get_mut(low)?, tail.first_mut()?);
        Some(if one < other {
            (low, high)
        } else {
            (high, low)
        })
    }

    /// How many lookups found nothing. Each is a fault.
    pub fn misses(&self) -> u32 {
        self.misses.get()
    }

    fn miss(&self) {
        debug_assert!(false, "an id names an entry of its table");
        self.misses.set(self.misses().saturating_add(1));
    }
}

impl<K, T> Deref for Table<K, T> {
    type Target = [T];

    fn deref(&self) -> &[T] {
        &self.entries
    }
}

impl<K, T> DerefMut for Table<K, T> {
    fn deref_mut(&mut self) -> &mut [T] {
        &mut self.entries
    }
}

impl<'a, K, T> IntoIterator for &'a Table<K, T> {
    type Item = &'a T;
    type IntoIter = std::slice::Iter<'a, T>;

    fn into_iter(self) -> Self::IntoIter {
        self.entries.iter()
    }
}

impl<'a, K, T> IntoIterator for &'a mut Table<K, T> {
    type Item = &'a mut T;
    type IntoIter = std::slice::IterMut<'a, T>;

    fn into_iter(self) -> Self::IntoIter {
        self.entries.iter_mut()
    }
}

impl<K: Id, T: Default> From<Vec<T>> for Table<K, T> {
    fn from(entries: Vec<T>) -> Self {
        Self::new(entries, T::default())
    }
}

impl<K: Id, T: Default> From<Box<[T]>> for Table<K, T> {
    fn from(entries: Box<[T]>) -> Self {
        Self::new(entries, T::default())
    }
}

impl<K: Id, T: Default> FromIterator<T> for Table<K, T> {
    fn from_iter<I: IntoIterator<Item = T>>(entries: I) -> Self {
        Self::new(entries.into_iter().collect::<Box<[T]>>(), T::default())
    }
}

impl<K: Id, T: Default> Default for Table<K, T> {
    fn default() -> Self {
        Self::from(Vec::new())
    }
}

impl<K: Id, T: Clone> Clone for Table<K, T> {
    fn clone(&self) -> Self {
        Self {
            entries: self.entries.clone(),
            nobody: self.nobody.clone(),
            misses: Cell::new(self.misses()),
            key: PhantomData,
        }
    }

    fn clone_from(&mut self, other: &Self) {
        self.entries.clone_from(&other.entries);
        self.nobody.clone_from(&other.nobody);
        self.misses.set(other.misses());
    }
}

/// Tables are equal if their entries are.
impl<K, T: PartialEq> PartialEq for Table<K, T> {
    fn eq(&self, other: &Self) -> bool {
        self.entries == other.entries
    }
}

impl<K, T: fmt::Debug> fmt::Debug for Table<K, T> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_list().entries(self.entries.iter()).finish()
    }
}

#[cfg(test)]
mod tests {
    use super::super::promptbook::SlotId;
    use super::*;

    fn table() -> Table<SlotId, u32> {
        vec![10, 11, 12].into()
    }

    #[test]
    fn an_id_finds_its_entry_to_read_and_to_change() {
        let mut table = table();
        *table.at_mut(SlotId(1)) += 5;
        assert_eq!(*table.at(SlotId(1)), 16);
        assert_eq!(table.find(SlotId(3)), None);
        assert_eq!(table.misses(), 0, "what came from outside is no fault");
        assert_eq!(table.ids().collect::<Vec<_>>(), [0, 1, 2].map(SlotId));
        assert_eq!(
            table.two_mut(SlotId(2), SlotId(0)),
            Some((&mut 12, &mut 10))
        );
        assert_eq!(table.two_mut(SlotId(2), SlotId(3)), None);
    }

    #[test]
    #[cfg_attr(debug_assertions, should_panic(expected = "an id names an entry"))]
    fn a_miss_is_loud_under_test_and_counted_on_stage() {
        let mut table = table();
        *table.at_mut(SlotId(9)) = 7;
        assert_eq!(*table, [10, 11, 12], "no entry of another id is touched");
        assert_eq!(*table.at(SlotId(9)), 7);
        assert_eq!(table.misses(), 2);
        let mut copy = self::table();
        copy.clone_from(&table);
        assert_eq!(copy.misses(), 2);
    }
}
