#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| xylocast_fuzz::folder::grove_files(data));
