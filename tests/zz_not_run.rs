//! The last test program, as cargo takes them by name: counts the tests that lacked their means.

mod means;

#[test]
fn tests_not_run_are_counted() {
    let count = means::count_and_clear();
    means::tell(&format!("NOT RUN in all: {count}\n"));
}
