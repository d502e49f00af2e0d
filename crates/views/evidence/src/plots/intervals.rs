//! Bars of intervals of the detection rate, one in each row of a table, below one common axis.
//!
//! The axis counts nines, so that 99 % and 99.9 % can be told apart; 100 % stands behind a break, since it has no place on it.

use crate::figures::{percent, percent_short};
use crate::model::{Interval, Slot};
use crate::parts::key;
use crate::scale::Nines;
use maud::{Markup, html};

const WIDTH: f64 = 344.0;
const HEIGHT: f64 = 22.0;

/// The axis that all rows have in common.
pub(crate) struct Bars {
    scale: Nines,
    limit: Option<f64>,
}

impl Bars {
    /// An axis that holds all intervals and the limit.
    pub(crate) fn new(slots: &[Slot], limit: Option<f64>) -> Bars {
        let ends = slots.iter().filter_map(|s| s.detection).flat_map(|i| [i.low, i.estimate, i.high, i.at_least]);
        Bars { scale: Nines::holding(ends.chain(limit), (22.0, WIDTH - 20.0)), limit }
    }

    /// The axis, for the head of the table.
    pub(crate) fn axis(&self) -> Markup {
        let ticks = self.scale.ticks();
        html! {
            svg viewBox="0 0 344 36" width="344" height="36" role="img" aria-label="Axis of the detection rate" {
                @if let Some(limit) = self.limit {
                    @let x = self.scale.at(limit);
                    text class=(if x > WIDTH / 2.0 { "e" } else { "" }) x=(x) y="11" { "demanded: " (percent_short(limit)) }
                }
                @for (x, words) in &ticks { text.m.s x=(x) y="27" { (words) } path.x d=(format!("M{x} 31V36")) {} }
            }
        }
    }

    /// The bar of one slot.
    pub(crate) fn row(&self, slot: &str, interval: Option<&Interval>) -> Markup {
        let Some(i) = interval else {
            return html! {
                svg viewBox="0 0 344 22" width="344" height="22" role="img" {
                    title { (slot) ": not estimable" }
                    (self.grid())
                }
            };
        };
        let (low, high, bound, best) =
            (self.scale.at(i.low), self.scale.at(i.high), self.scale.at(i.at_least), self.scale.at(i.estimate));
        let under = self.limit.is_some_and(|limit| i.at_least < limit);
        html! {
            svg viewBox="0 0 344 22" width="344" height="22" role="img" {
                title {
                    (slot) ": detected " (percent(i.estimate)) ", " (percent_short(i.confidence)) " interval "
                    (percent(i.low)) " to " (percent(i.high)) ", at least " (percent(i.at_least)) " with "
                    (percent_short(i.at_least_confidence)) " confidence"
                }
                (self.grid())
                g class=(if under { "under" } else { "" }) {
                    path.span d=(format!("M{low} 11H{}", high.max(low + 1.0))) {}
                    path.bound d=(format!("M{} 4H{bound}V18H{}", bound + 4.0, bound + 4.0)) {}
                    circle.dot cx=(best) cy="11" r="3.2" {}
                }
            }
        }
    }

    fn grid(&self) -> Markup {
        let at = |x: f64| format!("M{x} 0V{HEIGHT}");
        let (fine, ticks) = (self.scale.between(), self.scale.ticks());
        let gap = self.scale.break_at();
        html! {
            path.g d=(fine.into_iter().map(at).collect::<String>()) {}
            path.x d=(ticks.into_iter().map(|(x, _)| at(x)).collect::<String>()) {}
            path.boot d=(format!("M{gap} 0V{HEIGHT}")) {}
            @if let Some(limit) = self.limit { path.limit d=(at(self.scale.at(limit))) {} }
        }
    }
}

/// What the marks mean.
pub(crate) fn keys() -> Markup {
    html! {
        p.small.keys {
            (key(&html! { circle.dot cx="12" cy="6" r="3.2" {} }, "estimate"))
            (key(&html! { path.span d="M1 6H23" {} }, "two-sided interval"))
            (key(&html! { path.bound d="M14 0H10V12H14" {} }, "one-sided lower bound"))
            (key(&html! { path.limit d="M12 0V12" {} }, "demanded"))
            "The lower bound is what a criterion is compared with. From one thick line to the next, the share of misses is ten times less; 100 % stands behind a break of the axis."
        }
    }
}
