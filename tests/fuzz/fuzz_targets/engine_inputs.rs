//! Hands what the fuzzer makes up to the body of this name.
#![no_main]

#[path = "../bodies/mod.rs"]
mod bodies;

libfuzzer_sys::fuzz_target!(|data: &[u8]| bodies::engine_inputs(data));
