#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| xylocast_fuzz::typed::typed(data));
