//! The real binary over HTTPS: a log-in from the first page to the last, and a graceful stop. The
//! certificate and its key were made for this test by `openssl req -x509 -newkey ec`.

use super::means::{PASSWORD, add_people};
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use xylocast::store::office::Office;

/// The service, ended with the test whatever becomes of it.
struct Running(Child);

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_manager_logs_in_over_https() {
    let data = tempfile::tempdir().unwrap();
    add_people(&Office::open(data.path()).unwrap());
    let pem = |name: &str| Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/access").join(name);
    let mut command = Command::new(env!("CARGO_BIN_EXE_xylocast"));
    command.args(["serve", "--listen", "0.0.0.0:0", "--pull", "false", "--data"]).arg(data.path());
    command.arg("--tls-cert").arg(pem("cert.pem")).arg("--tls-key").arg(pem("key.pem"));
    command.stderr(Stdio::piped()).env_remove("XYLOCAST_GROVE");
    let mut running = Running(command.spawn().unwrap());
    let mut said = BufReader::new(running.0.stderr.take().unwrap()).lines();
    let listening = said.by_ref().map(Result::unwrap).find(|line| line.contains("https://"));
    // What it logs must not fill the pipe.
    std::thread::spawn(move || said.for_each(drop));
    let port = listening.unwrap().rsplit(':').next().unwrap().trim_matches('/').to_owned();
    let at = |path: &str| format!("https://127.0.0.1:{port}{path}");

    let _ = rustls::crypto::ring::default_provider().install_default();
    let certificate = std::fs::read(pem("cert.pem")).unwrap();
    let certificate = reqwest::Certificate::from_pem(&certificate).unwrap();
    let client = reqwest::Client::builder()
        .tls_certs_only([certificate])
        .redirect(reqwest::redirect::Policy::none())
        .build()
        .unwrap();
    let page = client.get(at("/log-in")).send().await.unwrap().text().await.unwrap();
    let csrf = page.split("name=\"csrf\" value=\"").nth(1).unwrap().split('"').next().unwrap();
    let fields = [("csrf", csrf), ("name", "Manager"), ("password", PASSWORD), ("to", "/people")];
    let body = serde_urlencoded::to_string(fields).unwrap();
    let form = client
        .post(at("/log-in"))
        .header("content-type", "application/x-www-form-urlencoded")
        .header("origin", at(""))
        .body(body);
    let answer = form.send().await.unwrap();
    assert_eq!(
        (answer.status(), &answer.headers()["location"]),
        (reqwest::StatusCode::SEE_OTHER, &"/people".parse().unwrap())
    );
    let cookie = answer.headers()["set-cookie"].to_str().unwrap().to_owned();
    assert!(cookie.starts_with("__Host-xylocast=") && cookie.ends_with("; Secure"), "{cookie}");
    let cookie = cookie.split(';').next().unwrap();
    let people = client.get(at("/people")).header("cookie", cookie).send().await.unwrap();
    assert!(people.headers().contains_key("strict-transport-security"));
    assert!(people.text().await.unwrap().contains("Add somebody"));
    #[cfg(unix)]
    {
        let told = Command::new("kill").arg(running.0.id().to_string()).status().unwrap();
        assert!(told.success());
        assert!(running.0.wait().unwrap().success(), "a graceful stop is no error");
    }
}
