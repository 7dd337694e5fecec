#![no_main]
#![allow(missing_docs)]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| bedkeeper_tests::fuzz::flash(bytes));
