//! Played scripts and random playing against the machine.
