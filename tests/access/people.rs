//! Log-in, sessions, cookies, tokens, and the managers' page.

use super::means::{PASSWORD, Service, add_people, logged};
use axum::body::Body;
use axum::http::{Method, Request, StatusCode, header};
use chrono::{Duration, Utc};
use xylocast::app::access::Secret;
use xylocast::store::office::{How, Lives, Role};

#[tokio::test]
async fn without_people_the_machine_itself_may_do_all() {
    let service = Service::open();
    let page = service.open_page("/people", "").await;
    assert_eq!(page.status, StatusCode::OK, "{}", page.text);
    let csrf = page.csrf();
    let add = |name: &'static str, role: &'static str| {
        let csrf = csrf.clone();
        let service = &service;
        async move {
            let fields =
                [("csrf", csrf.as_str()), ("name", name), ("role", role), ("password", PASSWORD)];
            service.send("/people/add", "", &fields).await
        }
    };
    let first = add("Bo", "crew").await;
    assert_eq!(first.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(first.text.contains("first person must be a manager"), "{}", first.text);
    assert_eq!(add("Ada", "manager").await.status, StatusCode::SEE_OTHER);
    // From now on everybody logs in.
    assert_eq!(add("Bo", "crew").await.status, StatusCode::UNAUTHORIZED);
    let page = service.open_page("/people?x=1", "").await;
    assert_eq!(
        (page.status, page.header("location")),
        (StatusCode::SEE_OTHER, "/log-in?to=/people")
    );
    assert_eq!(service.open_page("/log-in", "").await.status, StatusCode::OK);
    let cookie = service.log_in("ada").await;
    assert_eq!(service.open_page("/people", &cookie).await.status, StatusCode::OK);
}

#[tokio::test]
async fn the_cookie_is_for_us_alone() {
    let service = Service::with_people();
    let csrf = service.open_page("/log-in", "").await.csrf();
    let fields =
        [("csrf", csrf.as_str()), ("name", "Crew"), ("password", PASSWORD), ("to", "/new?x=1")];
    let answer = service.send("/log-in", "", &fields).await;
    assert_eq!(answer.header("location"), "/new?x=1");
    let cookie = answer.header("set-cookie").to_owned();
    let attributes: Vec<&str> = cookie.split("; ").skip(1).collect();
    assert_eq!(attributes, ["Path=/", "Max-Age=2592000", "HttpOnly", "SameSite=Lax"]);
    assert!(cookie.starts_with("xylocast="), "{cookie}");

    let behind = |typed: &mut xylocast::http::settings::Typed| {
        typed.behind_https_proxy = Some(true);
        typed.hosts = Some(vec!["grove.example".into()]);
    };
    let service = Service::with(behind, add_people);
    let csrf = service.open_page("/log-in", "").await.csrf();
    let fields = [("csrf", csrf.as_str()), ("name", "Crew"), ("password", PASSWORD)];
    let answer = service.send("/log-in", "", &fields).await;
    let cookie = answer.header("set-cookie");
    assert!(cookie.starts_with("__Host-xylocast=") && cookie.ends_with("; Secure"), "{cookie}");
    assert_eq!(answer.header("strict-transport-security"), "max-age=31536000");
}

#[tokio::test]
async fn a_log_in_leads_to_no_other_host() {
    let service = Service::with_people();
    let csrf = service.open_page("/log-in", "").await.csrf();
    for to in ["//evil.example", "https://evil.example", "/\\evil.example", "evil", "/\r\nX: y", ""]
    {
        let fields =
            [("csrf", csrf.as_str()), ("name", "Manager"), ("password", PASSWORD), ("to", to)];
        let answer = service.send("/log-in", "", &fields).await;
        // After six tries of one name there is a wait; that would be no redirect.
        assert_eq!(answer.header("location"), "/", "{to:?} {}", answer.status);
    }
}

#[tokio::test]
async fn each_log_in_has_a_session_of_its_own_and_log_out_ends_it() {
    let service = Service::with_people();
    let first = service.log_in("Crew").await;
    let csrf = service.csrf(&first).await;
    let fields = [("csrf", csrf.as_str()), ("name", "Crew"), ("password", PASSWORD)];
    let again = service.send("/log-in", &first, &fields).await;
    let second = again.header("set-cookie").split(';').next().unwrap().to_owned();
    assert_ne!(first, second);
    assert_eq!(service.open_page("/who", &first).await.status, StatusCode::SEE_OTHER, "rotated");
    let who = service.open_page("/who", &second).await;
    assert!(who.text.contains("\"name\":\"Crew\"") && who.text.contains("\"role\":\"crew\""));
    let csrf = service.csrf(&second).await;
    let out = service.send("/log-out", &second, &[("csrf", &csrf)]).await;
    assert!(out.header("set-cookie").contains("Max-Age=0"), "{out:?}");
    assert_eq!(service.open_page("/who", &second).await.status, StatusCode::SEE_OTHER);
}

#[tokio::test]
async fn an_expired_session_opens_nothing() {
    let service = Service::with_people();
    let office = &service.server.access.office;
    let (person, _) = office.with_password("Manager").unwrap().unwrap();
    let lives = Lives { at_most: Duration::hours(1), idle: Duration::hours(1) };
    for (age, status) in
        [(Duration::minutes(59), StatusCode::OK), (Duration::minutes(61), StatusCode::SEE_OTHER)]
    {
        let secret = Secret::fresh("").unwrap();
        office.open_session(&person, &secret.hash(), lives, Utc::now() - age).unwrap();
        let cookie = format!("xylocast={}", secret.text());
        assert_eq!(service.open_page("/people", &cookie).await.status, status);
    }
    let made_up = service.open_page("/people", "xylocast=0000; units=us").await;
    assert_eq!(made_up.status, StatusCode::SEE_OTHER);
}

#[tokio::test]
async fn too_many_tries_have_to_wait() {
    let service = Service::with_people();
    let csrf = service.open_page("/log-in", "").await.csrf();
    let mut last = None;
    for count in 0..7 {
        let fields = [("csrf", csrf.as_str()), ("name", "Crew"), ("password", "a wrong one")];
        let answer = service.send("/log-in", "", &fields).await;
        let wanted =
            if count < 6 { StatusCode::UNAUTHORIZED } else { StatusCode::TOO_MANY_REQUESTS };
        assert_eq!(answer.status, wanted, "{count}");
        last = Some(answer);
    }
    let last = last.unwrap();
    let wait: u64 = last.header("retry-after").parse().unwrap();
    assert!((1..=20).contains(&wait) && last.text.contains("Too many tries"), "{wait}");
    // The right password waits too, and other people do not.
    let fields = [("csrf", csrf.as_str()), ("name", "Crew"), ("password", PASSWORD)];
    let right = service.send("/log-in", "", &fields).await;
    assert_eq!(right.status, StatusCode::TOO_MANY_REQUESTS);
    service.log_in("Manager").await;
}

#[tokio::test]
async fn a_revoked_token_opens_nothing() {
    let service = Service::with_people();
    let token = service.token("Manager", Role::Reader);
    let ask = async |token: &str| service.with_token(Method::GET, "/who", token).await;
    let who = ask(&token).await;
    assert!(who.status == StatusCode::OK && who.text.contains("\"role\":\"reader\""), "{who:?}");
    let cookie = service.log_in("Manager").await;
    let csrf = service.csrf(&cookie).await;
    let fields = [("csrf", csrf.as_str()), ("token", "Manager")];
    let revoked = service.send("/people/revoke", &cookie, &fields).await;
    assert_eq!(revoked.status, StatusCode::SEE_OTHER);
    for dead in [token.as_str(), "xylocast_0", ""] {
        let refused = ask(dead).await;
        assert_eq!(refused.status, StatusCode::UNAUTHORIZED, "{dead}");
        assert_eq!(refused.header("www-authenticate"), "Bearer");
    }
    // A dead token is no loopback manager either, where nobody has to log in.
    let open = Service::open();
    let refused = open.with_token(Method::GET, "/who", "xylocast_0").await;
    assert_eq!(refused.status, StatusCode::UNAUTHORIZED);
}

#[tokio::test]
async fn a_new_token_is_shown_once_and_kept_by_nobody() {
    let service = Service::with_people();
    let cookie = service.log_in("Manager").await;
    let csrf = service.csrf(&cookie).await;
    let fields = [("csrf", csrf.as_str()), ("token", "logger"), ("name", "Crew"), ("role", "crew")];
    let made = service.send("/people/token", &cookie, &fields).await;
    let token = made.text.split("xylocast_").nth(1).map(|rest| format!("xylocast_{}", &rest[..64]));
    let token = token.expect("the token is on the page");
    assert_eq!(made.header("cache-control"), "no-store");
    let who = service.with_token(Method::GET, "/who", &token).await;
    assert!(who.text.contains("\"name\":\"Crew\""), "{}", who.text);
    assert!(!service.open_page("/people", &cookie).await.text.contains(&token));
    for kept in service.data.all_of_the_office() {
        assert!(kept.windows(6).any(|part| part == b"logger"), "what is kept is looked through");
        for secret in [token.as_bytes(), PASSWORD.as_bytes()] {
            assert!(!kept.windows(secret.len()).any(|part| part == secret));
        }
    }
}

#[tokio::test]
async fn names_are_text_on_every_page() {
    let service = Service::with_people();
    let cookie = service.log_in("Manager").await;
    let csrf = service.csrf(&cookie).await;
    let name = "<script>alert('x')</script>\"&";
    let fields =
        [("csrf", csrf.as_str()), ("name", name), ("role", "crew"), ("password", PASSWORD)];
    assert_eq!(service.send("/people/add", &cookie, &fields).await.status, StatusCode::SEE_OTHER);
    let page = service.open_page("/people", &cookie).await.text;
    assert!(page.contains("&lt;script&gt;") && !page.contains("<script>alert"), "{page}");
    let fields = [("csrf", csrf.as_str()), ("name", name), ("password", "a wrong one")];
    let again = service.send("/log-in", "", &[("name", name)]).await;
    assert!(!again.text.contains("<script>alert"));
    let again = service.send("/log-in", &cookie, &fields).await;
    assert!(again.text.contains("&lt;script&gt;") && !again.text.contains("<script>alert"));
}

#[tokio::test]
async fn people_change_their_own_password() {
    let service = Service::with_people();
    let cookie = service.log_in("Crew").await;
    let csrf = service.csrf(&cookie).await;
    let change = async |old: &str, new: &str, again: &str| {
        let fields = [("csrf", csrf.as_str()), ("old", old), ("new", new), ("again", again)];
        service.send("/password", &cookie, &fields).await
    };
    for (old, new, again, words) in [
        ("not this", "battery staple", "battery staple", "another one"),
        (PASSWORD, "battery staple", "battery stapler", "not the same"),
        (PASSWORD, "short", "short", "at least 10"),
    ] {
        let refused = change(old, new, again).await;
        assert_eq!(refused.status, StatusCode::UNPROCESSABLE_ENTITY);
        assert!(refused.text.contains(words), "{words}: {}", refused.text);
    }
    let changed = change(PASSWORD, "battery staple", "battery staple").await;
    assert_eq!(changed.status, StatusCode::SEE_OTHER);
    assert_eq!(service.open_page("/who", &cookie).await.status, StatusCode::SEE_OTHER, "old");
    let new = changed.header("set-cookie").split(';').next().unwrap().to_owned();
    assert_eq!(service.open_page("/who", &new).await.status, StatusCode::OK);
}

#[tokio::test]
async fn every_write_is_in_the_audit() {
    let service = Service::with_people();
    let cookie = service.log_in("Manager").await;
    let csrf = service.csrf(&cookie).await;
    let fields = [("csrf", csrf.as_str()), ("name", "Crew"), ("role", "reader")];
    service.send("/people/role", &cookie, &fields).await;
    let token = service.token("Manager", Role::Manager);
    service.with_token(Method::POST, "/g/west/nothing", &token).await;
    let fields = [("csrf", csrf.as_str()), ("name", "Crew"), ("password", "a wrong one")];
    service
        .send(
            "/log-in",
            "",
            &[("csrf", &service.open_page("/log-in", "").await.csrf()), fields[1], fields[2]],
        )
        .await;
    let writes = service.server.access.office.last_writes(10).unwrap();
    let told: Vec<_> = writes
        .iter()
        .rev()
        .map(|write| (write.who.as_str(), write.how, write.path.as_str(), write.status.unwrap()))
        .collect();
    assert_eq!(
        told,
        [
            ("Manager", How::Session, "/log-in", 303),
            ("Manager", How::Session, "/people/role", 303),
            ("Manager", How::Token, "/g/west/nothing", 404),
            ("nobody", How::Nobody, "/log-in", 401),
        ]
    );
    assert_eq!(writes[1].grove.as_deref(), Some("west"));
    assert!(writes.iter().all(|write| write.request_id.is_some()));
}

#[tokio::test]
async fn no_secret_is_ever_logged() {
    let service = Service::with_people();
    let token = service.token("Manager", Role::Manager);
    let cookie = service.log_in("Manager").await;
    let csrf = service.csrf(&cookie).await;
    let fields = [("csrf", csrf.as_str()), ("name", "Crew"), ("password", "battery staple")];
    service.send("/people/password", &cookie, &fields).await;
    let wrong = [("csrf", csrf.as_str()), ("name", "Crew"), ("password", "wrong secret")];
    service.send("/log-in", &cookie, &wrong).await;
    service.with_token(Method::GET, "/who", &token).await;
    let text = logged();
    assert!(text.contains("a log-in failed"), "the log was caught: {text}");
    let session = cookie.split_once('=').unwrap().1;
    for secret in [PASSWORD, "battery", "wrong secret", &token, session, &csrf] {
        assert!(!text.contains(secret), "{secret} in {text}");
    }
}

#[tokio::test]
async fn every_answer_carries_the_safe_headers() {
    let service = Service::with_people();
    for path in ["/", "/log-in", "/assets/style.css", "/nothing", "/api/v1/nothing", "/live"] {
        let request = Request::get(path).header(header::HOST, "evil.example");
        let strange = service.ask(request.body(Body::empty()).unwrap()).await;
        for answer in [service.open_page(path, "").await, strange] {
            assert_eq!(
                answer.header("content-security-policy"),
                "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; \
                 connect-src 'self'; manifest-src 'self'; worker-src 'self'; form-action 'self'; \
                 frame-ancestors 'none'; base-uri 'none'"
            );
            assert_eq!(answer.header("x-content-type-options"), "nosniff");
            assert_eq!(answer.header("permissions-policy"), "geolocation=(self)");
            assert!(!answer.header("referrer-policy").is_empty());
            assert!(answer.header("strict-transport-security").is_empty(), "not over HTTP");
            assert!(!answer.header("cache-control").is_empty(), "{path}");
        }
    }
}
