#![no_main]

#[path = "../checks/board_kind.rs"]
mod check;

libfuzzer_sys::fuzz_target!(|data: &[u8]| check::check(data));
