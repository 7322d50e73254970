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

/// What ways are compared by.
pub(super) type Cost = i128;

/// A node's number. Arcs lead from lower to higher ones.
pub(super) type Node = usize;

/// An arc's number, as `add` gave it.
pub(super) type ArcId = usize;

/// One direction of an arc; its other direction is the neighbour in the table (2n, 2n + 1).
#[derive(Clone, Copy)]
struct Arc {
    to: Node,
    cost: Cost,
    room: u32,
}

/// A network being built, then solved.
pub(super) struct Network {
    arcs: Vec<Arc>,
    leaving: Vec<Vec<ArcId>>,
}

impl Network {
    /// A network without nodes.
    pub(super) const fn new() -> Self {
        Self {
            arcs: Vec::new(),
            leaving: Vec::new(),
        }
    }

    /// One more node; its number is the next.
    pub(super) fn add_node(&mut self) -> Node {
        self.leaving.push(Vec::new());
        self.leaving.len() - 1
    }

    /// An arc from a node to a higher one, with room for so many units.
    pub(super) fn add(&mut self, from: Node, to: Node, room: u32, cost: Cost) -> ArcId {
        let id = self.arcs.len();
        let back = Arc {
            to: from,
            cost: -cost,
            room: 0,
        };
        self.arcs.extend([Arc { to, cost, room }, back]);
        for (node, arc) in [(from, id), (to, id + 1)] {
            if let Some(leaving) = self.leaving.get_mut(node) {
                leaving.push(arc);
            }
        }
        id
    }

    /// How many units an arc carries.
    pub(super) fn carried(&self, arc: ArcId) -> u32 {
        self.arcs.get(arc + 1).map_or(0, |back| back.room)
    }

    /// Sends units from the first node to the last while that lowers the cost.
    pub(super) fn solve(&mut self) {
        let mut potentials = self.first_potentials();
        let last = self.leaving.len().saturating_sub(1);
        loop {
            let (distances, ways) = self.search(&potentials, last);
            let Some(reached) = distances.get(last).copied().flatten() else {
                break;
            };
            for (potential, distance) in potentials.iter_mut().zip(&distances) {
                // What lies beyond the last node was not searched: it is at least as far.
                let distance = distance.map_or(reached, |distance| distance.min(reached));
                *potential = potential.map(|potential| potential + distance);
            }
            match potentials.get(last) {
                Some(Some(cost)) if *cost < 0 => self.send(last, &ways),
                _ => break,
            }
        }
    }

    /// The cheapest cost from the first node to each, arcs leading upwards only.
    fn first_potentials(&self) -> Vec<Option<Cost>> {
        let mut best: Vec<Option<Cost>> = vec![None; self.leaving.len()];
        if let Some(first) = best.first_mut() {
            *first = Some(0);
        }
        for node in 0..self.leaving.len() {
            let Some(here) = best.get(node).copied().flatten() else {
                continue;
            };
            for arc in self.open(node) {
                let there = here + arc.1.cost;
                if let Some(known) = best.get_mut(arc.1.to)
                    && known.is_none_or(|known| there < known)
                {
                    *known = Some(there);
                }
            }
        }
        best
    }

    /// Distances up to the last node in reduced costs, none of which is below nothing, and
    /// for each node the arc it is best reached by.
    fn search(
        &self,
        potentials: &[Option<Cost>],
        last: Node,
    ) -> (Vec<Option<Cost>>, Vec<Option<ArcId>>) {
        let count = self.leaving.len();
        let mut distances: Vec<Option<Cost>> = vec![None; count];
        let mut ways: Vec<Option<ArcId>> = vec![None; count];
        let mut waiting = BinaryHeap::from([Reverse((0, 0))]);
        // Most arcs on cheapest ways cost nothing in reduced costs: nodes reached by them
        // are next in any case and need no sorting.
        let mut near: Vec<(Cost, Node)> = Vec::new();
        if let Some(first) = distances.first_mut() {
            *first = Some(0);
        }
        while let Some((distance, node)) = near
            .pop()
            .or_else(|| waiting.pop().map(|Reverse(next)| next))
        {
            if node == last {
                break;
            }
            let is_old = distances.get(node).copied().flatten() != Some(distance);
            let Some(here) = potentials.get(node).copied().flatten() else {
                continue;
            };
            if is_old {
                continue;
            }
            for (id, arc) in self.open(node) {
                let Some(there) = potentials.get(arc.to).copied().flatten() else {
                    continue;
                };
                let reached = distance + arc.cost + here - there;
                let (Some(known), Some(way)) = (distances.get_mut(arc.to), ways.get_mut(arc.to))
                else {
                    continue;
                };
                if known.is_none_or(|known| reached < known) {
                    *known = Some(reached);
                    *way = Some(id);
                    if reached == distance {
                        near.push((reached, arc.to));
                    } else {
                        waiting.push(Reverse((reached, arc.to)));
                    }
                }
            }
        }
        (distances, ways)
    }

    /// Sends one unit along the ways found, from the last node back to the first.
    fn send(&mut self, last: Node, ways: &[Option<ArcId>]) {
        let mut node = last;
        while let Some(id) = ways.get(node).copied().flatten() {
            if let Some(arc) = self.arcs.get_mut(id) {
                arc.room = arc.room.saturating_sub(1);
            }
            // The two directions of an arc differ in the lowest bit of their number.
            let Some(back) = self.arcs.get_mut(id ^ 1) else {
                return;
            };
            back.room += 1;
            node = back.to;
        }
    }

    /// The arcs with room that leave a node.
    fn open(&self, node: Node) -> impl Iterator<Item = (ArcId, &Arc)> {
        let leaving = self.leaving.get(node).map_or(&[][..], Vec::as_slice);
        leaving
            .iter()
            .filter_map(|id| Some((*id, self.arcs.get(*id)?)))
            .filter(|(_, arc)| arc.room > 0)
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
