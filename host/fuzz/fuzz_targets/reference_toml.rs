#![no_main]

#[path = "../checks/reference_toml.rs"]
mod check;

libfuzzer_sys::fuzz_target!(|data: &[u8]| check::check(data));
