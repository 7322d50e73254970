//! The cheapest flow through a network without circles: what the seats are worked out with.
//!
//! One unit after the other is sent along the cheapest way that is left, taking back parts
//! of earlier ways where that is cheaper (successive shortest paths, with potentials so
//! that each search is Dijkstra's). It stops when one more unit would not lower the cost,
//! which makes the flow a cheapest one of all amounts up to the limit, since each unit
//! costs at least as much as the one before. Textbook material: Ahuja, Magnanti, Orlin,
//! "Network Flows", ch. 9.

use std::cmp::Reverse;
use std::collections::BinaryHeap;

/// The cost of a path.
pub(super) type Cost = i128;

/// A node's number. Arcs lead from lower to higher ones.
pub(super) type Node = usize;

/// An arc's number, as `add` gave it.
pub(super) type ArcId = usize;

/// An arc as it was added.
#[derive(Clone, Copy)]
struct Drawn {
    from: u32,
    to: u32,
    room: u32,
    cost: Cost,
}

/// One direction of an arc, in a table sorted by the node that it leaves.
#[derive(Clone, Copy, Default)]
struct Arc {
    to: u32,
    /// Index of the arc that runs the other way.
    back: u32,
    room: u32,
    cost: Cost,
}

/// A network being built, then solved.
pub(super) struct Network {
    node_count: usize,
    drawn: Vec<Drawn>,
    arcs: Vec<Arc>,
    /// Where in `arcs` the arcs of each node begin; one more for the end.
    starts: Vec<u32>,
    /// Where in `arcs` each drawn arc is.
    places: Vec<u32>,
}

/// The distance of a node that no path reaches.
const NOWHERE: Cost = Cost::MAX;
/// Stands for no arc, where the index of an arc is kept.
const NO_ARC: u32 = u32::MAX;

/// The shortest paths: the distance of each node, and the last arc on its path.
struct Ways {
    distances: Vec<Cost>,
    by: Vec<u32>,
}

impl Network {
    /// A network without nodes.
    pub(super) const fn new() -> Self {
        Self {
            node_count: 0,
            drawn: Vec::new(),
            arcs: Vec::new(),
            starts: Vec::new(),
            places: Vec::new(),
        }
    }

    /// One more node; its number is the next.
    pub(super) const fn add_node(&mut self) -> Node {
        self.node_count += 1;
        self.node_count - 1
    }

    /// An arc from a node to a higher one, with room for so many units.
    pub(super) fn add(&mut self, from: Node, to: Node, room: u32, cost: Cost) -> ArcId {
        self.drawn.push(Drawn {
            from: from as u32,
            to: to as u32,
            room,
            cost,
        });
        self.drawn.len() - 1
    }

    /// How many units an arc carries.
    pub(super) fn carried(&self, arc: ArcId) -> u32 {
        let arc = self.places.get(arc).and_then(|at| self.arc(*at));
        arc.and_then(|arc| self.arc(arc.back))
            .map_or(0, |back| back.room)
    }

    /// Sends units from the first node to the last while that lowers the cost.
    pub(super) fn solve(&mut self) {
        self.sort();
        let last = self.node_count.saturating_sub(1);
        // The first path needs no search, because all arcs still lead upwards.
        let mut ways = self.sweep();
        let mut potentials = ways.distances.clone();
        while potentials
            .get(last)
            .is_some_and(|cost| *cost < 0 && *cost != NOWHERE)
        {
            self.send(last, &ways.by);
            self.search(&potentials, last, &mut ways);
            let reached = ways.distances.get(last).copied().unwrap_or(NOWHERE);
            if reached == NOWHERE {
                break;
            }
            for (potential, distance) in potentials.iter_mut().zip(&ways.distances) {
                // Nodes beyond the last one were not searched: they are at least as far.
                if *potential != NOWHERE {
                    *potential += (*distance).min(reached);
                }
            }
        }
    }

    /// Puts the arcs of each node, both directions of each, side by side.
    fn sort(&mut self) {
        let mut starts = vec![0_u32; self.node_count + 2];
        for arc in &self.drawn {
            for node in [arc.from, arc.to] {
                if let Some(count) = starts.get_mut(node as usize + 2) {
                    *count += 1;
                }
            }
        }
        let mut sum = 0;
        for start in &mut starts {
            sum += *start;
            *start = sum;
        }
        // Each node's entry in `starts` is advanced as its arcs are placed, and is therefore
        // kept one further on: in the end all are at their own places.
        let mut arcs = vec![Arc::default(); self.drawn.len() * 2];
        let mut take = |node: u32| {
            let next = starts.get_mut(node as usize + 1)?;
            *next += 1;
            Some(*next - 1)
        };
        let mut places = Vec::with_capacity(self.drawn.len());
        for drawn in &self.drawn {
            let (there, back) = (take(drawn.from), take(drawn.to));
            let (there, back) = (there.unwrap_or(NO_ARC), back.unwrap_or(NO_ARC));
            if let Some(arc) = arcs.get_mut(there as usize) {
                *arc = Arc {
                    to: drawn.to,
                    back,
                    room: drawn.room,
                    cost: drawn.cost,
                };
            }
            if let Some(arc) = arcs.get_mut(back as usize) {
                *arc = Arc {
                    to: drawn.from,
                    back: there,
                    room: 0,
                    cost: -drawn.cost,
                };
            }
            places.push(there);
        }
        (self.arcs, self.starts, self.places) = (arcs, starts, places);
    }

    /// The cheapest cost from the first node to each, while arcs lead upwards only.
    fn sweep(&self) -> Ways {
        let mut ways = Ways {
            distances: vec![NOWHERE; self.node_count],
            by: vec![NO_ARC; self.node_count],
        };
        if let Some(first) = ways.distances.first_mut() {
            *first = 0;
        }
        for node in 0..self.node_count {
            let here = ways.distances.get(node).copied().unwrap_or(NOWHERE);
            if here == NOWHERE {
                continue;
            }
            for (id, arc) in self.open(node) {
                ways.improve(arc.to as usize, here + arc.cost, id);
            }
        }
        ways
    }

    /// Shortest distances up to the last node in reduced costs, which are never negative, and
    /// the last arc on the path to each node.
    fn search(&self, potentials: &[Cost], last: Node, ways: &mut Ways) {
        ways.distances.fill(NOWHERE);
        ways.by.fill(NO_ARC);
        if let Some(first) = ways.distances.first_mut() {
            *first = 0;
        }
        let potential = |node: usize| potentials.get(node).copied().unwrap_or(NOWHERE);
        let mut waiting = BinaryHeap::from([Reverse((0, 0))]);
        // Most arcs on shortest paths have a reduced cost of 0: nodes reached by them come next
        // in any case and need no sorting.
        let mut near: Vec<(Cost, u32)> = Vec::new();
        while let Some((distance, node)) = near
            .pop()
            .or_else(|| waiting.pop().map(|Reverse(next)| next))
        {
            let node = node as usize;
            if node == last {
                break;
            }
            if ways.distances.get(node) != Some(&distance) {
                continue;
            }
            let here = distance + potential(node);
            for (id, arc) in self.open(node) {
                let there = potential(arc.to as usize);
                if there == NOWHERE {
                    continue;
                }
                let reached = here + arc.cost - there;
                if ways.improve(arc.to as usize, reached, id) {
                    if reached == distance {
                        near.push((reached, arc.to));
                    } else {
                        waiting.push(Reverse((reached, arc.to)));
                    }
                }
            }
        }
    }

    /// Sends one unit along the path found, from the last node back to the first.
    fn send(&mut self, last: Node, by: &[u32]) {
        let mut node = last;
        while let Some(id) = by.get(node).copied().filter(|id| *id != NO_ARC) {
            let Some(arc) = self.arcs.get_mut(id as usize) else {
                return;
            };
            arc.room = arc.room.saturating_sub(1);
            let back = arc.back as usize;
            let Some(back) = self.arcs.get_mut(back) else {
                return;
            };
            back.room += 1;
            node = back.to as usize;
        }
    }

    fn arc(&self, at: u32) -> Option<&Arc> {
        self.arcs.get(at as usize)
    }

    /// The arcs with room that leave a node.
    fn open(&self, node: Node) -> impl Iterator<Item = (u32, &Arc)> {
        let start = self.starts.get(node).copied().unwrap_or(0);
        let end = self.starts.get(node + 1).copied().unwrap_or(start);
        let arcs = self.arcs.get(start as usize..end as usize);
        (start..)
            .zip(arcs.unwrap_or(&[]))
            .filter(|(_, arc)| arc.room > 0)
    }
}

impl Ways {
    /// Keeps a path to a node if it is shorter than the one known.
    fn improve(&mut self, node: Node, distance: Cost, by: u32) -> bool {
        let (Some(known), Some(way)) = (self.distances.get_mut(node), self.by.get_mut(node)) else {
            return false;
        };
        let is_better = distance < *known;
        if is_better {
            (*known, *way) = (distance, by);
        }
        is_better
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Worked by hand: the first unit goes 0-1-2-3 at -9, the second has to turn it round
    /// (0-2, back over 1-2, 1-3): both together cost -2 - 3 - 4 - 3 = -12.
    #[test]
    fn a_later_unit_takes_back_an_earlier_way() {
        let mut network = Network::new();
        for _ in 0..4 {
            network.add_node();
        }
        let ways = [(0, 1, -2), (0, 2, -4), (1, 2, -4), (1, 3, -3), (2, 3, -3)];
        let arcs = ways.map(|(from, to, cost)| network.add(from, to, 1, cost));
        network.solve();
        assert_eq!(arcs.map(|arc| network.carried(arc)), [1, 1, 0, 1, 1]);
    }

    #[test]
    fn a_unit_that_costs_something_stays_away() {
        let mut network = Network::new();
        for _ in 0..2 {
            network.add_node();
        }
        let arcs = [-1, 0, 1].map(|cost| network.add(0, 1, 2, cost));
        network.solve();
        assert_eq!(arcs.map(|arc| network.carried(arc)), [2, 0, 0]);
    }
}
