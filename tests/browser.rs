//! A real browser, driven against the real service: what a person taps, what a phone keeps, what
//! comes out on paper. Without Chromium, its driver, axe-core or a network namespace the tests say
//! `NOT RUN`.
//!
//! `XYLOCAST_PICTURES=DIR cargo test --test browser` writes a picture of every page there, to be
//! looked at.

mod means;

mod browser {
    mod first_run;
    mod ledger;
    mod looks;
    mod offline;
    mod over_tls;
    mod paper;
    mod service;
    mod tools;
    mod window;
}
