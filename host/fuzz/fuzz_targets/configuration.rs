#![no_main]

#[path = "../checks/configuration.rs"]
mod check;

libfuzzer_sys::fuzz_target!(|data: &[u8]| check::check(data));
