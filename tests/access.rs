//! Who comes in: the real router asked as browsers, programs and strangers would, and the real
//! binary that refuses to start where it must.

mod access {
    mod forged;
    mod groves;
    mod live;
    pub mod means;
    mod once;
    mod people;
    mod roles;
    mod start;
    mod tls;
}

#[test]
fn again_at_a_server() {
    access::means::needs::postgres::again_at_a_server(&["start::", "tls::"], 25);
}
