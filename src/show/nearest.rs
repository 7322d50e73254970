//! The known name nearest to a misspelt one, found without comparing it with all of them.
//!
//! A distance takes time that grows with the square of the names' length, and a list may hold
//! 20,000 names. So each known name keeps its length and which letters it has. From those two
//! a least distance follows at once: whatever turns one name into the other must at least make
//! up for what only one of them has. Names that are too far by that are never compared. The
//! others are compared in the order of how much of them, at both ends, is as in the misspelt
//! name; those that cannot be nearer than the best so far are passed over, and at most
//! [`MAX_COMPARED`] are looked at.

/// The least likeness at which a known name is suggested: Damerau-Levenshtein, from 0 for
/// nothing in common to 1 for equal.
pub const NEAREST_MIN: f64 = 0.6;

/// The longest name, in bytes, that is compared with known ones: the time grows with its square.
const MAX_LEN: usize = 128;

/// The most known names that one misspelt name is compared with: those that have
/// the most in common with it at both ends.
pub const MAX_COMPARED: usize = 256;

/// Known names, ready to be searched for the one nearest to a misspelt one.
#[derive(Clone, Debug, Default)]
pub struct KnownNames {
    names: Vec<Known>,
}

#[derive(Clone, Debug)]
struct Known {
    name: String,
    folded: Folded,
}

/// A name in lower case, with what its least distance to others follows from.
#[derive(Clone, Debug)]
struct Folded {
    text: String,
    /// Length in characters.
    len: usize,
    /// One bit for each letter it has. Letters that share a bit only lower the bound, never
    /// raise it.
    letters: u128,
}

/// The result of a search, and how much work it was.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Search<'k> {
    /// The nearest name, if one is near enough.
    pub found: Option<&'k str>,
    /// How many known names it was compared with.
    pub compared: usize,
}

impl Folded {
    fn of(name: &str) -> Self {
        let text = name.to_lowercase();
        let (mut len, mut letters) = (0, 0);
        for c in text.chars() {
            len += 1;
            letters |= 1 << (u32::from(c) % u128::BITS);
        }
        Self { text, len, letters }
    }

    /// A lower bound of the distance to `other`, from lengths and letters alone.
    fn least_distance(&self, other: &Self) -> usize {
        let only_here = (self.letters & !other.letters).count_ones();
        let only_there = (other.letters & !self.letters).count_ones();
        // One substitution makes up for a surplus letter on each side.
        self.len
            .abs_diff(other.len)
            .max(only_here.max(only_there) as usize)
    }

    /// An upper bound of the likeness to `other`, 0 to 1.
    fn most_likeness(&self, other: &Self) -> f64 {
        let longer = self.len.max(other.len).max(1);
        1.0 - self.least_distance(other) as f64 / longer as f64
    }

    /// An upper bound of the distance to `other`: a common beginning and end need no change.
    fn most_distance(&self, other: &Self) -> usize {
        let shorter = self.len.min(other.len);
        let pairs = self.text.chars().zip(other.text.chars());
        let begin = pairs.take_while(|(one, two)| one == two).count();
        let pairs = self.text.chars().rev().zip(other.text.chars().rev());
        let end = pairs.take_while(|(one, two)| one == two).count();
        self.len.max(other.len) - (begin + end).min(shorter)
    }
}

impl<'a> FromIterator<&'a str> for KnownNames {
    fn from_iter<T: IntoIterator<Item = &'a str>>(names: T) -> Self {
        let short = names.into_iter().filter(|name| name.len() <= MAX_LEN);
        Self {
            names: short
                .map(|name| Known {
                    name: name.to_owned(),
                    folded: Folded::of(name),
                })
                .collect(),
        }
    }
}

impl KnownNames {
    /// The name nearest to `name`, if one is near enough; upper and lower case are equal.
    #[must_use]
    pub fn nearest(&self, name: &str) -> Option<&str> {
        self.search(name).found
    }

    /// Finds the nearest name, and says how many names it compared.
    #[must_use]
    pub fn search(&self, name: &str) -> Search<'_> {
        let mut search = Search {
            found: None,
            compared: 0,
        };
        if name.len() > MAX_LEN {
            return search;
        }
        let name = Folded::of(name);
        let mut best = 0.0;
        for known in self.likeliest(&name) {
            if name.most_likeness(&known.folded) <= best {
                continue;
            }
            search.compared += 1;
            let likeness = strsim::normalized_damerau_levenshtein(&name.text, &known.folded.text);
            if likeness >= NEAREST_MIN && likeness > best {
                best = likeness;
                search.found = Some(&known.name);
            }
        }
        search
    }

    /// The names that may be near enough, the likeliest first, no more than will be compared.
    fn likeliest(&self, name: &Folded) -> Vec<&Known> {
        let may_be_near = |known: &&Known| name.most_likeness(&known.folded) >= NEAREST_MIN;
        let mut near: Vec<(usize, usize, &Known)> = self
            .names
            .iter()
            .filter(may_be_near)
            .enumerate()
            .map(|(at, known)| (name.most_distance(&known.folded), at, known))
            .collect();
        let key = |(most, at, _): &(usize, usize, &Known)| (*most, *at);
        if near.len() > MAX_COMPARED {
            near.select_nth_unstable_by_key(MAX_COMPARED, key);
            near.truncate(MAX_COMPARED);
        }
        near.sort_by_key(key);
        near.into_iter().map(|(.., known)| known).collect()
    }
}

/// The nearest of a few known names; of a long list that is searched often, keep [`KnownNames`].
#[must_use]
pub fn nearest<'a>(name: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let known: Vec<&str> = known.into_iter().collect();
    let names: KnownNames = known.iter().copied().collect();
    let found = names.nearest(name)?;
    known.into_iter().find(|known| *known == found)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn nearest_takes_slips_and_leaves_strangers() {
        let known = ["zones", "words", "routes"];
        assert_eq!(nearest("zoness", known), Some("zones"));
        assert_eq!(nearest("Wrods", known), Some("words"));
        assert_eq!(nearest("colour", known), None);
        assert_eq!(nearest(&"z".repeat(1_000_000), known), None);
        assert_eq!(nearest("", known), None);
        assert_eq!(nearest("", [""]), Some(""));
    }

    /// 20,000 patches of a large instrument, and names with one slip each.
    #[test]
    fn a_long_list_is_not_compared_name_by_name() {
        let names: Vec<String> = (0..20_000)
            .map(|at| format!("Warm Strings {at:05}"))
            .collect();
        let known: KnownNames = names.iter().map(String::as_str).collect();
        let mut compared = 0;
        for at in (0..20_000).step_by(67) {
            let search = known.search(&format!("Warm Stings {at:05}"));
            assert_eq!(search.found, names.get(at).map(String::as_str));
            compared += search.compared;
        }
        // 299 slips: all names compared would be 5,980,000.
        assert!(compared <= 299 * MAX_COMPARED, "{compared}");
        assert!(known.search("Wholly unlike 99999").compared <= MAX_COMPARED);
    }

    /// Names of the same length and letters, so that neither shows which names are far.
    #[test]
    fn of_a_long_list_of_the_same_letters_so_many_are_compared_and_no_more() {
        // Each bit of the number as two letters.
        let names: Vec<String> = (0..20_000_u32)
            .map(|at| {
                let pair = |bit: u32| if at >> bit & 1 == 1 { "ab" } else { "ba" };
                (0..15).map(pair).collect()
            })
            .collect();
        let known: KnownNames = names.iter().map(String::as_str).collect();
        let search = known.search(&"aabb".repeat(7));
        assert!(search.found.is_some());
        assert_eq!(search.compared, MAX_COMPARED);
    }

    proptest! {
        /// Against all names compared one by one, which is what the search spares.
        #[test]
        fn the_search_finds_what_comparing_all_finds(
            known in proptest::collection::vec("[a-dA-D]{0,8}", 0..40),
            name in "[a-d]{0,8}",
        ) {
            let likeness = |known: &str| {
                strsim::normalized_damerau_levenshtein(&name.to_lowercase(), &known.to_lowercase())
            };
            let best = known.iter().map(|known| likeness(known)).fold(0.0, f64::max);
            let found = nearest(&name, known.iter().map(String::as_str));
            prop_assert_eq!(found.is_some(), best >= NEAREST_MIN);
            if let Some(found) = found {
                prop_assert_eq!(likeness(found), best);
            }
        }
    }
}
