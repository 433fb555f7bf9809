#![no_main]

use std::cell::LazyCell;
use xylocast_fuzz::service::Service;

thread_local! {
    static SERVICE: LazyCell<Service> = LazyCell::new(Service::open);
}

libfuzzer_sys::fuzz_target!(|data: &[u8]| SERVICE.with(|service| service.take(data)));
