//! New groves through the pages: a form, a folder, a copy of the demo; and what is added.

use super::means::{Answer, Service};
use axum::body::Body;
use axum::http::{Request, StatusCode, header};
use xylocast::http::MOST_BYTES;
use xylocast::store::demo;

const WEST: [(&str, &str); 5] = [
    ("name", "West <i>wood</i>"),
    ("time_zone", "Australia/Adelaide"),
    ("latitude_deg", "-34.93"),
    ("longitude_deg", "138.6"),
    ("elevation_m", "45"),
];

async fn send_files(service: &Service, path: &str, files: &[(&str, &[u8])]) -> Answer {
    let mark = service.open_page("/new", "").await.csrf();
    let mut body =
        format!("--x\r\nContent-Disposition: form-data; name=\"csrf\"\r\n\r\n{mark}\r\n")
            .into_bytes();
    for (name, bytes) in files {
        let head = format!(
            "--x\r\nContent-Disposition: form-data; name=\"files\"; filename=\"{name}\"\r\n\
             Content-Type: text/csv\r\n\r\n"
        );
        body.extend_from_slice(head.as_bytes());
        body.extend_from_slice(bytes);
        body.extend_from_slice(b"\r\n");
    }
    body.extend_from_slice(b"--x--\r\n");
    let request = Request::post(path)
        .header(header::HOST, "localhost:8080")
        .header("accept", "text/html")
        .header(header::CONTENT_TYPE, "multipart/form-data; boundary=x");
    service.ask(request.body(Body::from(body)).unwrap()).await
}

#[tokio::test]
async fn from_nothing_to_a_tree() {
    let service = Service::open();
    let welcome = service.open_page("/", "").await;
    assert!(welcome.text.contains("Welcome") && welcome.text.contains("/new"), "{}", welcome.text);
    let page = service.open_page("/new", "").await;
    assert!(page.text.contains("<option value=\"Australia/Adelaide\">"), "zones to choose from");
    let mark = page.csrf();
    let mut wrong = WEST.to_vec();
    (wrong[2].1, wrong[4].1) = ("95", "high");
    wrong.push(("csrf", &mark));
    let again = service.send("/new", "", &wrong).await;
    assert_eq!(again.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(
        again.text.contains("id=\"latitude_deg-wrong\"")
            && again.text.contains("id=\"elevation_m-wrong\"")
    );
    assert!(
        again.text.contains("value=\"West &lt;i&gt;wood&lt;/i&gt;\""),
        "what was typed is kept"
    );
    let mut right = WEST.to_vec();
    right.push(("csrf", &mark));
    let made = service.send("/new", "", &right).await;
    assert_eq!(made.header("location"), "/g/west-i-wood-i/add", "{}", made.text);
    let page = service.open_page("/g/west-i-wood-i/add", "").await;
    assert_eq!(page.status, StatusCode::OK, "{}", page.text);
    assert!(page.text.contains("West &lt;i&gt;wood") && !page.text.contains("<i>wood"));
    let tree = [
        ("tree_id", "A1"),
        ("block", "north"),
        ("circumference_cm", "120"),
        ("ports", "99"),
        ("csrf", &mark),
    ];
    let again = service.send("/g/west-i-wood-i/add/tree", "", &tree).await;
    assert_eq!(again.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(
        again.text.contains("id=\"ports-wrong\"") && again.text.contains("value=\"A1\""),
        "{}",
        again.text
    );
    for blank in [vec![("tree_id", " "), ("csrf", &mark)], vec![("csrf", &mark)]] {
        let again = service.send("/g/west-i-wood-i/add/tree", "", &blank).await;
        assert_eq!(again.status, StatusCode::UNPROCESSABLE_ENTITY, "{blank:?}");
        assert!(again.text.contains("id=\"tree_id-wrong\""), "{}", again.text);
    }
    let tree = [
        ("tree_id", "A1"),
        ("block", "north"),
        ("circumference_cm", "120"),
        ("ports", "6"),
        ("csrf", &mark),
    ];
    let added = service.send("/g/west-i-wood-i/add/tree", "", &tree).await;
    assert_eq!(added.status, StatusCode::SEE_OTHER, "{}", added.text);
    let kept = service.server.kept("west-i-wood-i").unwrap();
    assert_eq!(kept.home.grove(chrono::Utc::now()).unwrap().trees.len(), 1);
    // The demo stays as it is, and says so.
    let refused = service.send("/g/demo/add/tree", "", &tree).await;
    assert_eq!(refused.status, StatusCode::UNPROCESSABLE_ENTITY);
    // A service that starts again knows it.
    let settings = super::means::settings(service.data.path(), |_| {});
    let again = xylocast::http::server::Server::open(settings).unwrap();
    assert!(again.kept("west-i-wood-i").is_some());
}

#[tokio::test]
async fn a_folder_comes_in_or_is_told_row_by_row() {
    let service = Service::open();
    let demo = demo::files();
    let names: Vec<String> = demo.keys().map(|name| format!("elms/{name}")).collect();
    let mut files: Vec<(&str, &[u8])> =
        names.iter().map(String::as_str).zip(demo.values().copied()).collect();
    let flawed = String::from_utf8_lossy(demo["trees.csv"]).replacen(",7,", ",seven,", 1);
    let at = files.iter().position(|(name, _)| *name == "elms/trees.csv").unwrap();
    let sound = files[at];
    files[at] = ("elms/trees.csv", flawed.as_bytes());
    let told = send_files(&service, "/new/files", &files).await;
    assert_eq!(told.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(told.text.contains("trees.csv row 2: ports"), "{}", told.text);
    files[at] = sound;
    files.push(("../../etc/passwd", b"x"));
    let told = send_files(&service, "/new/files", &files).await;
    assert_eq!(told.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(told.text.contains("leads out of the folder"), "{}", told.text);
    assert_eq!(service.server.groves().len(), 1, "nothing half-made");
    files.pop();
    let made = send_files(&service, "/new/files", &files).await;
    assert_eq!(made.status, StatusCode::SEE_OTHER, "{}", made.text);
    assert_eq!(service.server.groves().len(), 2);
    let big = vec![b'x'; MOST_BYTES + 1];
    let told = send_files(&service, "/new/files", &[("trees.csv", &big)]).await;
    assert_eq!(told.status, StatusCode::PAYLOAD_TOO_LARGE);
    assert!(told.text.contains("more than 10 MB"), "{}", told.text);
}

#[tokio::test]
async fn a_copy_of_the_demo_runs_on_from_its_own_evening() {
    let service = Service::open();
    let mark = service.open_page("/new", "").await.csrf();
    let made = service.send("/new/demo", "", &[("csrf", &mark)]).await;
    assert_eq!(made.header("location"), "/g/my-demo/tomorrow", "{}", made.text);
    let late = |server: &xylocast::http::server::Server| {
        let kept = server.kept("my-demo").unwrap();
        assert!(kept.is_demo());
        (server.now(&kept) - demo::as_of()).num_seconds()
    };
    assert!((0..60).contains(&late(&service.server)), "{}", late(&service.server));
    let settings = super::means::settings(service.data.path(), |_| {});
    let again = xylocast::http::server::Server::open(settings).unwrap();
    assert!((0..60).contains(&late(&again)));
}
