//! Calibration: of the draws given a time with one chance, how many were empty by then.

use super::{Frame, LEFT, RIGHT, Scale, band, figure, legend, legend_high, px, stroke, swatch};
use crate::app::compare::Calibration;
use crate::pages::parts::{cell, number, table, words};
use maud::{Markup, html};

const TOP: f64 = 24.0;
const BOTTOM: f64 = 236.0;

/// The chart.
pub fn chart(points: &[Calibration]) -> Markup {
    let wide = Scale { from: 0.0, to: 100.0, at: (LEFT, RIGHT) };
    let high = Scale { from: 0.0, to: 100.0, at: (BOTTOM, TOP) };
    let line = |of: fn(&Calibration) -> f64| -> Vec<(f64, f64)> {
        points.iter().map(|point| (wide.of(point.given_pct), high.of(of(point)))).collect()
    };
    let entries = [(swatch("band"), "surely to possibly"), (stroke("limit"), "as it should be")];
    let body = html! {
        @for pct in [0.0, 20.0, 40.0, 60.0, 80.0, 100.0] {
            line.rule x1=(px(LEFT)) x2=(px(RIGHT)) y1=(px(high.of(pct))) y2=(px(high.of(pct))) {}
            text.end x=(px(LEFT - 4.0)) y=(px(high.of(pct) + 4.0)) { (pct) }
            text.mid x=(px(wide.of(pct).min(RIGHT - 8.0))) y=(px(BOTTOM + 14.0)) { (pct) }
        }
        path.band d=(band(&line(|p| p.possibly_pct), &line(|p| p.surely_pct))) {}
        @for point in points {
            line.updown x1=(px(wide.of(point.given_pct))) x2=(px(wide.of(point.given_pct)))
                y1=(px(high.of(point.surely_pct))) y2=(px(high.of(point.possibly_pct))) {}
        }
        line.limit x1=(px(LEFT)) y1=(px(BOTTOM)) x2=(px(RIGHT)) y2=(px(TOP)) {}
        text x="2" y="10" { "% empty by then" }
        text.end x=(px(RIGHT)) y=(px(BOTTOM + 27.0)) { "chance given, %" }
        (legend(BOTTOM + 36.0, &entries))
    };
    let inside =
        points.iter().filter(|p| p.surely_pct <= p.given_pct && p.given_pct <= p.possibly_pct);
    let desc = format!(
        "At {} of {} chances the share that was empty may be the chance that was given. The band is wide \
         where bags were looked at seldom.",
        inside.count(),
        points.len()
    );
    let frame = Frame {
        id: "calibration",
        title: "Calibration: chance given and what came",
        desc: &desc,
        high: BOTTOM + 36.0 + legend_high(entries.len()),
    };
    let rows: Vec<Vec<Markup>> = points
        .iter()
        .map(|point| {
            vec![
                cell(format!("{:.0} %", point.given_pct)),
                cell(format!("{:.0} %", point.surely_pct)),
                cell(format!("{:.0} %", point.possibly_pct)),
            ]
        })
        .collect();
    let columns = [words("chance given"), number("surely empty by then"), number("possibly")];
    figure(&frame, &body, &table("Calibration", &columns, &rows))
}
