//! The real binary as a service with a data folder of its own, which can be killed and come back.

use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use tempfile::TempDir;

pub const PASSWORD: &str = "correct horse";

/// The service, ended with the test whatever becomes of it.
pub struct Service {
    pub data: TempDir,
    /// As a browser writes it, `http://127.0.0.1:34567`.
    pub origin: String,
    args: Vec<String>,
    running: Option<Child>,
}

/// A command of the program, not run yet and deaf to settings around it.
fn program() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_xylocast"));
    for name in ["XYLOCAST_DATA", "XYLOCAST_GROVE", "XYLOCAST_LISTEN"] {
        command.env_remove(name);
    }
    command
}

impl Service {
    /// At this machine, with nobody in it.
    pub fn open() -> Self {
        Self::with(&[], "127.0.0.1:0", &[])
    }

    /// With people, of their roles, that all have one password.
    pub fn with(people: &[(&str, &str)], listen: &str, more: &[&str]) -> Self {
        let data = tempfile::tempdir().unwrap();
        for (name, role) in people {
            let mut adding = program();
            adding.args(["people", "add", name, "--role", role, "--data"]).arg(data.path());
            let mut child = adding.stdin(Stdio::piped()).stdout(Stdio::null()).spawn().unwrap();
            writeln!(child.stdin.take().unwrap(), "{PASSWORD}").unwrap();
            assert!(child.wait().unwrap().success());
        }
        let args = [&["serve", "--pull", "false", "--log-level", "error"], more].concat();
        let args = args.into_iter().map(str::to_owned).collect();
        let mut service = Self { data, origin: String::new(), args, running: None };
        service.start(listen);
        service
    }

    fn start(&mut self, listen: &str) {
        let mut command = program();
        command.args(&self.args).args(["--listen", listen, "--data"]).arg(self.data.path());
        let mut child = command.stderr(Stdio::piped()).spawn().unwrap();
        let mut said = BufReader::new(child.stderr.take().unwrap()).lines().map(Result::unwrap);
        self.running = Some(child);
        let mut told = Vec::new();
        let listening = said.by_ref().find(|line| {
            told.push(line.clone());
            line.contains(" serves http")
        });
        let listening = listening.unwrap_or_else(|| panic!("it did not start: {told:?}"));
        let origin = listening.split_once(" serves ").unwrap().1;
        self.origin = origin.trim_end_matches('/').to_owned();
        // What it logs is shown with the test, and must not fill the pipe.
        std::thread::spawn(move || said.for_each(|line| eprintln!("service: {line}")));
    }

    /// Kills it as a power cut would.
    pub fn kill(&mut self) {
        if let Some(mut child) = self.running.take() {
            let _ = child.kill();
            let _ = child.wait();
        }
    }

    /// Starts it again at the same address with the same data.
    pub fn come_back(&mut self) {
        assert!(self.running.is_none());
        let listen = self.origin.split_once("://").unwrap().1.to_owned();
        self.start(&listen);
    }

    pub fn to(&self, path: &str) -> String {
        format!("{}{path}", self.origin)
    }

    /// The database of a grove.
    pub fn database(&self, grove: &str) -> PathBuf {
        self.data.path().join(format!("{grove}.db"))
    }
}

impl Drop for Service {
    fn drop(&mut self) {
        self.kill();
    }
}

/// Notes something at the terminal, as somebody else at the yard would.
pub fn log_at_terminal(database: &Path, args: &[&str]) {
    let mut command = program();
    command.arg("log").args(args).arg("--grove").arg(database);
    let output = command.output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
}
