//! Writes from pages that are not ours, and names that are not ours.

use super::means::{Answer, Service};
use axum::body::Body;
use axum::http::{Request, StatusCode, header};

const FORM: &str = "application/x-www-form-urlencoded";

async fn post(service: &Service, body: &str, headers: &[(&str, &str)]) -> Answer {
    let mut request = Request::post("/new");
    for (name, value) in headers {
        request = request.header(*name, *value);
    }
    service.ask(request.body(Body::from(body.to_owned())).unwrap()).await
}

/// Both at the open machine and for somebody who has logged in.
#[tokio::test]
async fn a_form_that_is_not_ours_writes_nothing() {
    let (open, closed) = (Service::open(), Service::with_people());
    let cookie = closed.log_in("Manager").await;
    let other = closed.log_in("Crew").await;
    let others_mark = closed.csrf(&other).await;
    for (service, cookie) in [(&open, "units=us"), (&closed, cookie.as_str())] {
        let mark = service.open_page("/new", cookie).await.csrf();
        let right = format!("csrf={mark}&name=x");
        let usual = [
            ("cookie", cookie),
            ("host", "localhost:8080"),
            ("content-type", FORM),
            ("origin", "http://localhost:8080"),
            ("sec-fetch-site", "same-origin"),
        ];
        let with = |name: &'static str, value: &'static str| {
            usual.map(|(known, old)| if known == name { (name, value) } else { (known, old) })
        };
        // All is right: the form is looked at, and its other fields are missing.
        let looked_at = StatusCode::UNPROCESSABLE_ENTITY;
        assert_eq!(post(service, &right, &usual).await.status, looked_at);
        let script = [usual.as_slice(), &[("x-csrf-token", &mark)]].concat();
        assert_eq!(post(service, "name=x", &script).await.status, looked_at);
        // A browser that sends neither is held to the mark alone.
        assert_eq!(post(service, &right, &usual[..3]).await.status, looked_at);
        for (body, headers) in [
            ("name=x", usual),
            ("csrf=&name=x", usual),
            ("csrf=0000&name=x", usual),
            (&format!("csrf={others_mark}&name=x"), usual),
            (&right, with("origin", "http://evil.example")),
            (&right, with("origin", "null")),
            (&right, with("origin", "http://localhost:9999")),
            (&right, with("sec-fetch-site", "cross-site")),
            (&right, with("sec-fetch-site", "same-site")),
            (&format!("name=x&no=csrf={mark}"), usual),
            (&format!("{{\"csrf\":\"{mark}\"}}"), with("content-type", "text/plain")),
            // JSON is for programs; this one says that it is a browser.
            ("{}", with("content-type", "application/json")),
        ] {
            let answer = post(service, body, &headers).await;
            assert_eq!(answer.status, StatusCode::FORBIDDEN, "{body} {headers:?}");
        }
    }
    assert_eq!(open.server.groves().len(), 1, "the demo alone");
    assert!(
        closed
            .server
            .access
            .office
            .last_writes(50)
            .unwrap()
            .iter()
            .all(|write| { write.path != "/new" || write.status == Some(422) })
    );
}

#[tokio::test]
async fn a_program_at_the_open_machine_needs_no_mark_and_a_form_does() {
    let (open, closed) = (Service::open(), Service::with_people());
    let json = [("host", "127.0.0.1:8080"), ("content-type", "application/json")];
    let form = [("host", "127.0.0.1:8080"), ("content-type", FORM)];
    assert_ne!(post(&open, "{}", &json).await.status, StatusCode::FORBIDDEN);
    assert_eq!(post(&open, "name=x", &form).await.status, StatusCode::FORBIDDEN);
    let cookie = closed.log_in("Manager").await;
    let json = [json.as_slice(), &[("cookie", cookie.as_str())]].concat();
    assert_eq!(post(&closed, "{}", &json).await.status, StatusCode::FORBIDDEN);
}

#[tokio::test]
async fn a_strangers_name_for_this_machine_is_not_answered() {
    let service = Service::open();
    let ask = async |host: &str| {
        let request = Request::get("/people").header(header::HOST, host);
        service.ask(request.body(Body::empty()).unwrap()).await
    };
    for ours in ["localhost:8080", "127.0.0.1", "[::1]:8080"] {
        assert_eq!(ask(ours).await.status, StatusCode::OK, "{ours}");
    }
    for theirs in ["evil.example", "evil.example:8080", "192.168.1.5:8080", "<b>"] {
        let answer = ask(theirs).await;
        assert_eq!(answer.status, StatusCode::MISDIRECTED_REQUEST, "{theirs}");
        assert!(!answer.text.contains("Add somebody") && !answer.text.contains("<b>"));
    }
    let named = Service::with(|typed| typed.hosts = Some(vec!["Grove.Example".into()]), |_| {});
    let request = Request::get("/people").header(header::HOST, "grove.example:8080");
    let answer = named.ask(request.body(Body::empty()).unwrap()).await;
    assert_eq!(answer.status, StatusCode::OK);
}

#[tokio::test]
async fn an_undeclared_proxy_lets_nobody_in() {
    let service = Service::open();
    let request = Request::get("/").header("x-forwarded-for", "192.0.2.7");
    let answer = service.ask(request.body(Body::empty()).unwrap()).await;
    assert_eq!(answer.status, StatusCode::FORBIDDEN);
    assert!(answer.text.contains("behind_https_proxy"), "{}", answer.text);
}
