#![no_main]

#[allow(dead_code, reason = "each target runs one of the checks")]
#[path = "../checks/meter.rs"]
mod check;

libfuzzer_sys::fuzz_target!(|data: &[u8]| check::d14(data));
