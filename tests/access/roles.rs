//! Every write address of ours, asked by everybody.

use super::means::{PEOPLE, Service};
use axum::http::{Method, StatusCode};
use xylocast::http::access::need;
use xylocast::store::office::Role;

/// Each address that a manager alone may write to, and what the crew may write to. Those that the
/// router does not know yet are held to all the same.
const WRITES: [(&str, Role); 24] = [
    ("/people/add", Role::Manager),
    ("/people/role", Role::Manager),
    ("/people/disable", Role::Manager),
    ("/people/password", Role::Manager),
    ("/people/token", Role::Manager),
    ("/people/revoke", Role::Manager),
    ("/new", Role::Manager),
    ("/new/files", Role::Manager),
    ("/new/demo", Role::Manager),
    ("/g/demo/add/tree", Role::Manager),
    ("/g/demo/add/files", Role::Manager),
    ("/g/demo/refit", Role::Manager),
    ("/g/demo/records", Role::Manager),
    ("/api/v1/groves/demo/refit", Role::Manager),
    ("/api/v1/groves/demo/pull", Role::Manager),
    ("/api/v1/groves", Role::Manager),
    ("/g/demo/log", Role::Crew),
    ("/g/demo/log/batch", Role::Crew),
    ("/api/v1/groves/demo/trees", Role::Manager),
    ("/api/v1/groves/demo/files", Role::Manager),
    ("/api/v1/groves/demo/entries", Role::Crew),
    ("/api/v1/groves/demo/entries/batch", Role::Crew),
    ("/log-out", Role::Reader),
    ("/units", Role::Reader),
];

#[tokio::test]
async fn every_write_by_every_role() {
    let service = Service::with_people();
    for (name, has) in PEOPLE {
        let token = service.token(name, has);
        let cookie = service.log_in(name).await;
        let csrf = service.csrf(&cookie).await;
        for (path, least) in WRITES {
            for method in [Method::POST, Method::PUT, Method::PATCH, Method::DELETE] {
                let answer = service.with_token(method.clone(), path, &token).await;
                let is_refused = answer.status == StatusCode::FORBIDDEN;
                assert_eq!(is_refused, has < least, "{name} {method} {path}: {}", answer.status);
            }
            if path != "/log-out" {
                let answer = service.send(path, &cookie, &[("csrf", &csrf)]).await;
                let is_refused = answer.status == StatusCode::FORBIDDEN;
                assert_eq!(is_refused, has < least, "{name} {path}: {}", answer.status);
            }
        }
    }
    for (path, _) in WRITES {
        let answer = service.send(path, "", &[]).await;
        assert_eq!(answer.status, StatusCode::UNAUTHORIZED, "nobody {path}");
    }
}

/// Each `.route(...)` with a write in the sources stands in the table above, so that a new one is
/// put there consciously.
#[test]
fn no_write_address_is_forgotten() {
    let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("src/http");
    let mut found = 0;
    for folder in ["site", "access"] {
        for entry in std::fs::read_dir(root.join(folder)).unwrap() {
            let text = std::fs::read_to_string(entry.unwrap().path()).unwrap();
            for route in text.split(".route(\"").skip(1) {
                let (path, rest) = route.split_once('"').unwrap();
                let line = rest.split(".route(").next().unwrap();
                let line = line.split('\n').next().unwrap();
                if !line.contains("post(") || matches!(path, "/log-in" | "/password") {
                    continue;
                }
                found += 1;
                let path = path.replace("{grove}", "demo");
                let known = WRITES.iter().find(|(known, _)| *known == path);
                let least = known.map(|(_, least)| *least);
                assert!(least.is_some(), "{path} is not in this test's table");
                assert_eq!(need(&Method::POST, &path).role, least, "{path}");
            }
        }
    }
    assert!(found >= 12, "{found} routes were read");
}

#[tokio::test]
async fn readers_read_and_only_managers_see_people() {
    let service = Service::with_people();
    for (name, has) in PEOPLE {
        let token = service.token(name, has);
        let get = async |path: &str| service.with_token(Method::GET, path, &token).await.status;
        assert_eq!(get("/").await, StatusCode::OK);
        assert_eq!(get("/metrics").await, StatusCode::OK);
        for path in ["/people", "/new", "/g/demo/add"] {
            let status = get(path).await;
            assert_eq!(status == StatusCode::FORBIDDEN, has < Role::Manager, "{name} {path}");
        }
    }
}
