#![no_main]

#[path = "../bodies.rs"]
#[allow(dead_code)] // each target uses its part
mod bodies;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| bodies::request(bytes));
