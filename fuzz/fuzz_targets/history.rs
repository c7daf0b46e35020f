#![no_main]

#[path = "../../tests/hostile/mod.rs"]
mod hostile;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| hostile::history(bytes));
