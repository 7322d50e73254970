//! Ports of the wings.
