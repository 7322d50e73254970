//! Stays of sounds laid on slots, with the least harm: interval colouring as a flow.
//!
//! A *stay* is a stretch of positions, `first` to `last`, at which a sound is played
//! without a gap. It never changes its slot in the middle, since its held notes go on.
//!
//! **When a change is unbroken.** Two stays that follow each other on one slot are apart
//! far enough if the slot carries nothing at one position at least: there the notes held
//! over from the stay before end, and the patch of the one to come is primed. So a stay
//! takes its slot from `first - 1` to `last` (the position before it must be silent for
//! it), and the position after it is kept free by the same rule, seen from its successor.
//! Notes held for longer still are the engine's to spare, by a detour. At the first
//! position of the night nothing came before, so a stay from there takes `0` to `last`.
//!
//! **Exact.** Intervals can be coloured with as many colours as overlap at the busiest
//! place, and with no fewer; here that is the most different sounds that two neighbouring
//! positions have together. Which of the many such colourings moves the fewest bytes is
//! a question about chains: each slot is a chain of stays, a stay costs nothing if the one
//! before it in its chain was the same sound, else what it takes to tell it. Chains are
//! units of a flow (one unit, one slot) through the stays in order of time, and a cheapest
//! flow is found exactly (`flow`). A stay that begins where another has just ended is not
//! forbidden but counted as harm (unless no keys play it: then the engine lets it wait for
//! silence), and harm is compared level by level ([`Harm`]); so the
//! same search gives the unbroken plan when there is one, and the least harmful else.
//! Cuts stand above bytes on purpose: with slots enough, no saving may buy a cut.
//!
//! **Small.** Between two stays the slot waits in a pool with all others that are as long
//! unused, since which of those is taken makes no difference, unless it holds the very
//! sound: then the arc leads there directly. Leading it to the next stay of that sound is
//! enough: whoever skips that one can swap the rest of the chain with the chain it is on.
//! So the network grows with the number of stays, not with its square.
//!
//! **Given seats.** A night that is planned anew while it is played begins with one stay
//! for each slot, all at time 0, in the order of the slots: what they hold. Each chain then
//! begins with one of them, which is its slot; nothing else is different.

use std::collections::{BTreeMap, VecDeque};

use super::flow::{ArcId, Cost, Network, Node};

/// A sound over neighbouring positions.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Stay {
    /// The sound: stays of the same sound have the same number.
    pub(super) identity: u32,
    /// Index of the first position that plays it.
    pub(super) first: usize,
    /// Index of the last position that plays it.
    pub(super) last: usize,
    /// Keys play it, so that notes may be held over from it.
    pub(super) is_played: bool,
    /// At its last position a controller with a hold pedal plays it.
    pub(super) has_pedal: bool,
    /// Keys play it at its first position. If not, the engine waits until its slot is silent,
    /// so that it cuts nothing.
    pub(super) comes_played: bool,
    /// Bytes that change a slot from another sound to this one.
    pub(super) bytes: u32,
}

/// What is bad about a plan, the worst first: compared in the order of the fields.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Default)]
pub(super) struct Harm {
    /// Slots taken at once from a sound that a hold pedal may be holding.
    pub(super) pedal_cuts: u32,
    /// Slots taken at once from a sound whose notes may be held, by pedal or key.
    pub(super) cuts: u32,
    /// Bytes that can only be sent at the press.
    pub(super) press_bytes: u32,
    /// Slots taken soon after another sound: 2 if at once, 1 after one silent position.
    pub(super) haste: u32,
    /// Bytes that can be sent before the press.
    pub(super) primed_bytes: u32,
}

impl Harm {
    /// All fields as one number of the same order, so that the search is quick: each has
    /// room for the sum over [`MAX_STAYS`] stays, and for its negative.
    fn weight(self) -> Cost {
        [
            (self.cuts, COUNT_BITS),
            (self.press_bytes, BYTE_BITS),
            (self.haste, COUNT_BITS),
            (self.primed_bytes, BYTE_BITS),
        ]
        .into_iter()
        .fold(Cost::from(self.pedal_cuts), |weight, (field, bits)| {
            (weight << bits) + Cost::from(field)
        })
    }
}

/// Stays of one group that are weighed exactly: more than a night of ten thousand
/// positions has. With more the plan is still a plan, but perhaps not the best.
const MAX_STAYS: u32 = 1 << 16;
/// Bits of a field that counts at most two for each stay, and its sign.
const COUNT_BITS: u32 = 18;
/// The most bytes that a sound is weighed with.
const MAX_BYTES: u32 = 1 << 10;
/// Bits of a field that counts the bytes of each stay, and its sign.
const BYTE_BITS: u32 = 27;
const _: () = assert!(
    MAX_STAYS * 2 < 1 << COUNT_BITS && MAX_STAYS as u64 * MAX_BYTES as u64 <= 1 << (BYTE_BITS - 1)
);
/// The gain of a stay that has a slot: it outweighs everything else.
const SEATED: Cost = -1 << (2 * COUNT_BITS + 2 * BYTE_BITS + COUNT_BITS);

/// A slot of each stay, counted from 0 within the group.
///
/// `stays` are in order of `first`, and at no position more than `slots` of them.
pub(super) fn colour(stays: &[Stay], slots: u32, can_prime: bool) -> Vec<usize> {
    let mut chains = Chains::build(stays, slots, can_prime);
    chains.network.solve();
    chains.read(stays, slots)
}

/// The pools in which slots wait to be taken by a stay that begins.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Pool {
    /// Slots in use at the position before; for a stay that keys play.
    Cut,
    /// Slots in use at the position before; for a stay that can wait for silence.
    Patient,
    /// Slots with one silent position between.
    One,
    /// Slots silent for longer, or never used.
    Long,
}

impl Pool {
    const ALL: [Self; 4] = [Self::Cut, Self::Patient, Self::One, Self::Long];

    /// Whether a slot last used at `last` is in this pool at `first`.
    fn holds(self, last: usize, first: usize) -> bool {
        match first.saturating_sub(last) {
            0 | 1 => matches!(self, Self::Cut | Self::Patient),
            2 => self == Self::One,
            _ => self == Self::Long,
        }
    }

    /// Whether a stay may take a slot from this pool.
    fn serves(self, stay: &Stay) -> bool {
        match self {
            Self::Cut => stay.comes_played,
            Self::Patient => !stay.comes_played,
            Self::One | Self::Long => true,
        }
    }
}

/// The arcs of one stay.
struct StayArcs {
    first: usize,
    /// Arcs that come from a pool of free slots.
    taken: Vec<(Pool, ArcId)>,
    /// Arcs from the last stay of the same sound, or from several if slots held it before.
    returned: Vec<(usize, ArcId)>,
    /// Arcs to the pools of later starts.
    left: Vec<(Pool, usize, ArcId)>,
}

/// The network of chains, and where to read them off.
struct Chains {
    network: Network,
    stays: Vec<StayArcs>,
}

/// The nodes that belong to a position at which stays begin.
struct Start {
    position: usize,
    pools: [Node; 4],
}

impl Chains {
    fn build(stays: &[Stay], slots: u32, can_prime: bool) -> Self {
        let mut network = Network::new();
        let source = network.add_node();
        let mut starts: Vec<Start> = Vec::new();
        let mut ends: Vec<(Node, Node)> = Vec::with_capacity(stays.len());
        // Nodes in order of time, so that all arcs lead upwards.
        for stay in stays {
            if starts
                .last()
                .is_none_or(|start| start.position < stay.first)
            {
                starts.push(Start {
                    position: stay.first,
                    pools: Pool::ALL.map(|_| network.add_node()),
                });
            }
            ends.push((network.add_node(), network.add_node()));
        }
        let sink = network.add_node();
        if let Some([.., long]) = starts.first().map(|start| start.pools) {
            network.add(source, long, slots, 0);
        }
        for pair in starts.windows(2) {
            if let [from, to] = pair {
                let ([.., from], [.., to]) = (from.pools, to.pools);
                network.add(from, to, slots, 0);
            }
        }
        let mut chains = Self {
            network,
            stays: Vec::with_capacity(stays.len()),
        };
        let mut latest: BTreeMap<u32, Vec<usize>> = BTreeMap::new();
        for (index, (stay, (come, go))) in stays.iter().zip(&ends).enumerate() {
            let known = latest.entry(stay.identity).or_default();
            // What slots hold from before may be the same sound more than once, at once.
            let (over, at_once): (Vec<usize>, Vec<usize>) = std::mem::take(known)
                .into_iter()
                .partition(|before| stays.get(*before).is_some_and(|b| b.last < stay.first));
            *known = at_once;
            known.push(index);
            let before: Vec<(usize, Node)> = over
                .into_iter()
                .filter_map(|before| Some((before, ends.get(before)?.1)))
                .collect();
            chains.add_stay(stay, (*come, *go), &before, &starts, can_prime);
            chains.network.add(*go, sink, 1, 0);
        }
        chains
    }

    fn add_stay(
        &mut self,
        stay: &Stay,
        (come, go): (Node, Node),
        before: &[(usize, Node)],
        starts: &[Start],
        can_prime: bool,
    ) {
        self.network.add(come, go, 1, SEATED);
        let mut arcs = StayArcs {
            first: stay.first,
            taken: Vec::new(),
            returned: Vec::new(),
            left: Vec::new(),
        };
        let here = starts.partition_point(|start| start.position < stay.first);
        if let Some(start) = starts.get(here) {
            for (pool, node) in Pool::ALL.into_iter().zip(start.pools) {
                if pool.serves(stay) {
                    let cost = telling(stay, pool, can_prime).weight();
                    let arc = self.network.add(node, come, 1, cost);
                    arcs.taken.push((pool, arc));
                }
            }
        }
        for (index, node) in before {
            let arc = self.network.add(*node, come, 1, 0);
            arcs.returned.push((*index, arc));
        }
        // The starts right after it, one later, and the first of all others.
        let next = starts.partition_point(|start| start.position <= stay.last);
        for start in starts.iter().skip(next).take(3) {
            for (pool, node) in Pool::ALL.into_iter().zip(start.pools) {
                if pool.holds(stay.last, start.position) {
                    let arc = self.network.add(go, node, 1, leaving(stay, pool).weight());
                    arcs.left.push((pool, start.position, arc));
                }
            }
            if Pool::Long.holds(stay.last, start.position) {
                break;
            }
        }
        self.stays.push(arcs);
    }

    /// Assigns slots along the chains. Of several that wait alike, the one unused for longest
    /// is taken, because notes may still ring on the others.
    fn read(&self, stays: &[Stay], slots: u32) -> Vec<usize> {
        let mut seats: Vec<usize> = Vec::with_capacity(stays.len());
        let mut pools: BTreeMap<(Pool, usize), VecDeque<usize>> = BTreeMap::new();
        let mut unused: VecDeque<usize> = (0..slots as usize).collect();
        let mut left: Vec<(usize, usize)> = Vec::new();
        for (index, arcs) in self.stays.iter().enumerate() {
            // Slots that have waited long by now join the common pool, the oldest first.
            left.sort_unstable();
            let joins = left.partition_point(|(position, _)| *position <= arcs.first);
            unused.extend(left.drain(..joins).map(|(_, slot)| slot));
            let returned = arcs
                .returned
                .iter()
                .find(|(_, arc)| self.network.carried(*arc) > 0)
                .and_then(|(before, _)| seats.get(*before).copied());
            let pool = arcs
                .taken
                .iter()
                .find(|(_, arc)| self.network.carried(*arc) > 0);
            let taken = match pool {
                Some((Pool::Long, _)) => unused.pop_front(),
                Some((pool, _)) => pools
                    .get_mut(&(*pool, arcs.first))
                    .and_then(VecDeque::pop_front),
                None => None,
            };
            debug_assert!(returned.or(taken).is_some(), "stay {index} has a slot");
            let seat = returned.or(taken).unwrap_or(0);
            seats.push(seat);
            let goes = arcs
                .left
                .iter()
                .find(|(.., arc)| self.network.carried(*arc) > 0);
            match goes {
                Some((Pool::Long, position, _)) => left.push((*position, seat)),
                Some((pool, position, _)) => {
                    pools.entry((*pool, *position)).or_default().push_back(seat);
                }
                None => {}
            }
        }
        seats
    }
}

/// The harm of changing a slot from another sound to this one.
fn telling(stay: &Stay, pool: Pool, can_prime: bool) -> Harm {
    let bytes = stay.bytes.min(MAX_BYTES);
    let is_at_once = matches!(pool, Pool::Cut | Pool::Patient);
    // Before the first position nothing is played: nobody waits for its bytes.
    let is_at_press = stay.first > 0 && (is_at_once || !can_prime);
    Harm {
        press_bytes: if is_at_press { bytes } else { 0 },
        primed_bytes: if is_at_press { 0 } else { bytes },
        ..Harm::default()
    }
}

/// The harm to a sound whose slot is taken from this pool.
fn leaving(stay: &Stay, pool: Pool) -> Harm {
    let is_cut = pool == Pool::Cut && stay.is_played;
    Harm {
        pedal_cuts: u32::from(is_cut && stay.has_pedal),
        cuts: u32::from(is_cut),
        haste: match pool {
            Pool::Cut | Pool::Patient => 2,
            Pool::One => 1,
            Pool::Long => 0,
        },
        ..Harm::default()
    }
}
