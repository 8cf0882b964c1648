#![no_main]

use scantling_core::read::Format;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| scantling_fuzz::read(bytes, Format::Text));
