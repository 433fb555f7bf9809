//! The drawdown of a hanging bag: its readings against its band.

use super::{
    Frame, LEFT, RIGHT, Scale, band, figure, legend, legend_high, path, px, stroke, swatch,
};
use crate::app::drawdown::{Drawdown, Left, Step};
use crate::app::words::time_of_day;
use crate::pages::figures::Figures;
use crate::pages::parts::{cell, in_address, number, table, words};
use maud::{Markup, html};

const TOP: f64 = 24.0;
const BOTTOM: f64 = 140.0;
/// Every so many steps make a row of the table.
const ROW_EVERY: usize = 4;

/// The chart.
pub fn chart(drawdown: &Drawdown, figures: Figures) -> Markup {
    let last = drawdown.steps.last().map_or(60.0, |step| step.minutes);
    let wide = Scale { from: 0.0, to: last, at: (LEFT, RIGHT - 4.0) };
    let high = Scale { from: 0.0, to: drawdown.charge_ml, at: (BOTTOM, TOP) };
    let line = |of: &dyn Fn(&Step) -> Option<f64>| -> Vec<(f64, f64)> {
        let point = |step: &Step| Some((wide.of(step.minutes), high.of(of(step)?)));
        drawdown.steps.iter().filter_map(point).collect()
    };
    let at_start = |pick: fn(&Left) -> f64| line(&move |step| step.at_start.as_ref().map(pick));
    let now = |pick: fn(&Left) -> f64| line(&move |step| step.now.as_ref().map(pick));
    let now_x = wide.of(drawdown.now_min);
    let entries = [
        (swatch("band"), "80 % band, at start"),
        (swatch("band-now"), "80 % band now"),
        (stroke("median"), "even chance now"),
        (html! { circle.look cx="8" cy="5" r="4" {} }, "reading"),
        (html! { path.wet d="M8 0l5 9h-10z" {} }, "seen wet"),
    ];
    let every = if last > 720.0 {
        4
    } else if last > 240.0 {
        2
    } else {
        1
    };
    let hours = (0..=(last / 60.0) as usize).step_by(every);
    let body = html! {
        path.band d=(band(&at_start(|left| left.p90_ml), &at_start(|left| left.p10_ml))) {}
        path.band-now d=(band(&now(|left| left.p90_ml), &now(|left| left.p10_ml))) {}
        path.median d=(path(&now(|left| left.p50_ml), false)) {}
        line.limit x1=(px(now_x)) x2=(px(now_x)) y1=(px(TOP)) y2=(px(BOTTOM)) {}
        text.mid.strong x=(px(now_x.clamp(LEFT + 10.0, RIGHT - 14.0))) y="10" { "now" }
        @for look in &drawdown.looks {
            @let x = wide.of(look.minutes);
            @match look.left_ml {
                Some(ml) => circle.look cx=(px(x)) cy=(px(high.of(ml))) r="4" {},
                None => path.wet d=(format!("M{} {}l5 9h-10z", px(x), px(BOTTOM - 9.0))) {},
            }
        }
        line.axis x1=(px(LEFT)) x2=(px(RIGHT)) y1=(px(BOTTOM)) y2=(px(BOTTOM)) {}
        line.axis x1=(px(LEFT)) x2=(px(LEFT)) y1=(px(TOP)) y2=(px(BOTTOM)) {}
        @for part in [0.0, 0.5, 1.0] {
            text.end x=(px(LEFT - 4.0)) y=(px(high.of(part * drawdown.charge_ml) + 4.0)) {
                (figures.volume_value(part * drawdown.charge_ml))
            }
        }
        text x="1" y="10" { (figures.volume_unit()) }
        @for hour in hours {
            @let x = wide.of(60.0 * hour as f64);
            line.axis x1=(px(x)) x2=(px(x)) y1=(px(BOTTOM)) y2=(px(BOTTOM + 4.0)) {}
            text.mid x=(px(x)) y=(px(BOTTOM + 15.0)) { (hour) }
        }
        text.end x=(px(RIGHT)) y=(px(BOTTOM + 28.0)) { "hours since the start" }
        (legend(BOTTOM + 36.0, &entries))
    };
    let title = format!("Drawdown of tree {}", drawdown.tree_id);
    let id = format!("drawdown-{}", in_address(&drawdown.draw_id).replace('%', "_"));
    let frame = Frame {
        id: &id,
        title: &title,
        desc: &desc(drawdown, figures),
        high: BOTTOM + 36.0 + legend_high(entries.len()),
    };
    figure(&frame, &body, &rows(drawdown, figures, &title))
}

fn desc(drawdown: &Drawdown, figures: Figures) -> String {
    let looks = match drawdown.looks.last() {
        None => "nobody has looked yet".to_owned(),
        Some(look) => format!(
            "{} looks, the last at {}: {}",
            drawdown.looks.len(),
            time_of_day(&look.at),
            look.left_ml.map_or("wet".into(), |ml| format!("{} left", figures.volume(ml)))
        ),
    };
    let start = time_of_day(&drawdown.start);
    format!("{} from {start} on; {looks}.", figures.volume(drawdown.charge_ml))
}

fn rows(drawdown: &Drawdown, figures: Figures, title: &str) -> Markup {
    let band = |left: &Option<Left>| {
        left.map_or("-".to_owned(), |left| {
            format!("{}-{}", figures.volume_value(left.p10_ml), figures.volume_value(left.p90_ml))
        })
    };
    let middle =
        |left: &Option<Left>| left.map_or("-".to_owned(), |left| figures.volume_value(left.p50_ml));
    let mut rows: Vec<(f64, Vec<Markup>)> = drawdown
        .steps
        .iter()
        .step_by(ROW_EVERY)
        .map(|step| {
            let row = vec![
                cell(time_of_day(&step.at)),
                cell("-"),
                cell(middle(&step.now)),
                cell(band(&step.now)),
                cell(band(&step.at_start)),
            ];
            (step.minutes, row)
        })
        .collect();
    rows.extend(drawdown.looks.iter().map(|look| {
        let seen = look.left_ml.map_or("wet".to_owned(), |ml| figures.volume_value(ml));
        let blank = || cell("-");
        (look.minutes, vec![cell(time_of_day(&look.at)), cell(seen), blank(), blank(), blank()])
    }));
    rows.sort_by(|a, b| a.0.total_cmp(&b.0));
    let rows: Vec<Vec<Markup>> = rows.into_iter().map(|(_, row)| row).collect();
    let read = format!("read {}", figures.volume_unit());
    let columns = [
        words("at"),
        number(&read),
        number("even chance now"),
        number("80 % now"),
        number("80 % at the start"),
    ];
    table(title, &columns, &rows)
}
