//! Writers of one process take turns in the order in which they came.
//!
//! SQLite lets one writer in and makes the others try again after longer and longer naps, so that
//! an unlucky one waits for seconds. Between processes it still does.

use std::sync::{Condvar, Mutex, PoisonError};

/// Number of the next comer, and of whose turn it is.
static TURNS: Mutex<(u64, u64)> = Mutex::new((0, 0));
static NEXT: Condvar = Condvar::new();

/// A writer's turn, until it is dropped.
pub(super) struct Turn(());

/// Waits for all that came before.
pub(super) fn take() -> Turn {
    let mut turns = TURNS.lock().unwrap_or_else(PoisonError::into_inner);
    let own = turns.0;
    turns.0 += 1;
    while turns.1 != own {
        turns = NEXT.wait(turns).unwrap_or_else(PoisonError::into_inner);
    }
    Turn(())
}

impl Drop for Turn {
    fn drop(&mut self) {
        TURNS.lock().unwrap_or_else(PoisonError::into_inner).1 += 1;
        NEXT.notify_all();
    }
}
