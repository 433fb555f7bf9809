//! The groves, and new ones: from a form, from files, from the demo; and what is added later.

use super::site::{Place, Tab, page as whole};
use crate::app::founding::{Typed, Wrong};
use maud::{Markup, html};

/// The demo's id, which no other grove has.
const DEMO: &str = "demo";

/// A grove in the list.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Listed {
    /// Its id in addresses.
    pub id: String,
    /// Its name; none where it cannot be read.
    pub name: Option<String>,
    /// Is it the demo, or a copy of it?
    pub is_demo: bool,
}

/// A form that came back.
#[derive(Debug, Clone, Copy)]
pub struct Again<'a> {
    /// What was typed.
    pub typed: &'a Typed,
    /// What is wrong with it, field by field.
    pub wrong: &'a [Wrong],
    /// What is wrong with the files that were sent, one by one.
    pub flaws: &'a [String],
}

/// A field: name, label, what else helps, and attributes of its input.
struct Field<'f> {
    name: &'f str,
    label: &'f str,
    hint: &'f str,
    mode: &'f str,
    list: Option<&'f str>,
    required: bool,
}

impl Field<'_> {
    fn show(&self, again: &Again) -> Markup {
        let Self { name, label, hint, mode, list, required } = *self;
        let typed = again.typed.get(name).map_or("", String::as_str);
        let wrong = again.wrong.iter().find(|wrong| wrong.field == name);
        let (hint_id, wrong_id) = (format!("{name}-hint"), format!("{name}-wrong"));
        let mut about = Vec::new();
        about.extend((!hint.is_empty()).then_some(hint_id.as_str()));
        about.extend(wrong.map(|_| wrong_id.as_str()));
        let about = about.join(" ");
        html! {
            p {
                label for=(name) { (label) }
                @if !hint.is_empty() { span .hint id=(hint_id) { (hint) } }
                input id=(name) name=(name) value=(typed) inputmode=(mode) list=[list] required[required]
                    autocomplete="off" aria-invalid=[wrong.map(|_| "true")]
                    aria-describedby=[(!about.is_empty()).then_some(&about)];
                @if let Some(wrong) = wrong { span .wrong id=(wrong_id) { (label) ": " (wrong.words) } }
            }
        }
    }
}

/// The list of groves. `can_make` tells whether the service has a folder to keep new ones in.
pub fn groves_page(place: &Place, groves: &[Listed], can_make: bool) -> String {
    let is_first = groves.iter().all(|grove| grove.is_demo);
    let body = html! {
        h1 { @if is_first { "Welcome" } @else { "Groves" } }
        @if is_first {
            p { "xylocast tells how long each tree will take to draw down its bag, from the weather." }
            @if can_make { p { "No grove of your own is kept here yet. Look around in the demo, or begin one." } }
        }
        ul .groves { @for grove in groves { li {
            @let name = grove.name.as_deref().unwrap_or(&grove.id);
            a href={ "/g/" (grove.id) "/tomorrow" } data-own[grove.id != DEMO] { (name) }
            @if grove.id == DEMO { " " span.small { "Cannot be changed." } }
            @else if grove.is_demo { " " span.small { "A copy of the demo, to try things out." } }
            @if grove.name.is_none() { " " span { "Cannot be read: open it to see why." } }
        } } }
        @if can_make && place.may_manage { p { a .button href="/new" { "Begin a grove" } } }
        @if !can_make {
            p { "To keep groves of your own, whoever runs the service names a folder for them in its \
                setting " code { "data" } ". The demo cannot be changed." }
        }
    };
    whole(place, if is_first { "Welcome" } else { "Groves" }, &body)
}

/// Begin a grove: three ways.
pub fn new_page(place: &Place, again: &Again, zones: &[&str]) -> String {
    let body = html! {
        h1 { "Begin a grove" }
        (problems(again))
        nav.ways aria-label="Ways to begin" { ul {
            li { a href="#form" { "Type where it is" } }
            li { a href="#files" { "Bring a grove folder in" } }
            li { a href="#demo" { "Try with a copy of the demo" } }
        } }
        section #form aria-labelledby="form-title" {
            h2 #form-title { "Type where it is" }
            form method="post" action="/new" {
                (place.csrf_field())
                (of_place(again))
                datalist #zones { @for zone in zones { option value=(zone); } }
                p { button { "Make the grove" } }
            }
        }
        section #files aria-labelledby="files-title" {
            h2 #files-title { "Bring a grove folder in" }
            (upload(place, "/new/files", "Its files: grove.toml, trees.csv and what else there is"))
        }
        section #demo aria-labelledby="demo-title" {
            h2 #demo-title { "Try with a copy of the demo" }
            p { "All of it is invented. Its clock begins on the demo's own evening and runs on from there; \
                 you can log, plan and change in it. The demo itself stays as it is." }
            form method="post" action="/new/demo" { (place.csrf_field()) button { "Copy the demo" } }
        }
        script src="/assets/new_grove.js" defer {}
    };
    whole(place, "Begin a grove", &body)
}

fn of_place(again: &Again) -> Markup {
    let fields = [
        Field { name: "name", label: "Name", hint: "", mode: "text", list: None, required: true },
        Field {
            name: "latitude_deg",
            label: "Latitude, degrees",
            hint: "North is positive, south negative: -34.93",
            mode: "text",
            list: None,
            required: true,
        },
        Field {
            name: "longitude_deg",
            label: "Longitude, degrees",
            hint: "East is positive, west negative: 138.60",
            mode: "text",
            list: None,
            required: true,
        },
        Field {
            name: "elevation_m",
            label: "Elevation above the sea",
            hint: "In metres, or with ft: 45 or 148 ft. It sets the air pressure: 50 m more or less hardly count",
            mode: "text",
            list: None,
            required: true,
        },
        Field {
            name: "time_zone",
            label: "Time zone",
            hint: "As in Europe/Madrid",
            mode: "text",
            list: Some("zones"),
            required: true,
        },
    ];
    html! {
        (fields[0].show(again))
        // Shown by the script where the phone can tell.
        p { button #position type="button" hidden data-position { "Use this phone's position" } span #position-said role="status" {} }
        @for field in &fields[1..] { (field.show(again)) }
    }
}

fn problems(again: &Again) -> Markup {
    let of_form = || again.wrong.iter().filter(|wrong| wrong.field.is_empty());
    html! {
        @if !again.wrong.is_empty() {
            p .wrong role="alert" { "Not made yet: see what is marked below." }
            @for wrong in of_form() { p .wrong { (wrong.words) } }
        }
        @if !again.flaws.is_empty() {
            div .wrong role="alert" {
                p { "Nothing was taken from the files:" }
                ul { @for flaw in again.flaws { li { (flaw) } } }
            }
        }
    }
}

fn upload(place: &Place, action: &str, label: &str) -> Markup {
    html! {
        form method="post" action=(action) enctype="multipart/form-data" {
            (place.csrf_field())
            p {
                label for="sent" { (label) }
                span .hint #sent-hint { "Choose all of them at once; together at most 10 MB" }
                input #sent name="files" type="file" multiple aria-describedby="sent-hint";
            }
            p hidden data-folder {
                label for="sent-folder" { "Or the whole folder" }
                input #sent-folder name="files" type="file" webkitdirectory;
            }
            p { button { "Bring them in" } }
        }
    }
}

/// Add trees or files to a grove.
pub fn add_page(place: &Place, again: &Again, done: Option<&str>) -> String {
    let field =
        |name, label, hint, mode, required| Field { name, label, hint, mode, list: None, required };
    let girth = if place.customary {
        ("Circumference at breast height, in", "Type it with in: 40 in")
    } else {
        ("Circumference at breast height, cm", "With in behind it, inches: 40 in")
    };
    let fields = [
        field("tree_id", "Tree", "As it is painted or tagged", "text", true),
        field("block", "Block", "", "text", true),
        field("species", "Species", "", "text", false),
        field("circumference_cm", girth.0, girth.1, "text", true),
        field("ports", "Ports", "1 to 40", "numeric", true),
        field("note", "Note", "", "text", false),
    ];
    let body = html! {
        h1 { "Add to the grove" }
        @if let Some(done) = done { p .done role="status" { (done) " " a href=(place.to(Tab::Trees)) { "See the trees" } } }
        (problems(again))
        section aria-labelledby="tree-title" {
            h2 #tree-title { "A tree" }
            form method="post" action={ (place.base) "/add/tree" } {
                (place.csrf_field())
                @for field in &fields { (field.show(again)) }
                p { button { "Add the tree" } }
            }
        }
        section aria-labelledby="files-title" {
            h2 #files-title { "Files" }
            p { "Rows that are there already stay as they are; a row that differs is told and nothing is taken." }
            (upload(place, &format!("{}/add/files", place.base), "trees.csv, or other files of a grove folder"))
        }
        script src="/assets/new_grove.js" defer {}
    };
    whole(place, "Add to the grove", &body)
}
