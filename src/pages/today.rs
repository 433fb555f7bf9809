//! Today: the bags that hang, the next thing to do first, and the forms that log in two taps. All of
//! it works without a script.

use super::charts::drawdown;
use super::figures::Figures;
use super::parts::{folded, lines, tree_link};
use super::site::{Place, page as whole};
use crate::app::drawdown::Drawdown;
use crate::app::log::{Bag, Shown};
use crate::app::today::{BagNow, Pace, Today};
use crate::app::words::{clock, percent};
use chrono::NaiveDate;
use maud::{Markup, html};
use std::collections::HashMap;

/// What is logged or was, beside the answer.
#[derive(Debug, Clone)]
pub struct Logging<'a> {
    /// Today's entries and the bags not yet stripped; none where nothing can be logged.
    pub shown: Option<&'a Shown>,
    /// Ids of the trees that a bag can be hung on.
    pub tree_ids: &'a [String],
    /// A key that no form was given before.
    pub key: &'a str,
    /// What was just noted, with what to mind.
    pub noted: &'a [String],
    /// Why what was typed was not noted.
    pub refused: Option<&'a str>,
    /// What was typed then.
    pub typed: &'a HashMap<String, String>,
}

impl Logging<'_> {
    /// What was typed into a field of the form `kind` about `on`.
    fn typed(&self, form: &str, on: &str, name: &str) -> &str {
        let told = |name: &str| self.typed.get(name).map_or("", String::as_str);
        if told("form") == form && told("on") == on { told(name) } else { "" }
    }
}

/// The page.
pub fn page(
    place: &Place,
    today: &Today,
    drawn: &[Drawdown],
    logging: &Logging,
    instant: &str,
) -> String {
    let figures = Figures::of(place);
    let date = today.as_of.get(..10).and_then(|day| day.parse().ok()).unwrap_or_default();
    let empty: Vec<&Bag> = logging.shown.map_or(Vec::new(), |shown| {
        let hangs = |bag: &&Bag| !today.bags.iter().any(|now| now.draw_id == bag.draw_id);
        shown.bags.iter().filter(hangs).collect()
    });
    let mut mind = vec![figures.sentence(&today.night_words)];
    mind.push("The label, local law and licensed practice prevail.".into());
    let body = html! {
        h1 { "Today" }
        div data-live=(instant) data-zone=(today.time_zone) {}
        p.warning role="alert" hidden #aged {}
        section #waiting hidden aria-live="polite" {}
        (told(logging, figures))
        p.answer { (figures.sentence(&today.answer)) }
        p.small { "As of " (clock(Some(&today.as_of), date)) ". Times in " (today.time_zone) "." }
        (may_not(place))
        @for bag in &empty { (empty_card(place, bag, logging)) }
        @for bag in &today.bags {
            (card(place, today, bag, date, logging))
            @if let Some(drawn) = drawn.iter().find(|drawn| drawn.draw_id == bag.draw_id) {
                (folded(&format!("Drawdown of {}", bag.tree_id), &drawdown::chart(drawn, figures)))
            }
        }
        @if place.may_log { (hang(place, logging)) (by_tree(place, logging)) }
        (entries(place, logging, date))
        (lines("Mind", &mind))
        p.small role="status" hidden #kept {}
        @if !place.offline {
            p.small { "Offline is off: a phone keeps pages and readings without signal only where \
                the service is reached over HTTPS." }
            script src="/assets/app.js" defer {}
        }
    };
    whole(place, "Today", &body)
}

fn told(logging: &Logging, figures: Figures) -> Markup {
    html! {
        @if let Some(refused) = logging.refused {
            p.wrong role="alert" { b { "Not noted: " } (figures.sentence(refused)) }
        }
        @if let Some((says, mind)) = logging.noted.split_first() {
            p.done role="status" { b { "Noted. " } (figures.sentence(says)) }
            @for mind in mind { p.warning { (figures.sentence(mind)) } }
        }
    }
}

fn may_not(place: &Place) -> Markup {
    html! {
        @if place.is_demo && !place.may_log {
            p.note { "The demo can be read and not written to. To try logging, "
                a href="/new#demo" { "make a copy of it" } "." }
        } @else if !place.may_log {
            p.note { "You may read here; the crew and managers log." }
        }
    }
}

/// What to do with a bag next, and why.
fn next(bag: &BagNow, date: NaiveDate) -> String {
    let empty = bag.p_empty_now.unwrap_or(0.0);
    let at = || clock(bag.now[1].as_deref(), date);
    match (bag.clamped, bag.pace) {
        (true, _) => "Clamped shut: open it, or strip it".into(),
        _ if empty >= 0.5 => format!("Look now: {} likely empty", percent(bag.p_empty_now)),
        (_, Pace::Fast) => "Look now: faster than expected".into(),
        (_, Pace::Slow) => "Look now: slower than expected".into(),
        _ if bag.now[1].is_some() => format!("Look at {}", at()),
        _ => "Look when you pass: the weather does not reach to its end".into(),
    }
}

fn card(place: &Place, today: &Today, bag: &BagNow, date: NaiveDate, logging: &Logging) -> Markup {
    let figures = Figures::of(place);
    let band = |three: &[Option<String>; 3]| match three {
        [Some(low), Some(mid), Some(high)] => format!(
            "{} ({} to {}, 80 %)",
            clock(Some(mid), date),
            clock(Some(low), date),
            clock(Some(high), date)
        ),
        [Some(low), ..] => format!("{} or later", clock(Some(low), date)),
        _ => "beyond the weather known".into(),
    };
    let looked = bag.looked.as_deref().map_or("nobody has looked yet".to_owned(), |looked| {
        let (at, what) = looked.split_once(' ').unwrap_or((looked, ""));
        format!("{} at {}", figures.sentence(what), clock(Some(at), date))
    });
    html! {
        article.card {
            h2 { (tree_link(&place.base, &bag.tree_id)) ": " (next(bag, date)) }
            @if bag.pace != Pace::AsExpected {
                p.warning {
                    @if bag.pace == Pace::Slow { "Slow. " } @else { "Fast. " }
                    @if let Some(order) = today.order_of_suspicion { (figures.sentence(order)) "." }
                }
            }
            dl.facts {
                div { dt { "Last look" } dd { (looked) } }
                div { dt { "Empty, believed now" } dd { (band(&bag.now)) } }
                div { dt { "Thought at its start" } dd { (band(&bag.at_start)) } }
                div { dt { "Started" } dd {
                    (clock(Some(&bag.start), date)) ", " (figures.volume(bag.charge_ml))
                } }
                div { dt { "By the end of the day" } dd { (bag.call.words()) } }
            }
            p { (figures.sentence(&bag.because)) }
            @if place.may_log { (forms(place, &bag.draw_id, &bag.tree_id, logging)) }
        }
    }
}

/// A bag that was seen empty and is still there.
fn empty_card(place: &Place, bag: &Bag, logging: &Logging) -> Markup {
    let figures = Figures::of(place);
    html! {
        article.card {
            h2 { (tree_link(&place.base, &bag.tree_id)) @if bag.empty { ": strip it" } @else { ": look" } }
            p { (figures.sentence(&bag.last)) "." }
            @if place.may_log { (forms(place, &bag.draw_id, &bag.tree_id, logging)) }
        }
    }
}

/// The hidden fields of a form.
fn hidden(place: &Place, logging: &Logging, form: &str) -> Markup {
    html! {
        (place.csrf_field())
        input type="hidden" name="form" value=(form);
        input type="hidden" name="key" value=(logging.key);
        input type="hidden" name="unit" value=(Figures::of(place).volume_unit());
    }
}

fn button(kind: &str, word: &str) -> Markup {
    html! { button.big name="kind" value=(kind) { (word) } }
}

/// A volume and when; `what` names them for who cannot see the card.
fn volume(place: &Place, logging: &Logging, form: &str, on: &str, what: &str) -> Markup {
    let unit = Figures::of(place).volume_unit();
    html! {
        label.field { (unit)
            input type="text" inputmode="decimal" name="ml" autocomplete="off" size="6"
                value=(logging.typed(form, on, "ml")) aria-label=(format!("{what}, {unit}"));
        }
    }
}

fn time(logging: &Logging, form: &str, on: &str) -> Markup {
    html! {
        label.field { "At, if not now"
            input type="time" name="at" value=(logging.typed(form, on, "at"));
        }
    }
}

/// Two taps: wet, empty, or what is left.
fn looks(place: &Place, logging: &Logging, form: &str, on: &str, head: &Markup) -> Markup {
    let action = format!("{}/log", place.base);
    html! {
        form.log method="post" action=(action) {
            (hidden(place, logging, form)) (head)
            div.taps { (button("wet", "Wet")) (button("empty", "Empty")) }
        }
        form.log method="post" action=(action) {
            (hidden(place, logging, form)) (head)
            div.taps { (volume(place, logging, form, on, "Left")) (button("left", "Log what is left")) }
        }
    }
}

fn forms(place: &Place, draw_id: &str, tree_id: &str, logging: &Logging) -> Markup {
    let action = format!("{}/log", place.base);
    let on = html! {
        input type="hidden" name="on" value=(draw_id);
        input type="hidden" name="tree" value=(tree_id);
    };
    let more = html! {
        form.log method="post" action=(action) {
            (hidden(place, logging, "more")) (on)
            p { (time(logging, "more", draw_id)) " " (volume(place, logging, "more", draw_id, "Volume")) }
            p { label.field { "Why or note"
                input type="text" name="why" maxlength="200" value=(logging.typed("more", draw_id, "why"));
            } }
            div.taps {
                (button("wet", "Wet")) (button("empty", "Empty")) (button("left", "So much left"))
                (button("pause", "Clamped shut")) (button("resume", "Opened again"))
                (button("refill", "So much filled in")) (button("leak", "Leak"))
                (button("strip", "Stripped"))
            }
            p.small { "The volume is what was left, or what was filled in. At a leak: shut the clamp \
                first and keep the mix off drains and water; the label says what to do." }
        }
    };
    html! {
        (looks(place, logging, "look", draw_id, &on))
        (folded("Clamp, refill, leak, strip, an earlier time", &more))
    }
}

fn tree_choice(logging: &Logging, id: &str, name: &str, form: &str) -> Markup {
    let typed = logging
        .typed
        .get("on")
        .filter(|_| logging.typed.get("form").is_some_and(|typed| typed == form));
    html! {
        p { label.field for=(id) { "Tree" }
            select id=(id) name=(name) {
                @for tree in logging.tree_ids {
                    option value=(tree) selected[typed == Some(tree)] { (tree) }
                }
            }
        }
    }
}

fn hang(place: &Place, logging: &Logging) -> Markup {
    let typed = |name: &str| match logging.typed.get("form").is_some_and(|form| form == "hang") {
        true => logging.typed.get(name).map_or("", String::as_str),
        false => "",
    };
    let unit = Figures::of(place).volume_unit();
    html! {
        section { h2 { "Hang a bag" }
            @if logging.tree_ids.is_empty() {
                p { "This grove has no tree yet." }
                @if place.may_manage { p { a.button href=(format!("{}/add", place.base)) { "Add trees or files" } } }
            } @else {
                form.log method="post" action=(format!("{}/log", place.base)) {
                    (hidden(place, logging, "hang"))
                    (tree_choice(logging, "hang-tree", "on", "hang"))
                    p { label.field { "Charge, " (unit)
                        input type="text" inputmode="decimal" name="ml" size="6" autocomplete="off"
                            value=(typed("ml"));
                    } span.hint.small { "Blank: what is set for the tree." } }
                    p { label.field { "Kit" input type="text" name="kit" size="10" autocomplete="off" value=(typed("kit")); } }
                    p { label.field { "Started at, if not now" input type="time" name="at" value=(typed("at")); } }
                    p { label.check { input type="checkbox" name="second_bag" value="yes"; "A second bag on this tree" } }
                    p.small { "Before you open the clamp: ports tight, no air in the line, the label at hand." }
                    div.taps { button.main.big name="kind" value="start" { "Hung and started" } }
                }
            }
        }
    }
}

/// For a bag that has no card yet, as one that was hung without signal.
fn by_tree(place: &Place, logging: &Logging) -> Markup {
    let chosen = logging.typed.get("on").map_or("", String::as_str);
    let body = html! {
        (looks(place, logging, "tree", chosen, &html! {
            p { label.field { "Tree" select name="on" {
                @for tree in logging.tree_ids {
                    option value=(tree) selected[chosen == tree] { (tree) }
                }
            } } }
        }))
    };
    html! { @if !logging.tree_ids.is_empty() { (folded("Log by tree: a bag without a card", &body)) } }
}

fn entries(place: &Place, logging: &Logging, date: NaiveDate) -> Markup {
    let Some(shown) = logging.shown else { return html! {} };
    let own =
        shown.entries.iter().rev().find(|line| {
            line.by == place.person && !line.undone && !line.says.starts_with("Undone")
        });
    let figures = Figures::of(place);
    html! {
        section { h2 { "Noted today" }
            @if shown.entries.is_empty() { p { "Nothing yet." } }
            ul { @for line in shown.entries.iter().rev() { li {
                @if line.undone { s { (figures.sentence(&line.says)) } " (undone)" }
                @else { (figures.sentence(&line.says)) }
                @if let Some(by) = &line.by { ", " (by) }
                @if let Some(note) = &line.note { ": " (note) }
                " (noted " (clock(Some(&line.noted), date)) ")"
            } } }
            @if let Some(own) = own.filter(|_| place.may_log) {
                form.log method="post" action=(format!("{}/log", place.base)) {
                    (hidden(place, logging, "undo"))
                    input type="hidden" name="of" value=(own.key);
                    button name="kind" value="undo" { "Undo: " (figures.sentence(&own.says)) }
                }
            }
        }
    }
}
