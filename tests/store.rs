//! The database: what it holds to, what it gives back, and what it survives.

mod means;

#[path = "store/exchange.rs"]
mod exchange;
#[path = "store/faults.rs"]
mod faults;
#[path = "store/groves.rs"]
mod groves;
#[path = "store/journal.rs"]
mod journal;
#[path = "store/kills.rs"]
mod kills;
#[path = "store/load.rs"]
mod load;
#[path = "store/office.rs"]
mod office;
#[path = "store/schema.rs"]
mod schema;
#[path = "store/server.rs"]
mod server;

#[test]
fn again_at_a_server() {
    means::postgres::again_at_a_server(&["faults::", "server::", "of_a_file"], 30);
}
