//! From another machine: the service at an address that is no loopback, over HTTPS, the browser in a
//! network of its own whose link can be cut.

use super::ledger::rows;
use super::offline::copy_the_demo;
use super::service::{PASSWORD, Service};
use super::tools::{Network, Tools};
use super::window::Window;
use serde_json::json;
use std::path::Path;

const PEOPLE: [(&str, &str); 1] = [("Ada", "manager")];
const TODAY: &str = "/g/my-demo/today";

#[tokio::test]
async fn a_phone_logs_in_over_https_and_logs_through_a_cut_link() {
    let Some(tools) = Tools::find() else { return };
    let Some(network) = Network::make() else { return };
    let pem = |name: &str| Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/access").join(name);
    let (cert, key) = (pem("cert.pem"), pem("key.pem"));
    let files = ["--tls-cert", cert.to_str().unwrap(), "--tls-key", key.to_str().unwrap()];
    let listen = format!("{}:0", network.service_address());
    let service = Service::with(&PEOPLE, &listen, &files);
    assert!(service.origin.starts_with("https://198.18."), "{}", service.origin);
    let profile = tempfile::tempdir().unwrap();
    let window = Window::open(&tools, profile.path(), Some(&network)).await;
    window.log_in(&service.origin, "Ada", PASSWORD, "/new").await;
    window.until("location.pathname === '/new'").await;
    let cookies = window.cookies().await;
    let session = cookies.iter().find(|one| one["name"] == "__Host-xylocast").expect("a session");
    assert_eq!(
        (&session["secure"], &session["httpOnly"], &session["sameSite"], &session["path"]),
        (&json!(true), &json!(true), &json!("Lax"), &json!("/"))
    );
    position(&window, &service).await;

    copy_the_demo(&window, &service).await;
    window.go(&service.to(TODAY)).await;
    window.until("navigator.serviceWorker.controller").await;
    kept(&window).await;
    let database = service.database("my-demo");
    let before = rows(&database);
    network.cut(true);
    window.go(&service.to(TODAY)).await;
    window.says("No signal, or a slow one.").await;
    window.type_in("ml", "250", Some("E05")).await;
    window.tap("Log what is left", Some("E05")).await;
    window.says("Waiting to be sent: 1").await;
    window.kill();

    let window = Window::open(&tools, profile.path(), Some(&network)).await;
    window.go(&service.to(TODAY)).await;
    window.says("Waiting to be sent: 1").await;
    assert_eq!(rows(&database), before, "nothing can have come through");
    network.cut(false);
    let sent = "document.getElementById('waiting').hidden";
    let asked = "document.getElementById('waiting').innerText.includes('Log in again')";
    window.until(&format!("{sent} || {asked}")).await;
    if window.value(sent).await == json!(false) {
        // A browser that is killed soon after a log-in has not written its cookie to the disk yet.
        window.log_in(&service.origin, "Ada", PASSWORD, TODAY).await;
        window.until(&format!("location.pathname === '{TODAY}' && {sent}")).await;
    }
    let now = rows(&database);
    assert_eq!(now[..before.len()], before);
    let [row] = &now[before.len()..] else { panic!("{now:?}") };
    assert_eq!((row.tree.as_str(), row.ml, row.by.as_deref()), ("E05", Some(250.0), Some("Ada")));
}

/// Today is kept, by the worker's own word.
async fn kept(window: &Window) {
    let is_kept = format!("return Boolean(await caches.match('{TODAY}'));");
    while window.settled(&is_kept).await != json!(true) {
        tokio::time::sleep(std::time::Duration::from_millis(50)).await;
    }
}

/// The phone's position fills the form.
async fn position(window: &Window, service: &Service) {
    let may = json!({"origin": service.origin, "permissions": ["geolocation"]});
    window.command("Browser.grantPermissions", may).await;
    let at = json!({"latitude": -35.06, "longitude": 138.8, "accuracy": 12});
    window.command("Emulation.setGeolocationOverride", at).await;
    window.tap("Use this phone's position", None).await;
    window.says("Position taken, good to 12 m.").await;
    let fields = "['latitude_deg', 'longitude_deg'].map((id) => document.getElementById(id).value)";
    assert_eq!(window.value(fields).await, json!(["-35.06000", "138.80000"]));
}

#[tokio::test]
async fn in_plain_from_another_machine_there_is_neither_session_nor_position_nor_worker() {
    let Some(tools) = Tools::find() else { return };
    let Some(network) = Network::make() else { return };
    let listen = format!("{}:0", network.service_address());
    let service = Service::with(&PEOPLE, &listen, &["--behind-https-proxy"]);
    let profile = tempfile::tempdir().unwrap();
    let window = Window::open(&tools, profile.path(), Some(&network)).await;
    window.log_in(&service.origin, "Ada", PASSWORD, "/new").await;
    window.until("location.pathname === '/log-in' && document.readyState === 'complete'").await;
    let has = "[isSecureContext, 'serviceWorker' in navigator, document.cookie]";
    assert_eq!(window.value(has).await, json!([false, false, ""]));
    assert!(window.cookies().await.iter().all(|one| one["name"] != "__Host-xylocast"));
    let refused = "return new Promise((told) => navigator.geolocation.getCurrentPosition(
        () => told('given'), (error) => told(error.code)));";
    assert_eq!(window.settled(refused).await, json!(1), "PERMISSION_DENIED");
}
