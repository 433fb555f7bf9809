//! A PostgreSQL server of a test's own: made in a new folder, reached by a socket, stopped and
//! taken away at its end. Suites run once on files and once more, as they are, at such a server.
#![allow(dead_code)]

use super::not_run;
use std::env;
use std::fs;
use std::net::TcpListener;
use std::os::unix::fs::{MetadataExt, PermissionsExt, chown};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread::sleep;
use std::time::{Duration, Instant};

/// Where Debian keeps the newest server's programs first.
const FOLDERS: [&str; 4] = [
    "/usr/lib/postgresql/17/bin",
    "/usr/lib/postgresql/16/bin",
    "/usr/lib/postgresql/15/bin",
    "/usr/local/bin",
];

/// Set in a suite that is run again at a server: the socket's folder.
const AT_SERVER: &str = "XYLOCAST_TEST_AT_SERVER";

/// The role that tests connect with: no superuser, and it may make databases.
const ROLE: &str = "grower";

/// A running server.
pub struct Server {
    folder: PathBuf,
    programs: PathBuf,
    process: Child,
    /// Of its socket, and of its addresses where it has any.
    port: u16,
    /// Settings of how it listens.
    listens: Vec<String>,
}

/// The ordinary port, which a socket bears in its name.
const PORT: u16 = 5432;

/// A program of the server's. It refuses to run as root, so it runs as `postgres` then.
fn program(programs: &Path, name: &str) -> Command {
    let is_root = fs::metadata("/proc/self").is_ok_and(|about| about.uid() == 0);
    let path = programs.join(name);
    if !is_root {
        return Command::new(path);
    }
    let mut program = Command::new("setpriv");
    program.args(["--reuid", "postgres", "--regid", "postgres", "--clear-groups", "--"]);
    program.arg(path);
    program
}

impl Server {
    /// Starts one; where there is none to start, says that the test was not run.
    #[track_caller]
    pub fn start() -> Option<Self> {
        let Some(programs) = FOLDERS.iter().map(Path::new).find(|at| at.join("initdb").exists())
        else {
            not_run("there is no PostgreSQL server (Debian: apt-get install postgresql)");
            return None;
        };
        static COUNT: AtomicUsize = AtomicUsize::new(0);
        let number = COUNT.fetch_add(1, Ordering::Relaxed);
        // A socket's path must be short.
        let folder = PathBuf::from(format!("/tmp/xylocast-pg-{}-{number}", std::process::id()));
        let made = program(programs, "initdb")
            .args(["--no-sync", "-A", "trust", "-E", "UTF8", "--locale=C.UTF-8", "-U", "postgres"])
            .arg("-D")
            .arg(folder.join("data"))
            .current_dir("/tmp")
            .output()
            .expect("initdb starts");
        assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
        let listens = vec!["listen_addresses=".to_owned()];
        let process = launch(programs, &folder, &listens);
        let programs = programs.to_owned();
        let server = Self { folder, programs, process, port: PORT, listens };
        server.wait_until_it_answers();
        server.sql("postgres", "postgres", &format!("CREATE ROLE {ROLE} LOGIN CREATEDB"));
        Some(server)
    }

    fn wait_until_it_answers(&self) {
        let since = Instant::now();
        loop {
            let ready = self.ask("postgres", "postgres", "SELECT 1");
            if ready.is_ok() {
                return;
            }
            assert!(since.elapsed() < Duration::from_secs(30), "no answer: {ready:?}");
            sleep(Duration::from_millis(30));
        }
    }

    /// Runs a statement as a role; what it gives.
    pub fn sql(&self, role: &str, database: &str, text: &str) -> String {
        self.ask(role, database, text).unwrap()
    }

    fn ask(&self, role: &str, database: &str, text: &str) -> Result<String, String> {
        psql((&self.programs, &self.folder, self.port), role, database, text)
    }

    /// Address of a new database.
    pub fn database(&self) -> PathBuf {
        new_database(&self.programs, &self.folder)
    }

    /// Stops it as a crash would; what it acknowledged is on the disk.
    pub fn stop(&mut self) {
        let _ = Command::new("kill").args(["-QUIT", &self.process.id().to_string()]).status();
        let _ = self.process.wait();
    }

    /// Starts it again where it was.
    pub fn start_again(&mut self) {
        self.process = launch(&self.programs, &self.folder, &self.listens);
        self.wait_until_it_answers();
    }

    /// Starts it again at this machine's own addresses too; the port. With a certificate and its key
    /// it offers TLS there.
    pub fn listen(&mut self, tls: Option<(&Path, &Path)>) -> u16 {
        let free = TcpListener::bind("127.0.0.1:0").and_then(|port| port.local_addr());
        self.port = free.expect("a port is free").port();
        self.stop();
        let here = ["listen_addresses=127.0.0.1,127.0.0.2".to_owned(), "log_connections=on".into()];
        self.listens = here.into();
        self.listens.push(format!("port={}", self.port));
        if let Some((cert, key)) = tls {
            self.listens.push("ssl=on".into());
            for (name, from) in [("ssl_cert_file", cert), ("ssl_key_file", key)] {
                let to = self.folder.join("data").join(name);
                let data = fs::metadata(self.folder.join("data")).unwrap();
                fs::copy(from, &to).unwrap();
                fs::set_permissions(&to, fs::Permissions::from_mode(0o600)).unwrap();
                chown(&to, Some(data.uid()), Some(data.gid())).unwrap();
                self.listens.push(format!("{name}={}", to.display()));
            }
        }
        self.start_again();
        self.port
    }

    /// What it logged since it was started.
    pub fn log(&self) -> String {
        fs::read_to_string(self.folder.with_extension("log")).unwrap_or_default()
    }
}

fn launch(programs: &Path, folder: &Path, listens: &[String]) -> Child {
    let log = fs::File::create(folder.with_extension("log")).expect("a log can be written");
    program(programs, "postgres")
        .arg("-D")
        .arg(folder.join("data"))
        .arg("-k")
        .arg(folder.join("data"))
        .args(listens.iter().flat_map(|setting| ["-c", setting]))
        .args(["-c", "max_connections=400"])
        .args(["-c", "fsync=off", "-c", "full_page_writes=off", "-c", "shared_buffers=64MB"])
        .current_dir("/tmp")
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(log)
        .spawn()
        .expect("postgres starts")
}

impl Drop for Server {
    fn drop(&mut self) {
        self.stop();
        let _ = fs::remove_dir_all(&self.folder);
        let _ = fs::remove_file(self.folder.with_extension("log"));
    }
}

fn psql(
    (programs, folder, port): (&Path, &Path, u16),
    role: &str,
    database: &str,
    text: &str,
) -> Result<String, String> {
    let output = Command::new(programs.join("psql"))
        .args(["-X", "-q", "-A", "-t", "-v", "ON_ERROR_STOP=1", "-U", role, "-d", database])
        .arg("-h")
        .arg(folder.join("data"))
        .args(["-p", &port.to_string(), "-c", text])
        .output()
        .expect("psql starts");
    match output.status.success() {
        true => Ok(String::from_utf8_lossy(&output.stdout).trim().to_owned()),
        false => Err(String::from_utf8_lossy(&output.stderr).into_owned()),
    }
}

fn new_database(programs: &Path, folder: &Path) -> PathBuf {
    static COUNT: AtomicUsize = AtomicUsize::new(0);
    let number = COUNT.fetch_add(1, Ordering::Relaxed);
    let name = format!("d{}_{number}", std::process::id());
    psql((programs, folder, PORT), ROLE, "postgres", &format!("CREATE DATABASE {name}")).unwrap();
    let host = folder.join("data").display().to_string();
    format!("postgres://{ROLE}@/{name}?host={host}&connections=12").into()
}

/// Runs this file's tests once more, at a server instead of on files; `files` are those that are
/// about files, by parts of their names.
#[track_caller]
pub fn again_at_a_server(files: &[&str], at_least: usize) {
    if env::var_os(AT_SERVER).is_some() {
        return;
    }
    let Some(server) = Server::start() else { return };
    let mut again = Command::new(env::current_exe().unwrap());
    again.env(AT_SERVER, format!("{}|{}", server.programs.display(), server.folder.display()));
    for name in files.iter().chain(&["again_at_a_server"]) {
        again.args(["--skip", name]);
    }
    let output = again.output().unwrap();
    let told = String::from_utf8_lossy(&output.stdout);
    let ran: usize = told
        .lines()
        .filter_map(|line| line.strip_prefix("test result: ")?.split(". ").nth(1))
        .filter_map(|line| line.split(' ').next()?.parse::<usize>().ok())
        .sum();
    let log = server.log();
    let errors: Vec<&str> = log.lines().filter(|line| line.contains("PANIC")).collect();
    assert!(
        output.status.success() && ran >= at_least && errors.is_empty(),
        "at a server ({ran} passed, at least {at_least} wanted):\n{told}\n{}\n{errors:?}",
        String::from_utf8_lossy(&output.stderr)
    );
    super::tell(&format!("{ran} tests passed at a PostgreSQL server too\n"));
}

/// The address of a new database at the server that this suite runs at; none where it runs on files.
pub fn new_place() -> Option<PathBuf> {
    let at = env::var(AT_SERVER).ok()?;
    let (programs, folder) = at.split_once('|').unwrap();
    Some(new_database(Path::new(programs), Path::new(folder)))
}

/// The name of a database, out of its address.
pub fn name_of(database: &Path) -> &str {
    database.to_str().unwrap().split_once("@/").unwrap().1.split_once('?').unwrap().0
}

/// All that a database of the server holds, as text; this suite runs at one.
pub fn dumped(database: &Path) -> Vec<u8> {
    let at = env::var(AT_SERVER).expect("this suite runs at a server");
    let (programs, folder) = at.split_once('|').unwrap();
    let name = name_of(database);
    let dump = Command::new(Path::new(programs).join("pg_dump"))
        .args(["-U", "postgres", "-h", &format!("{folder}/data"), name])
        .output()
        .expect("pg_dump starts");
    assert!(dump.status.success(), "{}", String::from_utf8_lossy(&dump.stderr));
    dump.stdout
}

/// Does this suite run at a server?
pub fn is_at_server() -> bool {
    env::var_os(AT_SERVER).is_some()
}
