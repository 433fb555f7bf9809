//! The program: hands its arguments and the clock to the terminal.

use std::process::ExitCode;

fn main() -> ExitCode {
    xylocast::cli::run(std::env::args_os(), chrono::Utc::now())
}
