//! Long lists part by part, and answers in the form that is wished for.

use super::{ask, post, read, with_a_copy};
use axum::http::StatusCode;
use serde_json::Value;
use std::collections::BTreeSet;

/// Addresses of the parts beside one, by their `rel`.
fn link(answer: &super::means::Answer, rel: &str) -> Option<String> {
    let links = answer.header("link").split(", ");
    let own = |link: &&str| link.ends_with(&format!("; rel=\"{rel}\""));
    let link = links.into_iter().find(own)?;
    Some(link.split('>').next()?.trim_start_matches("</api/v1/").to_owned())
}

fn ids(answer: &super::means::Answer, list: &str, pointer: &str) -> Vec<String> {
    let lines = read(answer)[list].as_array().unwrap().clone();
    lines.iter().map(|line| line.pointer(pointer).unwrap().as_str().unwrap().into()).collect()
}

#[tokio::test]
async fn no_draw_is_skipped_or_repeated_while_bags_are_hung() {
    let service = with_a_copy();
    let mut all: Vec<String> = Vec::new();
    let mut next = Some("groves/my-demo/draws?per_page=200".to_owned());
    while let Some(address) = next {
        let answer = ask(&service, &address, &[]).await;
        all.extend(ids(&answer, "draws", "/draw_id"));
        next = link(&answer, "next");
    }
    let mut seen = Vec::new();
    let mut next = Some("groves/my-demo/draws?per_page=37".to_owned());
    let mut parts = Vec::new();
    for tree in (1..=24).map(|tree| format!("E{tree:02}")) {
        let Some(address) = next else { break };
        let answer = ask(&service, &address, &[]).await;
        assert_eq!(answer.status, StatusCode::OK, "{}", answer.text);
        seen.extend(ids(&answer, "draws", "/draw_id"));
        parts.push(answer.text.clone());
        next = link(&answer, "next");
        if next.is_none() {
            // Back again: the part before the last one, as it was.
            let before = ask(&service, &link(&answer, "prev").unwrap(), &[]).await;
            let as_was: Value = serde_json::from_str(&parts[parts.len() - 2]).unwrap();
            assert_eq!(read(&before)["draws"], as_was["draws"]);
        }
        let body = format!(r#"{{"act":{{"kind":"start","tree_id":"{tree}","second_bag":true}}}}"#);
        let hung = post(&service, "groves/my-demo/entries", &body).await;
        assert_eq!(hung.status, StatusCode::CREATED, "{}", hung.text);
    }
    assert!(parts.len() > 3, "{}", parts.len());
    assert_eq!(seen, all);
    let first = ask(&service, "groves/my-demo/draws?per_page=37", &[]).await;
    assert_eq!(link(&first, "prev"), None);
    assert_eq!(link(&first, "first").as_deref(), Some("groves/my-demo/draws?per_page=37"));
    assert_ne!(ids(&first, "draws", "/draw_id")[0], all[0], "new bags come first");
}

#[tokio::test]
async fn no_entry_is_skipped_or_repeated_while_more_are_noted() {
    let service = with_a_copy();
    let note = async |number: usize| {
        let body = format!(r#"{{"key":"n{number}","act":{{"kind":"wet","on":"E05"}}}}"#);
        let noted = post(&service, "groves/my-demo/entries", &body).await;
        assert_eq!(noted.status, StatusCode::CREATED, "{}", noted.text);
        // The list is in the order of milliseconds.
        tokio::time::sleep(std::time::Duration::from_millis(3)).await;
    };
    for number in 0..7 {
        note(number).await;
    }
    let (mut seen, mut number) = (Vec::new(), 7);
    let mut next = Some("groves/my-demo/entries?per_page=3".to_owned());
    while let Some(address) = next {
        let answer = ask(&service, &address, &[]).await;
        seen.extend(ids(&answer, "entries", "/entry/key"));
        next = link(&answer, "next");
        note(number).await;
        number += 1;
    }
    assert_eq!(seen, ["n6", "n5", "n4", "n3", "n2", "n1", "n0"]);
    let demo = ask(&service, "groves/demo/entries", &[]).await;
    assert_eq!((demo.status, read(&demo)["total"].as_u64()), (StatusCode::OK, Some(0)));
    let day = ask(&service, "groves/my-demo/entries?date=2020-01-01", &[]).await;
    assert_eq!(read(&day)["total"], 0);
    let rows = ask(&service, "groves/my-demo/entries?per_page=2", &[("accept", "text/csv")]).await;
    assert_eq!(rows.text.lines().count(), 3, "{}", rows.text);
    assert!(link(&rows, "next").is_some());
}

#[tokio::test]
async fn rows_and_formulas() {
    let service = with_a_copy();
    let tree = r#"{"tree_id":"X1","block":"avenue","species":"=1+1","circumference_cm":90,
        "ports":8,"note":"@SUM(A1)"}"#;
    let added = post(&service, "groves/my-demo/trees", tree).await;
    assert_eq!(added.status, StatusCode::CREATED, "{}", added.text);
    let csv = [("accept", "text/csv;q=0.5, application/json;q=0.1")];
    let trees = ask(&service, "groves/my-demo/trees", &csv).await;
    assert!(trees.text.contains(",'=1+1,") && trees.text.contains(",'@SUM(A1)"), "{}", trees.text);
    for address in [
        "groves",
        "groves/my-demo/weather",
        "groves/my-demo/drawdowns",
        "groves/my-demo/draws",
        "groves/my-demo/entries",
        "groves/my-demo/trees/E05",
    ] {
        let answer = ask(&service, address, &csv).await;
        assert_eq!(answer.header("content-type"), "text/csv", "{address}: {}", answer.text);
        let mut rows = csv::Reader::from_reader(answer.text.as_bytes());
        let names: BTreeSet<String> = rows.headers().unwrap().iter().map(str::to_owned).collect();
        assert_eq!(names.len(), rows.headers().unwrap().len(), "{address}");
        assert!(rows.records().all(|row| row.is_ok()), "{address}");
        // A form of weight nothing is none, whatever else is taken.
        let other = [("accept", "text/csv;q=0, */*")];
        let answer = ask(&service, address, &other).await;
        assert_eq!(answer.header("content-type"), "application/json", "{address}");
    }
    let calendar = [("accept", "text/calendar")];
    let plan = ask(&service, "groves/demo/dayplan", &calendar).await;
    assert_eq!(plan.header("content-type"), "text/calendar");
    assert!(plan.text.starts_with("BEGIN:VCALENDAR"));
}
