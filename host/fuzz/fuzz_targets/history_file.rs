#![no_main]

#[path = "../checks/history_file.rs"]
mod check;

libfuzzer_sys::fuzz_target!(|data: &[u8]| check::check(data));
