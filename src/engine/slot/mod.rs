//! The parts of a slot's state, each with fields of its own and methods that keep them true:
//! its patch that loads, its level that moves, its pedals, what sounds on it, what it is yet
//! to be sent, and the fingers that play it.

pub(super) mod debts;
pub(super) mod fingers;
pub(super) mod level;
pub(super) mod load;
pub(super) mod pedals;
pub(super) mod sounding;
