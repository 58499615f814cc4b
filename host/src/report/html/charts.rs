//! Charts, drawn by the page itself: no script, and readable without colour.

use maud::{Markup, html};

use super::super::{name, words::Sign};
use crate::{batch::Drift, compare::Judgement, connector::Connector, readings::PinValue, statistics::Ewma};

/// Pins in one part of the chart.
const PINS: usize = 20;

/// Width of a pin, and the room for the scale, in units of the drawing: about pixels.
const PITCH: f64 = 16.0;
const SCALE: f64 = 34.0;
/// Heights: of one limit, and of the whole.
const LIMIT: f64 = 30.0;
const MIDDLE: f64 = 86.0;
const HEIGHT: f64 = 214.0;
/// Differences are drawn up to so many limits.
const MOST: f64 = 2.5;

/// The difference of each pin, in limits.
pub(super) fn differences(connector: &Connector, judgement: &Judgement) -> Markup {
    let pins = judgement.pins.len();
    html! {
        figure.chart {
            div.parts {
                @for first in (0..pins).step_by(PINS) { (part(connector, judgement, first)) }
            }
            figcaption {
                "Difference from what is expected, in limits: the band holds what a good pin may read. Marks at the edge lie farther out; OL has no difference."
            }
        }
    }
}

fn part(connector: &Connector, judgement: &Judgement, first: usize) -> Markup {
    let last = (first + PINS).min(judgement.pins.len());
    let width = SCALE + PITCH * (last - first) as f64 + 4.0;
    let x = |pin: usize| SCALE + PITCH * ((pin - first) as f64 + 0.5);
    let label = format!(
        "Difference in limits, pins {} to {}; the table below has the numbers",
        name(connector, first),
        name(connector, last - 1)
    );
    html! {
        svg role="img" aria-label=(label) viewBox=(format!("0 0 {width} {HEIGHT}"))
            style=(format!("inline-size:{width}px")) {
            rect.band x=(SCALE) y=(MIDDLE - LIMIT) width=(width - SCALE - 4.0) height=(2.0 * LIMIT) {}
            line.zero x1=(SCALE) x2=(width - 4.0) y1=(MIDDLE) y2=(MIDDLE) {}
            text.scale x=(SCALE - 4.0) y=(MIDDLE - LIMIT + 4.0) { "+limit" }
            text.scale x=(SCALE - 4.0) y=(MIDDLE + 4.0) { "0" }
            text.scale x=(SCALE - 4.0) y=(MIDDLE + LIMIT + 4.0) { "−limit" }
            @for pin in first..last {
                @let judged = &judgement.pins[pin];
                @let class = Sign::of(judged).class();
                @match judged.difference.zip(judged.limit) {
                    Some((difference, limit)) => {
                        @let ratio = (difference.get() / limit.get().max(1e-6)).clamp(-MOST, MOST);
                        @let y = MIDDLE - LIMIT * ratio;
                        line class=(format!("stem {class}")) x1=(x(pin)) x2=(x(pin)) y1=(MIDDLE) y2=(y) {}
                        (mark(Sign::of(judged), x(pin), y))
                    }
                    None => {
                        @if judged.reading == PinValue::Overload && judged.expected != PinValue::Overload {
                            (mark(Sign::of(judged), x(pin), MIDDLE - LIMIT * MOST))
                            text class=(format!("over {class}")) x=(x(pin)) y=(MIDDLE - LIMIT * MOST + 16.0) { "OL" }
                        } @else {
                            text.none x=(x(pin)) y=(MIDDLE + 4.0) { "·" }
                        }
                    }
                }
                text class=(format!("below {class}")) transform=(format!("translate({} {}) rotate(-60)", x(pin) + 3.0, MIDDLE + LIMIT * MOST + 18.0)) {
                    (name(connector, pin))
                }
            }
        }
    }
}

fn mark(sign: Sign, x: f64, y: f64) -> Markup {
    html! { g transform=(format!("translate({x} {y}) scale(0.55)")) { (super::drawing::shape(sign, 0.0, 0.0)) } }
}

/// What a drift chart shows.
pub(super) struct DriftChart<'a> {
    pub(super) title: String,
    pub(super) drift: &'a Drift,
    /// What the values are multiplied with, and the unit then.
    pub(super) unit: (f64, &'static str),
    /// Boards after which something was noticed.
    pub(super) noticed: Vec<usize>,
    /// Boards of the batch.
    pub(super) boards: usize,
}

/// Weight of the drawn average: the same as that of the watcher's.
const WEIGHT: f64 = 0.1;

/// A series over the boards of a batch, with its average and what was noticed.
pub(super) fn drift(chart: &DriftChart<'_>) -> Markup {
    let (factor, unit) = chart.unit;
    let values: Vec<(usize, f64)> = chart.drift.points.iter().map(|&(at, v)| (at, v * factor)).collect();
    if values.len() < 2 {
        return html! {};
    }
    let (low, high) = values.iter().fold((f64::MAX, f64::MIN), |(l, h), &(_, v)| (l.min(v), h.max(v)));
    let room = (0.08 * (high - low)).max(0.05);
    let (low, high) = (low - room, high + room);
    let (left, right, top, bottom) = (42.0, 392.0, 10.0, 150.0);
    let x = |at: usize| left + (right - left) * (at as f64 - 1.0) / (chart.boards.max(2) as f64 - 1.0);
    let y = |value: f64| bottom - (bottom - top) * (value - low) / (high - low);
    let mut average = Ewma::new(WEIGHT, values[0].1);
    let mut path = String::new();
    for &(at, value) in &values {
        let sep = if path.is_empty() { 'M' } else { 'L' };
        path.push_str(&format!("{sep}{:.1} {:.1} ", x(at), y(average.take(value))));
    }
    let label = format!(
        "{}: {} boards, from {:.1} to {:.1} {unit}; noticed {}",
        chart.title,
        values.len(),
        low + room,
        high - room,
        if chart.noticed.is_empty() {
            "nothing".to_owned()
        } else {
            let boards: Vec<String> = chart.noticed.iter().map(|at| format!("after board {at}")).collect();
            boards.join(", ")
        }
    );
    html! {
        figure.chart.drift {
            svg role="img" aria-label=(label) viewBox="0 0 400 176" {
                @for tick in ticks(low, high) {
                    line.grid x1=(left) x2=(right) y1=(y(tick)) y2=(y(tick)) {}
                    text.scale x=(left - 5.0) y=(y(tick) + 3.5) { (format!("{tick:.*}", decimals(high - low))) }
                }
                text.unit x="2" y="9" { (unit) }
                @for &(at, value) in &values { circle.point cx=(format!("{:.1}", x(at))) cy=(format!("{:.1}", y(value))) r="1.5" {} }
                path.average d=(path.trim_end()) {}
                @for (index, &at) in chart.noticed.iter().enumerate() {
                    line.noticed x1=(x(at)) x2=(x(at)) y1=(top) y2=(bottom) {}
                    text.noticed x=((x(at) - 4.0).max(left + 30.0)) y=(top + 8.0 + 11.0 * (index % 3) as f64) { "noticed " (at) }
                }
                text.ruler x=(left) y="164" { "1" }
                text.ruler x=(0.5 * (left + right)) y="174" { "board of the batch" }
                text.ruler x=(right - 8.0) y="164" { (chart.boards) }
            }
            figcaption { (chart.title) }
        }
    }
}

/// Three to six round values between two.
fn ticks(low: f64, high: f64) -> Vec<f64> {
    let step = step(high - low);
    let first = (low / step).ceil() as i64;
    let last = (high / step).floor() as i64;
    (first..=last.min(first + 8)).map(|count| count as f64 * step).collect()
}

fn step(span: f64) -> f64 {
    let rough = (span / 4.0).max(1e-6);
    let power = 10f64.powf(rough.log10().floor());
    [1.0, 2.0, 5.0, 10.0].into_iter().map(|m| m * power).find(|&s| s >= rough).unwrap_or(power)
}

fn decimals(span: f64) -> usize {
    if step(span) < 0.095 { 2 } else { usize::from(step(span) < 0.95) }
}

/// Counts as bars with their numbers.
pub(super) fn bars(title: &str, counts: &[(String, usize)]) -> Markup {
    let most = counts.iter().map(|(_, count)| *count).max().unwrap_or(1).max(1);
    html! {
        table.bars {
            caption { (title) }
            thead.unseen { tr { th scope="col" { "What" } th scope="col" { "How often" } } }
            tbody {
                @for (what, count) in counts {
                    tr {
                        th scope="row" { (what) }
                        td { span.bar style=(format!("inline-size:{:.1}%", 78.0 * *count as f64 / most as f64)) {} " " (count) }
                    }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round() {
        assert_eq!(ticks(-1.2, 5.3), [0.0, 2.0, 4.0]);
        assert_eq!(ticks(0.0, 1.0), [0.0, 0.5, 1.0]);
        assert_eq!((decimals(6.5), decimals(1.0), decimals(0.1)), (0, 1, 2));
    }
}
