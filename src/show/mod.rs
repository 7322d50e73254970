//! The document: tree, model, reading, patch lists. Pure: texts in, `(Show, findings)` out.

pub mod model;
