#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| scantling_fuzz::read_step(bytes));
