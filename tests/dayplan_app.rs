//! The day plan of the demo grove and of folders of our own, as it leaves `app`: the same in every
//! form, held to the forms' own standards.
#![allow(missing_docs)]

use chrono::{DateTime, NaiveDateTime, Utc};
use xylocast::app::dayplan::{Asked, DayPlan, Kept, campaign, dayplan, lay};
use xylocast::app::desk::{Desk, Request};
use xylocast::pages::{calendar, dayplan as sheet, lanes};
use xylocast::plan::day::{Effort, solve};
use xylocast::store::home::Home;

fn demo() -> Desk {
    Desk::lay(&Request::default(), Utc::now()).unwrap()
}

fn walnuts(desk: &Desk) -> DayPlan {
    let asked = Asked { blocks: vec!["walnuts".into()], ..Asked::default() };
    dayplan(desk, desk.tomorrow(), &asked).unwrap()
}

/// A reader of RFC 5545 of our own: lines end in CRLF, none is longer than 75 octets, a line that
/// begins with a blank goes on with the one before; TEXT is unescaped.
fn read_calendar(text: &str) -> Vec<Vec<(String, String)>> {
    assert!(text.ends_with("\r\n"));
    let mut lines: Vec<String> = Vec::new();
    for line in text.strip_suffix("\r\n").unwrap().split("\r\n") {
        assert!(line.len() <= 75 && !line.contains(['\r', '\n']), "{line}");
        match line.strip_prefix(' ') {
            Some(rest) => lines.last_mut().unwrap().push_str(rest),
            None => lines.push(line.to_owned()),
        }
    }
    assert_eq!(lines.first().unwrap(), "BEGIN:VCALENDAR");
    assert_eq!(lines.last().unwrap(), "END:VCALENDAR");
    for needed in ["VERSION:2.0", "CALSCALE:GREGORIAN"] {
        assert!(lines.iter().any(|line| line == needed));
    }
    assert!(lines.iter().any(|line| line.starts_with("PRODID:")));
    let mut events = Vec::new();
    let mut event: Option<Vec<(String, String)>> = None;
    for line in &lines {
        let (name, value) = line.split_once(':').unwrap();
        match (name, value) {
            ("BEGIN", "VEVENT") => assert!(event.replace(Vec::new()).is_none()),
            ("END", "VEVENT") => events.push(event.take().unwrap()),
            _ => {
                if let Some(event) = &mut event {
                    event.push((name.to_owned(), unescaped(value)));
                }
            }
        }
    }
    assert!(event.is_none());
    events
}

fn unescaped(text: &str) -> String {
    let mut out = String::new();
    let mut letters = text.chars();
    while let Some(letter) = letters.next() {
        match letter {
            '\\' => match letters.next().unwrap() {
                'n' | 'N' => out.push('\n'),
                other => {
                    assert!(['\\', ';', ','].contains(&other), "{text}");
                    out.push(other);
                }
            },
            // RFC 5545, section 3.3.11: these are never bare in TEXT.
            ';' | ',' => panic!("bare {letter} in {text}"),
            _ => out.push(letter),
        }
    }
    out
}

#[test]
fn the_calendar_reads_back_as_the_plan() {
    let desk = demo();
    let mut plan = walnuts(&desk);
    plan.grove = "Aria; Bäume, \\ und\nmehr 🌳 — ".repeat(4);
    let text = calendar::calendar(&plan, desk.as_of);
    let events = read_calendar(&text);
    let acts: Vec<_> = plan.people.iter().flat_map(|person| &person.acts).collect();
    assert_eq!(events.len(), acts.len());
    let mut uids = std::collections::HashSet::new();
    for (event, act) in events.iter().zip(acts) {
        let value = |name: &str| {
            let found: Vec<_> = event.iter().filter(|it| it.0 == name).collect();
            assert_eq!(found.len(), 1, "{name}");
            found[0].1.clone()
        };
        let instant = |name: &str| -> DateTime<Utc> {
            NaiveDateTime::parse_from_str(&value(name), "%Y%m%dT%H%M%SZ").unwrap().and_utc()
        };
        assert_eq!([instant("DTSTART"), instant("DTEND")], act.at);
        assert_eq!(instant("DTSTAMP"), desk.as_of);
        assert!(value("SUMMARY").contains(act.what) && value("DESCRIPTION").contains(&plan.grove));
        assert!(uids.insert(value("UID")));
    }
}

#[test]
fn the_same_question_has_the_same_plan_and_the_plan_holds_together() {
    let desk = demo();
    let (one, other) = (walnuts(&desk), walnuts(&desk));
    let json = |plan: &DayPlan| serde_json::to_string(plan).unwrap();
    assert_eq!(json(&one), json(&other));
    let in_plan: Vec<&str> = one.trees.iter().map(|tree| tree.tree_id.as_str()).collect();
    let left: Vec<&str> = one.left.iter().map(|tree| tree.tree_id.as_str()).collect();
    assert!(in_plan.iter().all(|tree| !left.contains(tree)));
    let listed =
        desk.grove.trees.iter().filter(|it| it.block == "walnuts" && it.hang != Some(false));
    for tree in listed {
        assert!(
            in_plan.contains(&tree.id.as_str()) ^ left.contains(&tree.id.as_str()),
            "{}",
            tree.id
        );
    }
    let odds = one.odds.unwrap();
    assert!((0.0..=1.0).contains(&odds.p_all_done) && odds.overnight_bags >= 0.0);
    assert_eq!(one.what_if.len(), 3);
}

#[test]
fn pictures_and_sheets_are_text_and_escape_what_users_type() {
    let desk = demo();
    let mut plan = walnuts(&desk);
    plan.trees[0].tree_id = "<b>&".into();
    plan.grove = "<script>".into();
    let (svg, html) = (lanes::file(&plan), sheet::file(&plan));
    for needed in [
        "role=\"img\"",
        "<title id=\"lanes-title\">",
        "<desc id=\"lanes-desc\">",
        "viewBox=\"0 0 360 ",
    ] {
        assert!(svg.contains(needed), "{needed}");
    }
    for text in [&svg, &html] {
        assert!(
            text.contains("&lt;b&gt;&amp;") && !text.contains("<b>&") && !text.contains("<script>")
        );
    }
    for tree in &plan.trees[1..] {
        assert!(svg.contains(&format!(">{}</text>", tree.tree_id)) && html.contains(&tree.tree_id));
    }
    assert!(html.contains("local law and licensed practice prevail"));
}

#[test]
fn a_plan_made_again_changes_little_and_says_what() {
    let desk = demo();
    let plan = walnuts(&desk);
    let again = |kits: Option<u32>, people: Option<u32>| {
        let blocks = vec!["walnuts".into()];
        let asked =
            Asked { blocks, kits, people, earlier: Some(plan.kept.clone()), ..Asked::default() };
        dayplan(&desk, desk.tomorrow(), &asked).unwrap()
    };
    assert_eq!(again(None, None).changes.unwrap(), [] as [&str; 0]);
    let alone = again(None, Some(1)).changes.unwrap();
    assert_eq!(alone[0], "people: 1 (was 3)");
    assert!(alone.len() > 1, "{alone:?}");
    let missing = |gone: Vec<u32>, broken: Vec<u32>| Asked {
        blocks: vec!["walnuts".into()],
        gone,
        broken,
        earlier: Some(plan.kept.clone()),
        ..Asked::default()
    };
    let without = |asked: &Asked| dayplan(&desk, desk.tomorrow(), asked).unwrap();
    // Most that others were to set is set by them, and within 5 min of when it was to be.
    let starts = |plan: &DayPlan| -> Vec<(String, String, DateTime<Utc>)> {
        let trees = plan.trees.iter().filter(|tree| !tree.hanging);
        trees.map(|it| (it.tree_id.clone(), it.person.clone(), it.span[0].unwrap())).collect()
    };
    let second = without(&missing(vec![2], vec![]));
    assert!(second.people[1].acts.is_empty());
    let now = starts(&second);
    assert!(now.iter().all(|it| it.1 != "person 2"));
    assert!(second.changes.unwrap().contains(&"person 2 is gone".to_owned()));
    let stay: Vec<_> = starts(&plan).into_iter().filter(|it| it.1 != "person 2").collect();
    let stays = |was: &&(String, String, DateTime<Utc>)| {
        let near = |at: DateTime<Utc>| (at - was.2).num_minutes().abs() <= 5;
        now.iter().any(|it| (&it.0, &it.1) == (&was.0, &was.1) && near(it.2))
    };
    let same = stay.iter().filter(stays).count();
    assert!(5 * same >= 3 * stay.len(), "{same} of {}: {stay:?} {now:?}", stay.len());
    let first_kit = without(&missing(vec![], vec![1]));
    let fresh: Vec<_> = first_kit.trees.iter().filter(|tree| !tree.hanging).collect();
    assert!(fresh.iter().all(|tree| tree.kit != 1));
    assert!(first_kit.changes.unwrap().contains(&"kit 1 is broken".to_owned()));
    for (asked, words) in [
        (missing(vec![4], vec![]), "no person 4"),
        (missing(vec![], vec![99]), "no kit 99"),
        (missing(vec![1, 2, 3], vec![]), "all 3 people"),
    ] {
        let error = dayplan(&desk, desk.tomorrow(), &asked).unwrap_err().to_string();
        assert!(error.contains(words), "{error}");
    }
    let wrong = Asked { earlier: Some(plan.kept.clone()), ..Asked::default() };
    let error = dayplan(&desk, plan.date.succ_opt().unwrap(), &wrong).unwrap_err().to_string();
    assert!(error.contains("the earlier plan is for"), "{error}");
}

#[test]
fn several_days_share_the_list_out() {
    let desk = demo();
    let asked = Asked { blocks: vec!["walnuts".into()], ..Asked::default() };
    let days = campaign(&desk, desk.tomorrow(), 3, &asked).unwrap();
    assert_eq!(days.days.len(), 3);
    let mut trees: Vec<&String> = days.days.iter().flat_map(|day| &day.trees).collect();
    let planned = trees.len();
    trees.sort();
    trees.dedup();
    assert_eq!((trees.len(), planned + days.left.len()), (planned, days.listed));
    assert!(days.days.iter().any(|day| day.go));
    assert!(days.days.iter().all(|day| day.go != day.trees.is_empty()));
}

/// What a day takes and what it could take are told from one source.
#[test]
fn no_day_takes_more_than_it_could() {
    let desk = demo();
    let asked = Asked { kits: Some(6), ..Asked::default() };
    let days = campaign(&desk, desk.tomorrow(), 4, &asked).unwrap();
    assert!(days.days.iter().filter(|day| day.go).count() > 1);
    for day in &days.days {
        assert!(day.trees.len() <= day.could_take, "{day:?}");
    }
}

/// The plan is looked for among the kits that a day can need, whatever the list and however it is
/// asked for; the search over every kit is the other way to the same plan.
#[test]
fn kits_that_no_bag_needs_change_nothing_and_cost_nothing() {
    let desk = demo();
    let date = desk.tomorrow();
    let with = |kits: u32, broken: &[u32], earlier: Option<Kept>| {
        let asked =
            Asked { kits: Some(kits), broken: broken.to_vec(), earlier, ..Asked::default() };
        dayplan(&desk, date, &asked).unwrap()
    };
    let laid = lay(&desk, date, &Asked { kits: Some(9_999), ..Asked::default() }).unwrap();
    let mut every = laid.problem.clone();
    every.kits.resize(every.kits.len() + 20, every.kits[0].clone());
    let effort = Effort { moves: 300, seed: 1 };
    assert_eq!(solve(&laid.problem, effort, None), solve(&every, effort, None));

    let many = with(9_999, &[], None);
    assert_eq!(many.trees.len() + many.left.len(), laid.hangs.len());
    let broken = with(9_999, &(1..9_000).step_by(2).collect::<Vec<u32>>(), None);
    assert!(broken.trees.iter().all(|tree| tree.kit % 2 == 0), "a broken kit hangs nothing");
    // Kits keep their numbers from plan to plan, also far up the list.
    let mut earlier = many.kept.clone();
    for draw in &mut earlier.plan.draws {
        draw.kit = 9_000 - draw.kit;
    }
    let again = with(9_999, &[9_000], Some(earlier.clone()));
    for tree in again.trees.iter().filter(|tree| tree.hanging) {
        let id = earlier.tree_ids.iter().position(|id| *id == tree.tree_id).unwrap();
        let was = earlier.plan.draws.iter().find(|draw| draw.tree == id).unwrap();
        assert_eq!(tree.kit, was.kit + 1);
    }
    assert_eq!(again.kept.plan.draws.len(), again.trees.len());
}

/// A tree that hangs two bags stands in a plan twice: each bag keeps its kit in the next one.
#[test]
fn two_bags_of_one_tree_are_two_when_a_plan_is_made_again() {
    let at = tempfile::tempdir().unwrap();
    let folder = at.path().join("grove");
    let as_of = xylocast::store::demo::as_of();
    Home::Demo.export(&folder, false, as_of).unwrap();
    let second = std::process::Command::new(env!("CARGO_BIN_EXE_xylocast"))
        .args(["log", "start", "E05", "--second-bag", "--as-of", &as_of.to_rfc3339(), "--grove"])
        .arg(&folder)
        .output()
        .unwrap();
    assert!(second.status.success(), "{}", String::from_utf8_lossy(&second.stderr));
    let request = Request { grove: Some(folder), as_of: Some(as_of), ..Request::default() };
    let desk = Desk::lay(&request, as_of).unwrap();
    let bags = |plan: &DayPlan| -> Vec<usize> {
        let those = plan.trees.iter().filter(|tree| tree.tree_id == "E05" && tree.hanging);
        those.map(|tree| tree.kit).collect()
    };
    let mut first = dayplan(&desk, desk.tomorrow(), &Asked::default()).unwrap();
    assert_eq!(bags(&first).len(), 2);
    // Its bags on other kits than would be free first.
    let e05 = |kept: &Kept, tree: usize| kept.tree_ids[tree] == "E05";
    let (one, two) = (first.kept.plan.draws.len(), first.kept.plan.draws.clone());
    let places: Vec<usize> = (0..one).filter(|&it| e05(&first.kept, two[it].tree)).collect();
    first.kept.plan.draws.iter_mut().for_each(|draw| draw.kit = (draw.kit + 2) % 12);
    let wanted: Vec<usize> = places.iter().map(|&it| first.kept.plan.draws[it].kit + 1).collect();
    let asked = Asked { earlier: Some(first.kept.clone()), ..Asked::default() };
    let again = dayplan(&desk, desk.tomorrow(), &asked).unwrap();
    let (mut now, mut was) = (bags(&again), wanted);
    now.sort_unstable();
    was.sort_unstable();
    assert_eq!(now, was);
}

/// All of the list was hung and stripped: there is nothing to do, which is a plan too.
#[test]
fn a_day_whose_list_is_done_has_an_empty_plan() {
    let desk = demo();
    let done = desk.grove.draws.iter().find(|draw| desk.local_date(draw.started) < desk.tomorrow());
    let done = done.unwrap();
    let (tree, date) = (desk.grove.trees[done.tree].id.clone(), desk.local_date(done.started));
    let asked = Asked { trees: vec![tree], kits: Some(3), ..Asked::default() };
    let plan = dayplan(&desk, date, &asked).unwrap();
    assert!(plan.trees.is_empty() && plan.left.is_empty());
}

#[test]
fn what_is_not_there_is_said() {
    let desk = demo();
    let asked = |block: &str, tree: &str| {
        let some = |it: &str| if it.is_empty() { vec![] } else { vec![it.to_owned()] };
        Asked { blocks: some(block), trees: some(tree), ..Asked::default() }
    };
    let error = |asked: Asked| dayplan(&desk, desk.tomorrow(), &asked).unwrap_err().to_string();
    assert!(error(asked("orchard", "")).contains("blocks: avenue, walnuts"));
    assert!(error(asked("", "E99")).contains("no tree 'E99'"));
    let one_kit = Asked { kits: Some(1), ..Asked::default() };
    assert!(error(one_kit).contains("2 bags hang already"));
}
