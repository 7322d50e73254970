//! All integration tests that can share one process, as modules of one binary.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod cases;
mod check_rules;
mod commands;
mod gate;
mod hostile_words;
mod key_pedals;
mod large_shows;
mod machinery;
mod mpe;
mod own_sounds;
mod picture;
mod place_kept;
mod plan_night;
mod port_matching;
mod price_night;
mod ron_read;
mod ron_tree;
mod routes;
mod screens;
mod show_read;
mod slips;
mod small_shows;
mod stated_defaults;
mod store_files;
mod unreadable;
mod writing;
