#![no_main]

#[path = "../checks/connector_toml.rs"]
mod check;

libfuzzer_sys::fuzz_target!(|data: &[u8]| check::check(data));
