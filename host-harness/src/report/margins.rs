//! Sign margins: how wrong the told centre of mass may be, in every lane.

use maud::{Markup, html};

use super::lane::Lane;
use super::words::{self, number, vector};
use crate::sign_margin::{SignMargins, Style};

const STYLE: Style = Style { number, vector, name: words::plain, axis: axis_name };

/// The sign margins of every lane.
pub fn section(lanes: &[Lane<'_>]) -> Markup {
    html! {
        p {
            "What the kernel selects for a demanded axis, by the table it was told, turns that axis the wrong way once the "
            "centre of mass lies further off than the margin, in the direction given (true less told, body axes). "
            "A shorter error turns it the right way, whatever its direction."
        }
        div class=(super::flown::columns(lanes)) { @for lane in lanes {
            div { @if let Some(margins) = &lane.flight.stack.sign_margins { (one(lane, margins)) } }
        } }
    }
}

fn one(lane: &Lane<'_>, margins: &SignMargins) -> Markup {
    html! {
        h3 { (lane.title) }
        @for sentence in margins.sentences(STYLE) { p { (sentence) } }
        div.scroll tabindex="0" { table.margins {
            caption { (lane.title) ": sign margin of each demanded axis, all usable jets healthy, and what is left of it on the true stack." }
            thead { tr {
                th scope="col" { "Axis" } th.n scope="col" { "Margin, m" } th.n scope="col" { "Direction" }
                th.n scope="col" { "Left, m" }
            } }
            tbody { @for axis in &margins.healthy { tr.differs[axis.wrong_way] {
                th scope="row" { (axis_name(&axis.axis)) }
                td.n { (axis.margin_words(STYLE)) }
                td.n { (axis.direction.map_or_else(|| "–".to_owned(), |unit| STYLE.direction(unit))) }
                td.n { (axis.left_words(STYLE)) }
            } } }
        } }
        details {
            summary { "With one jet failed" }
            div.scroll tabindex="0" { table.margins {
                caption { (lane.title) ": sign margin of each axis, m, with one jet failed and known to have failed." }
                thead { tr {
                    th scope="col" { "Jet" }
                    @for axis in &margins.healthy { th.n scope="col" { (axis_name(&axis.axis)) } }
                } }
                tbody { @for failure in &margins.failures { tr {
                    th scope="row" { (words::plain(&failure.jet)) }
                    @for axis in &failure.axes { td.n { (axis.margin_words(STYLE)) } }
                } } }
            } }
        }
    }
}

/// `-x` with a true minus sign.
fn axis_name(axis: &str) -> String {
    axis.replace('-', "−")
}
