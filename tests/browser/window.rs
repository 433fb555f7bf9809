//! A browser that is driven as a person would: by the words on its buttons and fields. It can be
//! killed and opened again with the same profile.

use super::tools::{Network, Tools};
use serde_json::{Value, json};
use std::fs;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};
use thirtyfour::prelude::*;

/// A page may have to compute a plan, on a machine that is busy.
const PATIENCE: Duration = Duration::from_secs(300);
/// How often a condition is looked at.
const LOOK: Duration = Duration::from_millis(40);

const FLAGS: [&str; 11] = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--disable-dev-shm-usage",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
    // Charts and sheets of paper look alike on every machine.
    "--force-color-profile=srgb",
];

/// Public key of tests/access/cert.pem, which the browser trusts for this test alone: made by
/// `openssl x509 -pubkey -noout | openssl pkey -pubin -outform der | openssl dgst -sha256 -binary |
/// base64`.
const OWN_KEY: &str =
    "--ignore-certificate-errors-spki-list=pnUC0YfSDSMmRplgY6eLPz6+yPWTx8cv3t0tjSVbm90=";

/// Words and places in which a page is looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Screen {
    pub width: u32,
    pub dark: bool,
}

pub struct Window {
    driver: Option<WebDriver>,
    server: Child,
    profile: PathBuf,
}

impl Window {
    /// Opens a browser with a profile, new or kept, in a network of its own where one is given.
    pub async fn open(tools: &Tools, profile: &Path, network: Option<&Network>) -> Self {
        let mut command = match network {
            None => Command::new(&tools.chromedriver),
            Some(network) => network.inside(&tools.chromedriver),
        };
        command.arg("--port=0");
        if network.is_some() {
            command.args(["--allowed-ips=", "--allowed-origins=*"]);
        }
        let mut server = command.stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap();
        let mut said = BufReader::new(server.stdout.take().unwrap()).lines().map(Result::unwrap);
        let started = said.find(|line| line.contains("started successfully on port"));
        let started = started.expect("the driver starts");
        let port = started.rsplit(' ').next().unwrap().trim_end_matches('.').to_owned();
        std::thread::spawn(move || said.for_each(drop));

        let mut wanted = DesiredCapabilities::chrome();
        wanted.set_binary(tools.chromium.to_str().unwrap()).unwrap();
        let own = format!("--user-data-dir={}", profile.display());
        for flag in FLAGS.iter().copied().chain([own.as_str(), OWN_KEY]) {
            wanted.add_arg(flag).unwrap();
        }
        // The client of the driver speaks plain HTTP and asks for this all the same.
        let _ = rustls::crypto::ring::default_provider().install_default();
        let host = network.map_or("127.0.0.1".to_owned(), Network::driver_address);
        let driver = WebDriver::builder(format!("http://{host}:{port}"), wanted)
            .request_timeout(PATIENCE * 2)
            .await
            .expect("the browser starts");
        driver.set_page_load_timeout(PATIENCE).await.unwrap();
        driver.set_script_timeout(PATIENCE).await.unwrap();
        let window = Self { driver: Some(driver), server, profile: profile.to_owned() };
        window.show(PHONE).await;
        window
    }

    fn driver(&self) -> &WebDriver {
        self.driver.as_ref().expect("the window is open")
    }

    /// Opens an address and waits until it is there.
    pub async fn go(&self, address: &str) {
        self.driver().goto(address).await.unwrap_or_else(|error| panic!("{address}: {error}"));
    }

    /// What an expression of the page's script comes to.
    pub async fn value(&self, expression: &str) -> Value {
        let answer = self.driver().execute(format!("return ({expression});"), Vec::new()).await;
        answer.unwrap_or_else(|error| panic!("{expression}: {error}")).json().clone()
    }

    /// What a promise of the page's script comes to; `body` is a function's, which may wait.
    pub async fn settled(&self, body: &str) -> Value {
        let script = format!(
            "const done = arguments[arguments.length - 1]; \
             (async () => {{ {body} }})().then((value) => done({{ value }}), \
             (error) => done({{ error: String(error) }}));"
        );
        let answer = self.driver().execute_async(script, Vec::new()).await.unwrap();
        let answer = answer.json();
        assert!(answer.get("error").is_none(), "{body}: {}", answer["error"]);
        answer["value"].clone()
    }

    /// Waits until an expression is true; a page that is just being left answers nothing.
    pub async fn until(&self, expression: &str) {
        let from = Instant::now();
        let script = format!("return Boolean({expression});");
        loop {
            let answer = self.driver().execute(script.clone(), Vec::new()).await;
            if answer.is_ok_and(|answer| *answer.json() == json!(true)) {
                return;
            }
            if from.elapsed() > PATIENCE {
                panic!("never: {expression}; the page says: {}", self.text().await);
            }
            tokio::time::sleep(LOOK).await;
        }
    }

    /// Waits until the page says some words.
    pub async fn says(&self, words: &str) {
        self.until(&format!("document.body?.innerText.includes({})", json!(words))).await;
    }

    /// All that can be read on the page.
    pub async fn text(&self) -> String {
        self.value("document.body.innerText").await.as_str().unwrap_or_default().to_owned()
    }

    pub async fn path(&self) -> String {
        self.driver().current_url().await.unwrap().path().to_owned()
    }

    /// Taps what bears a word, the first that can be seen: on the whole page, or on the card of a
    /// tree.
    pub async fn tap(&self, word: &str, card: Option<&str>) {
        let kinds = "self::button or self::summary or self::a";
        let path = format!("{}//*[{kinds}][normalize-space()={}]", part(card), json!(word));
        self.with_first(&path, async |one| one.click().await).await;
    }

    /// Types into the field of a name.
    pub async fn type_in(&self, name: &str, text: &str, card: Option<&str>) {
        let path = format!("{}//*[@name='{name}' and not(@type='hidden')]", part(card));
        self.with_first(&path, async |one| one.send_keys(text).await).await;
    }

    /// Does something with the first of some elements that can be seen. The page may put another in
    /// its place meanwhile: then once more.
    async fn with_first(&self, path: &str, act: impl AsyncFn(&WebElement) -> WebDriverResult<()>) {
        let from = Instant::now();
        let mut last = String::from("none can be seen");
        while from.elapsed() < PATIENCE {
            let all = self.driver().find_all(By::XPath(path.to_owned())).await.unwrap_or_default();
            for one in &all {
                match one.is_displayed().await {
                    Ok(true) => match act(one).await {
                        Ok(()) => return,
                        Err(error) => last = error.to_string(),
                    },
                    Ok(false) => continue,
                    Err(error) => last = error.to_string(),
                }
                break;
            }
            tokio::time::sleep(LOOK).await;
        }
        panic!("{path}: {last}; the page says: {}", self.text().await);
    }

    /// Logs in from the page of the log-in.
    pub async fn log_in(&self, origin: &str, name: &str, password: &str, to: &str) {
        self.go(&format!("{origin}/log-in?to={to}")).await;
        self.type_in("name", name, None).await;
        self.type_in("password", password, None).await;
        self.tap("Log in", None).await;
    }

    /// A command of the browser's own protocol.
    pub async fn command(&self, method: &str, params: Value) -> Value {
        let answer = self.driver().cdp().send_raw(method, params).await;
        answer.unwrap_or_else(|error| panic!("{method}: {error}"))
    }

    /// As on a screen of a width, by day or by night.
    pub async fn show(&self, screen: Screen) {
        let is_phone = screen.width < 800;
        let size = json!({
            "width": screen.width, "height": if is_phone { 740 } else { 900 },
            "deviceScaleFactor": 1, "mobile": is_phone,
        });
        self.command("Emulation.setDeviceMetricsOverride", size).await;
        let scheme = if screen.dark { "dark" } else { "light" };
        let media = json!({"features": [{"name": "prefers-color-scheme", "value": scheme}]});
        self.command("Emulation.setEmulatedMedia", media).await;
    }

    /// Script before every page from now on.
    pub async fn always_run(&self, script: &str) {
        self.command("Page.addScriptToEvaluateOnNewDocument", json!({"source": script})).await;
    }

    /// A picture of the whole page.
    pub async fn picture(&self, file: &Path) {
        let whole = self.command("Page.getLayoutMetrics", json!({})).await;
        let clip = json!({
            "x": 0, "y": 0, "width": whole["cssContentSize"]["width"],
            "height": whole["cssContentSize"]["height"], "scale": 1,
        });
        let params = json!({"captureBeyondViewport": true, "clip": clip});
        let shot = self.command("Page.captureScreenshot", params).await;
        let bytes = thirtyfour::support::base64_decode(shot["data"].as_str().unwrap()).unwrap();
        fs::write(file, bytes).unwrap();
    }

    /// The page on paper, A4, with the margins that its style wishes.
    pub async fn print(&self) -> Vec<u8> {
        let paper = json!({"paperWidth": 8.27, "paperHeight": 11.69, "preferCSSPageSize": true});
        let printed = self.command("Page.printToPDF", paper).await;
        thirtyfour::support::base64_decode(printed["data"].as_str().unwrap()).unwrap()
    }

    /// The cookies of the page, as the browser keeps them.
    pub async fn cookies(&self) -> Vec<Value> {
        let all = self.command("Network.getCookies", json!({})).await;
        all["cookies"].as_array().unwrap().clone()
    }

    /// Kills the browser at once, as a phone whose battery fails.
    pub fn kill(mut self) {
        self.end();
    }

    fn end(&mut self) {
        // It is killed, so that there is no session to end.
        if let Some(driver) = self.driver.take() {
            let _ = driver.leak();
        }
        for process in browsers_of(&self.profile) {
            let _ = Command::new("kill").args(["-KILL", &process]).stderr(Stdio::null()).status();
        }
        let _ = self.server.kill();
        let _ = self.server.wait();
        let from = Instant::now();
        while !browsers_of(&self.profile).is_empty() && from.elapsed() < Duration::from_secs(10) {
            std::thread::sleep(LOOK);
        }
    }
}

pub const PHONE: Screen = Screen { width: 360, dark: false };

impl Drop for Window {
    fn drop(&mut self) {
        self.end();
    }
}

/// The whole page, or the card of a tree on Today.
fn part(card: Option<&str>) -> String {
    card.map_or_else(String::new, |tree| {
        format!("//article[contains(@class,'card')][.//h2/a[text()='{tree}']]")
    })
}

/// Processes that were started with a profile, by their command lines.
fn browsers_of(profile: &Path) -> Vec<String> {
    let own = format!("--user-data-dir={}", profile.display());
    let processes = fs::read_dir("/proc").into_iter().flatten().flatten();
    let ids = processes.map(|process| process.file_name().to_string_lossy().into_owned());
    ids.filter(|id| {
        let line = fs::read(format!("/proc/{id}/cmdline")).unwrap_or_default();
        line.split(|byte| *byte == 0).any(|arg| arg == own.as_bytes())
    })
    .collect()
}
