//! What must stand on the machine: a browser, its driver, the checker of accessibility, and now and
//! then a network of its own. `.ci/run` installs all of it.

use crate::means;
use std::env;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::thread::sleep;
use std::time::{Duration, Instant};

/// Beside `target`'s other folders; `.ci/run` puts axe-core there by npm.
const AXE: &str = "browser-tools/node_modules/axe-core/axe.min.js";

/// One browser at a time: two of them and two services are too much for two cores, and a page that is
/// late is one from what was kept.
static TURN: Mutex<()> = Mutex::new(());

/// Programs of the browser, for as long as it is this test's turn.
#[derive(Debug)]
pub struct Tools {
    pub chromium: PathBuf,
    pub chromedriver: PathBuf,
    _turn: MutexGuard<'static, ()>,
}

/// The first of some programs that is on the path.
fn program(names: &[&str]) -> Option<PathBuf> {
    let path = env::var_os("PATH").unwrap_or_default();
    let folders: Vec<PathBuf> =
        env::split_paths(&path).chain(["/usr/sbin", "/sbin"].map(PathBuf::from)).collect();
    let files = names.iter().flat_map(|name| folders.iter().map(move |folder| folder.join(name)));
    files.into_iter().find(|file| file.is_file())
}

/// A program, or the word that the test is not run.
#[track_caller]
fn needed(names: &[&str], package: &str) -> Option<PathBuf> {
    let found = program(names);
    if found.is_none() {
        means::not_run(&format!("there is no {}: install {package}", names[0]));
    }
    found
}

impl Tools {
    /// The browser and its driver.
    #[track_caller]
    pub fn find() -> Option<Self> {
        Some(Self {
            chromium: needed(&["chromium", "chromium-browser", "google-chrome"], "chromium")?,
            chromedriver: needed(&["chromedriver"], "chromium-driver")?,
            _turn: TURN.lock().unwrap_or_else(PoisonError::into_inner),
        })
    }
}

/// The reader of printed pages.
#[track_caller]
pub fn pdftotext() -> Option<PathBuf> {
    needed(&["pdftotext"], "poppler-utils")
}

/// The checker of accessibility, as a script.
#[track_caller]
pub fn axe() -> Option<String> {
    let beside = Path::new(env!("CARGO_TARGET_TMPDIR")).with_file_name(AXE);
    let script = std::fs::read_to_string(&beside).ok();
    if script.is_none() {
        let npm = "npm install --prefix target/browser-tools axe-core@4.14.1";
        means::not_run(&format!("there is no {}: {npm}", beside.display()));
    }
    script
}

/// A network in which nothing has changed for so long has settled.
const QUIET: Duration = Duration::from_millis(1500);

/// Networks that this process made.
static MADE: AtomicU32 = AtomicU32::new(0);

/// A network of its own that is reached by two links: one for the service, which can be cut, and one
/// for the browser's driver, which cannot.
#[derive(Debug)]
pub struct Network {
    ip: PathBuf,
    pub name: String,
    number: u32,
}

impl Network {
    /// Only root may make one.
    #[track_caller]
    pub fn make() -> Option<Self> {
        let ip = needed(&["ip"], "iproute2")?;
        let number = std::process::id() * 4 + MADE.fetch_add(1, Ordering::Relaxed) % 4;
        let network = Self { ip, name: format!("xylocast-{number}"), number };
        if !network.ip(&["netns", "add", &network.name]) {
            means::not_run("no network namespace can be made: be root");
            return None;
        }
        for link in [Link::Service, Link::Driver] {
            let [near, far] = network.ends(link);
            let subnet = network.subnet(link);
            assert!(network.ip(&["link", "add", &near, "type", "veth", "peer", "name", &far]));
            for end in [&near, &far] {
                assert!(network.ip(&["link", "set", end, "addrgenmode", "none"]));
            }
            assert!(network.ip(&["link", "set", &far, "netns", &network.name]));
            assert!(network.ip(&["address", "add", &format!("{subnet}.1/24"), "dev", &near]));
            assert!(network.ip(&["link", "set", &near, "up"]));
            let inside = ["-n", &network.name];
            let address = format!("{subnet}.2/24");
            assert!(
                network.ip(&[&inside[..], &["address", "add", &address, "dev", &far]].concat())
            );
            assert!(network.ip(&[&inside[..], &["link", "set", &far, "up"]].concat()));
        }
        assert!(network.ip(&["-n", &network.name, "link", "set", "lo", "up"]));
        network.settle();
        Some(network)
    }

    /// Waits until nothing changes any more: a link that comes up, or gives itself an address of IPv6,
    /// once the browser runs is a change of the network to it, which breaks off what it is loading.
    fn settle(&self) {
        let from = Instant::now();
        let seen = || {
            let all = ["-n", &self.name, "-o", "address"];
            let told = Command::new(&self.ip).args(all).output().unwrap().stdout;
            let links = Command::new(&self.ip).args(["-n", &self.name, "-o", "link"]).output();
            (told, String::from_utf8(links.unwrap().stdout).unwrap())
        };
        let (mut before, mut since) = (seen(), Instant::now());
        loop {
            sleep(Duration::from_millis(100));
            let now = seen();
            if now != before {
                (before, since) = (now, Instant::now());
            } else if now.1.matches("state UP").count() == 2 && since.elapsed() > QUIET {
                return;
            }
            assert!(
                from.elapsed() < Duration::from_secs(30),
                "the links do not settle: {before:?}"
            );
        }
    }

    /// Addresses that no real network here has (RFC 2544 keeps 198.18.0.0/15 for tests), apart for
    /// each run.
    fn subnet(&self, link: Link) -> String {
        let own = self.number % 125 * 2 + u32::from(link == Link::Driver);
        format!("198.18.{own}")
    }

    fn ends(&self, link: Link) -> [String; 2] {
        let kind = if link == Link::Service { "s" } else { "d" };
        ["a", "b"].map(|end| format!("xy{kind}{end}{}", self.number))
    }

    /// Where the service listens.
    pub fn service_address(&self) -> String {
        format!("{}.1", self.subnet(Link::Service))
    }

    /// Where the driver listens, inside.
    pub fn driver_address(&self) -> String {
        format!("{}.2", self.subnet(Link::Driver))
    }

    /// Cuts the link to the service, or mends it.
    pub fn cut(&self, is_cut: bool) {
        let [near, _] = self.ends(Link::Service);
        assert!(self.ip(&["link", "set", &near, if is_cut { "down" } else { "up" }]));
    }

    /// A program that runs inside.
    pub fn inside(&self, program: &Path) -> Command {
        let mut command = Command::new(&self.ip);
        command.args(["netns", "exec", &self.name]).arg(program);
        command
    }

    fn ip(&self, args: &[&str]) -> bool {
        let status = Command::new(&self.ip).args(args).stderr(Stdio::null()).status();
        status.is_ok_and(|status| status.success())
    }
}

impl Drop for Network {
    fn drop(&mut self) {
        // Its links go with it.
        self.ip(&["netns", "delete", &self.name]);
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Link {
    Service,
    Driver,
}
