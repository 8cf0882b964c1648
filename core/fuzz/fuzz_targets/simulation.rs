#![no_main]

libfuzzer_sys::fuzz_target!(|text: &str| scantling_fuzz::check_simulation(text));
