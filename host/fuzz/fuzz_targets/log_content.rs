#![no_main]

#[path = "../checks/log_content.rs"]
mod check;

#[path = "../checks/log_stream.rs"]
mod log_stream;

libfuzzer_sys::fuzz_target!(|data: &[u8]| check::check(data));
