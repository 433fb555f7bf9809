//! Who comes in: the real router asked as browsers, programs and strangers would, and the real
//! binary that refuses to start where it must.

mod access {
    mod forged;
    mod groves;
    mod live;
    mod means;
    mod once;
    mod people;
    mod roles;
    mod start;
    mod tls;
}
