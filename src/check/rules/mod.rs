//! The registry: every rule, one line each.
//!
//! To add one: a file here with a `RULE`, its line below, and a folder
//! `tests/data/check/ID` with a good show, a bad one and the words expected.

mod bank_left_empty;
mod bend_beyond_range;
mod controllers_overlap;
mod cue_without_sound;
mod cut_by_manners;
mod empty_song_order;
mod feedback_loop;
mod fixed_slot_used_twice;
mod key_port_misused;
mod keys_beyond_controller;
mod level_beyond_range;
mod machinery;
mod missing_neutral;
mod mpe_bend_beyond;
mod mpe_members_short;
mod mpe_two_surfaces;
mod mpe_zone_overlaps;
mod night_too_long;
mod no_step_pedal;
mod nothing_to_play;
mod one_note_twice;
mod output_feeds_input;
mod page_missing;
mod pedal_bound_twice;
mod pedal_hides_source;
mod port_matches_two;
mod repeated_bar;
mod route_hides_value;
mod routes_fight;
mod shared_channel;
mod slot_just_played;
mod spare_played;
mod too_many_sounds;
mod transposition_out_of_range;
mod unreachable_scene;

use super::{ReadingRule, Rule};

/// Every rule over a show that was read, by id.
pub const RULES: &[Rule] = &[
    bank_left_empty::RULE,
    bend_beyond_range::RULE,
    controllers_overlap::RULE,
    cue_without_sound::RULE,
    cut_by_manners::RULE,
    empty_song_order::RULE,
    feedback_loop::RULE,
    fixed_slot_used_twice::RULE,
    key_port_misused::RULE,
    keys_beyond_controller::RULE,
    level_beyond_range::RULE,
    machinery::RULE,
    missing_neutral::RULE,
    mpe_bend_beyond::RULE,
    mpe_members_short::RULE,
    mpe_two_surfaces::RULE,
    mpe_zone_overlaps::RULE,
    night_too_long::RULE,
    no_step_pedal::RULE,
    nothing_to_play::RULE,
    one_note_twice::RULE,
    output_feeds_input::RULE,
    page_missing::RULE,
    pedal_bound_twice::RULE,
    pedal_hides_source::RULE,
    port_matches_two::RULE,
    repeated_bar::RULE,
    route_hides_value::RULE,
    routes_fight::RULE,
    shared_channel::RULE,
    slot_just_played::RULE,
    spare_played::RULE,
    too_many_sounds::RULE,
    transposition_out_of_range::RULE,
    unreachable_scene::RULE,
];

/// Every rule whose findings come from reading names and values, by id; all are errors. Those of
/// the grammar itself (`syntax`, `duplicate-key` and others) are listed in `show::tree`; those of
/// whole files (`unreadable-file`, `not-utf8`, `too-many-files`) are made in `show::read`.
pub const READING: &[ReadingRule] = &[
    ReadingRule {
        id: "bad-patch-list",
        says: "a line or column of a patch list that cannot be read",
    },
    ReadingRule {
        id: "bad-value",
        says: "a text or number that does not mean what its field needs",
    },
    ReadingRule {
        id: "duplicate-name",
        says: "two things of one kind with one name or call number",
    },
    ReadingRule {
        id: "like-cycle",
        says: "scenes that are like each other, round and round",
    },
    ReadingRule {
        id: "missing-field",
        says: "a field that must be there and is not",
    },
    ReadingRule {
        id: "missing-file",
        says: "a file that is named and is not there",
    },
    ReadingRule {
        id: "parameter-out-of-range",
        says: "a parameter's value outside its range",
    },
    ReadingRule {
        id: "patch-not-in-list",
        says: "a patch that its receiver's list does not have",
    },
    ReadingRule {
        id: "unknown-name",
        says: "a name that nothing in the show has",
    },
];
