//! What goes out of a port next, and when: lanes, pacing, the price of bytes. Pure.
//!
//! One [`Wire`] belongs to one port. Times are microseconds of any clock that does not
//! run backwards; nothing here reads one. After `Wire::new` nothing allocates.
#![deny(
    clippy::disallowed_methods,
    clippy::disallowed_types,
    clippy::indexing_slicing
)]

mod item;
mod lanes;
mod meter;
pub mod price;
mod queue;
mod wall;

pub use item::{Item, Lane, Payload};
pub use lanes::{Full, Limits, Next, Wire};
pub use meter::{LaneCount, Reading, Snapshot};
pub use price::{PortKind, cost_us};
pub use wall::{Barred, Wall};
