//! The frame of the service's pages: head, the way round, and what is said on every page.

use maud::{DOCTYPE, Markup, html};

/// Which screen.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Tab {
    /// Is tomorrow a day that pulls?
    Tomorrow,
    /// The bags that hang now.
    Today,
    /// The day plan.
    Plan,
    /// The trees, and one of them.
    Trees,
    /// All draws.
    Draws,
    /// Predicted and actual.
    Compare,
    /// The working record.
    Records,
    /// Weather: sources, freshness, gaps.
    Weather,
    /// None of them: log-in, first run, people.
    Elsewhere,
}

impl Tab {
    /// Those that a grove has, in the order of the way round.
    pub const OF_A_GROVE: [Self; 8] = [
        Self::Tomorrow,
        Self::Today,
        Self::Plan,
        Self::Trees,
        Self::Draws,
        Self::Compare,
        Self::Records,
        Self::Weather,
    ];

    /// Its word.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Tomorrow => "Tomorrow",
            Self::Today => "Today",
            Self::Plan => "Plan",
            Self::Trees => "Trees",
            Self::Draws => "Draws",
            Self::Compare => "Compare",
            Self::Records => "Records",
            Self::Weather => "Weather",
            Self::Elsewhere => "",
        }
    }

    /// Its place under the grove's.
    pub const fn path(self) -> &'static str {
        match self {
            Self::Tomorrow => "tomorrow",
            Self::Today => "today",
            Self::Plan => "plan",
            Self::Trees => "trees",
            Self::Draws => "draws",
            Self::Compare => "compare",
            Self::Records => "records",
            Self::Weather => "weather",
            Self::Elsewhere => "",
        }
    }
}

/// Where a page stands and who reads it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Place {
    /// Address of the grove, `/g/west`; empty where the page is of none.
    pub base: String,
    /// The grove's name; empty where the page is of none.
    pub grove: String,
    /// Is it the demo, all invented?
    pub is_demo: bool,
    /// Which screen.
    pub tab: Tab,
    /// Who reads; none where no log-in is asked for.
    pub person: Option<String>,
    /// May they log readings?
    pub may_log: bool,
    /// May they change the grove, its model and its people?
    pub may_manage: bool,
    /// The token that a form must send back as `csrf`.
    pub csrf: String,
    /// Can a phone keep the pages without signal? Only over HTTPS or on the machine itself.
    pub offline: bool,
    /// US customary units for reading and entry.
    pub customary: bool,
}

impl Place {
    /// Of no grove, read by somebody of whom nothing is known.
    pub const fn of_no_grove() -> Self {
        Self {
            base: String::new(),
            grove: String::new(),
            is_demo: false,
            tab: Tab::Elsewhere,
            person: None,
            may_log: false,
            may_manage: false,
            csrf: String::new(),
            offline: false,
            customary: false,
        }
    }

    /// Address of a screen of the grove.
    pub fn to(&self, tab: Tab) -> String {
        format!("{}/{}", self.base, tab.path())
    }

    /// The hidden field of every form.
    pub fn csrf_field(&self) -> Markup {
        html! { input type="hidden" name="csrf" value=(self.csrf); }
    }
}

/// Who reads, and where their own pages are.
fn who(place: &Place) -> Markup {
    html! {
        div .who {
            @if place.may_manage { a href="/people" { "People" } " " }
            @if let Some(person) = &place.person {
                a href="/password" { (person) } " "
                form method="post" action="/log-out" { (place.csrf_field()) button { "Log out" } }
            }
        }
    }
}

/// In which units the pages are read; the stored value is metric.
fn units(place: &Place) -> Markup {
    let (to, words) = match place.customary {
        true => ("metric", "Show metres, litres and \u{b0}C"),
        false => ("us", "Show feet, fluid ounces and \u{b0}F"),
    };
    html! {
        form .units method="post" action="/units" {
            (place.csrf_field())
            input type="hidden" name="back" value=(place.to(place.tab));
            button name="units" value=(to) { (words) }
        }
    }
}

/// A whole page.
pub fn page(place: &Place, title: &str, body: &Markup) -> String {
    let whole = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (title) @if !place.grove.is_empty() { ", " (place.grove) } " - xylocast" }
                link rel="stylesheet" href="/assets/style.css";
                link rel="icon" href="/assets/icon.svg" type="image/svg+xml";
                link rel="manifest" href="/manifest.webmanifest";
                @if place.offline { script src="/assets/app.js" defer {} }
            }
            body data-base=(place.base) {
                a.skip href="#main" { "To the content" }
                header {
                    p.where { a href="/" { "xylocast" } @if !place.grove.is_empty() { " " b { (place.grove) } } }
                    @if place.person.is_some() || place.may_manage { (who(place)) }
                    @if !place.base.is_empty() {
                        nav aria-label="Screens" { ul {
                            @for tab in Tab::OF_A_GROVE { li {
                                a href=(place.to(tab)) aria-current=[(tab == place.tab).then_some("page")] { (tab.word()) }
                            } }
                        } }
                    }
                }
                main #main {
                    @if place.is_demo { p.note { "Demo grove: place, weather and draws are invented." } }
                    (body)
                }
                footer { p { "Planning estimate. The product label, local law and licensed practice prevail." }
                    @if place.tab != Tab::Elsewhere { (units(place)) }
                }
            }
        }
    };
    whole.into_string()
}
