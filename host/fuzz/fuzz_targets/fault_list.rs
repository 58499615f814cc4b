#![no_main]

#[path = "../checks/fault_list.rs"]
mod check;

libfuzzer_sys::fuzz_target!(|data: &[u8]| check::check(data));
