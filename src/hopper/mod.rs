//! The hopper against the clock: how much it has given when, where it is refilled, and what a weighing says afterwards.
//!
//! Pure and streaming: [`Planner`] takes what the screw feeds, move by move, and the places between at which somebody
//! could refill. Memory grows with the number of refills, not with the file.
//!
//! - `refills` finds the places: as few as can be, at places that do no harm if there are any.
//! - `hours` keeps the grams at full hours.
//! - [`reconcile`] compares a prediction with a weighing.

mod hours;
mod refills;

pub mod reconcile;

use serde::Serialize;

use hours::Hours;
pub use hours::{HourMark, MOST_MARKS};
use refills::{Halt, Places, Refills};

/// Density of poured granules as a share of the solid, where nothing better is known.
///
/// 0.54 to 0.64 was measured on granules poured with care; loose filling gives up to a fifth less. The lower end is
/// taken, so that the vessel beside the printer is large enough. Source: Johann et al., Polymers 14 (2022) 898, table 3;
/// Brüning, Schöppner, Polymers 14 (2022) 256, table A4; shares of typical solid densities, which are from memory.
pub const PACKING: f64 = 0.55;

/// How well a place bears that somebody stands at the hopper.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum PlaceKind {
    /// Between two layers.
    LayerChange,
    /// Before a bead inside the part, or of what is thrown away.
    Hidden,
    /// Before a bead that may be seen, or whose purpose the file does not state.
    Visible,
}

/// A place in a file at which the hopper could be refilled.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spot {
    /// Line in the input, counted from 1: the refill goes before it.
    pub line: u64,
    /// Layer, counted from 1; 0 before the first bead.
    pub layer: u64,
    /// Height, mm.
    pub z_mm: f64,
    /// How well it bears it.
    pub kind: PlaceKind,
    /// Pushed out there behind the refill, g.
    pub purge_g: f64,
}

/// A moment of the print.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Stamp {
    /// Time since the start, s.
    pub time_s: f64,
    /// Fed since the start, g.
    pub used_g: f64,
}

/// What the hopper holds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cup {
    /// Content of the full hopper that can be used, g, above zero.
    pub usable_g: f64,
    /// It is refilled before less than this is left, g; below `usable_g`.
    pub margin_g: f64,
    /// Most that is pushed out behind a refill, g: the stretches between are planned shorter by it.
    pub purge_g: f64,
}

/// The granules themselves.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Granules {
    /// Density as poured, g/cm³, above zero.
    pub bulk_g_cm3: f64,
    /// Whether that was only taken as [`PACKING`] of the solid.
    pub is_bulk_assumed: bool,
    /// Cost of a kilogram.
    pub cost_per_kg: Option<f64>,
}

impl Granules {
    /// Litres of so many grams, as poured.
    pub fn litres(&self, grams: f64) -> f64 {
        grams / self.bulk_g_cm3 * 1e-3
    }
}

/// One refill.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Refill {
    /// Time since the start of the print, s, standing still for earlier refills not counted.
    pub time_s: f64,
    /// Line in the input, counted from 1, before which it falls.
    pub line: u64,
    /// Layer, counted from 1; 0 before the first bead.
    pub layer: u64,
    /// Height, mm.
    pub z_mm: f64,
    /// What kind of place it is.
    pub place: PlaceKind,
    /// Fed since the start of the print, g.
    pub used_g: f64,
    /// Still in the hopper, g; below zero where it would have run empty before.
    pub left_g: f64,
    /// To be filled in, g: the hopper is full then, or holds what the rest of the print takes.
    pub refill_g: f64,
    /// The same in litres as poured.
    pub refill_l: f64,
    /// Of that, pushed out at the park position before the print goes on, g.
    pub purge_g: f64,
}

/// What a print takes from the hopper, and when.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct HopperPlan {
    /// What the print takes, g.
    pub total_g: f64,
    /// The same in litres as poured.
    pub total_l: f64,
    /// Density as poured, g/cm³.
    pub bulk_density_g_cm3: f64,
    /// Whether that was only assumed from the density of the solid.
    pub bulk_density_assumed: bool,
    /// Cost of it in the user's currency, if the cost of a kilogram is known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cost: Option<f64>,
    /// Content of the full hopper that can be used, g; `None`: not known, no refills are planned.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub usable_g: Option<f64>,
    /// Content at which it is refilled at the latest, g.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub margin_g: Option<f64>,
    /// The refills, in order. The hopper is full at the start.
    pub refills: Vec<Refill>,
    /// What is left at the end, g; below zero where it runs empty before.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub left_at_end_g: Option<f64>,
    /// Pauses that were written into the output, one at a refill.
    pub pauses_written: u64,
    /// Those of them for which the head goes to the park position.
    pub pauses_parked: u64,
    /// Pushed out there, mm³; part of `total_g`.
    pub purged_mm3: f64,
    /// Grams fed at full hours; in long prints at every second, fourth ... hour.
    pub hourly: Vec<HourMark>,
}

/// Follows what the screw feeds and plans refills.
///
/// ```
/// use meltwright::hopper::{Cup, Granules, PlaceKind, Planner, Spot};
///
/// // 100 g a layer and 10 minutes each from a cup of 250 g, of which 20 g are to be left: after every second layer.
/// let mut planner = Planner::new(Some(Cup { usable_g: 250.0, margin_g: 20.0, purge_g: 0.0 }));
/// for layer in 1..=5 {
///     let (z_mm, kind) = (0.6 * layer as f64, PlaceKind::LayerChange);
///     let spot = Spot { line: layer * 1000, layer, z_mm, kind, purge_g: 0.0 };
///     planner.place(planner.now(), spot);
///     planner.feed(100.0, 600.0);
/// }
/// let granules = Granules { bulk_g_cm3: 0.5, is_bulk_assumed: false, cost_per_kg: Some(12.0) };
/// let plan = planner.finish(&granules);
/// let refills: Vec<_> = plan.refills.iter().map(|refill| (refill.layer, refill.left_g, refill.refill_g)).collect();
/// assert_eq!(refills, [(3, 50.0, 200.0), (5, 50.0, 100.0)]);
/// assert_eq!((plan.total_g, plan.total_l, plan.cost), (500.0, 1.0, Some(6.0)));
/// ```
#[derive(Clone, Debug)]
pub struct Planner {
    now: Stamp,
    hours: Hours,
    cup: Option<(Cup, Places)>,
}

/// A value without what is below zero or no number.
#[inline]
fn positive(value: f64) -> f64 {
    if value > 0.0 { value } else { 0.0 }
}

impl Planner {
    /// A planner at the start of a print with a full hopper; without a cup it only adds up.
    pub fn new(cup: Option<Cup>) -> Self {
        let sought = |cup: Cup| {
            let refills = Refills::new((cup.usable_g - cup.margin_g).max(0.0), cup.purge_g);
            (cup, Places::Sought(refills))
        };
        Self { now: Stamp::default(), hours: Hours::default(), cup: cup.map(sought) }
    }

    /// The same where it is settled before which lines the hopper is refilled, in rising order.
    #[must_use]
    pub fn refilled_at(self, lines: impl IntoIterator<Item = u64>) -> Self {
        let given = |(cup, _)| (cup, Places::Given { lines: lines.into_iter().collect(), halts: Vec::new() });
        Self { cup: self.cup.map(given), ..self }
    }

    /// Where the print stands.
    pub const fn now(&self) -> Stamp {
        self.now
    }

    /// Whether places are of use: they are not without a cup.
    pub const fn wants_places(&self) -> bool {
        self.cup.is_some()
    }

    /// A place at which the hopper could be refilled, at `at`, which must not lie before the place given last.
    pub fn place(&mut self, at: Stamp, spot: Spot) {
        if let Some((_, places)) = &mut self.cup {
            places.place(at, spot);
        }
    }

    /// The screw feeds `grams` evenly over `seconds`. What is below zero or no number counts as nothing.
    #[inline]
    pub fn feed(&mut self, grams: f64, seconds: f64) {
        let Stamp { time_s, used_g } = self.now;
        let next = Stamp { time_s: time_s + positive(seconds), used_g: used_g + positive(grams) };
        if next.time_s + next.used_g < f64::INFINITY {
            self.hours.advance(self.now, next);
            self.now = next;
        }
    }

    /// The same of feeds in a row, each given by grams and seconds.
    #[inline]
    pub fn feed_all(&mut self, feeds: impl Iterator<Item = (f64, f64)> + Clone) {
        let mut next = self.now;
        for (grams, seconds) in feeds.clone() {
            next.time_s += positive(seconds);
            next.used_g += positive(grams);
        }
        if next.time_s + next.used_g < f64::INFINITY && !self.hours.is_due(next) {
            self.now = next;
        } else {
            feeds.for_each(|(grams, seconds)| self.feed(grams, seconds));
        }
    }

    /// The plan, once the print is over.
    pub fn finish(self, granules: &Granules) -> HopperPlan {
        let Self { now, hours, cup } = self;
        let (cup, halts) = cup.map_or((None, Vec::new()), |(cup, places)| (Some(cup), places.finish(now.used_g)));
        let purges_g: f64 = halts.iter().map(|halt| halt.spot.purge_g).sum();
        let total_g = now.used_g + purges_g;
        let mut plan = HopperPlan {
            total_g,
            total_l: granules.litres(total_g),
            bulk_density_g_cm3: granules.bulk_g_cm3,
            bulk_density_assumed: granules.is_bulk_assumed,
            cost: granules.cost_per_kg.map(|cost| cost * total_g * 1e-3),
            hourly: hours.finish(),
            ..HopperPlan::default()
        };
        let Some(cup) = cup else { return plan };
        for mark in &mut plan.hourly {
            let before = halts.iter().take_while(|halt| halt.at.time_s <= mark.hour as f64 * hours::HOUR_S);
            mark.used_g += before.map(|halt| halt.spot.purge_g).sum::<f64>();
        }
        let (mut content, mut since, mut purged_g) = (cup.usable_g, 0.0, 0.0);
        for Halt { at, spot } in halts {
            let used_g = at.used_g + purged_g;
            let left_g = content - (used_g - since);
            // What ran out before was not fed; the granules themselves never fall below nothing.
            let inside = left_g.max(0.0);
            let needed = total_g - used_g + (cup.margin_g - inside).max(0.0);
            let refill_g = (cup.usable_g - inside).min(needed);
            plan.refills.push(Refill {
                time_s: at.time_s,
                line: spot.line,
                layer: spot.layer,
                z_mm: spot.z_mm,
                place: spot.kind,
                used_g,
                left_g,
                refill_g,
                refill_l: granules.litres(refill_g),
                purge_g: spot.purge_g,
            });
            (content, since) = (inside + refill_g, used_g);
            purged_g += spot.purge_g;
        }
        (plan.usable_g, plan.margin_g) = (Some(cup.usable_g), Some(cup.margin_g));
        plan.left_at_end_g = Some(content - (total_g - since));
        plan
    }
}

impl HopperPlan {
    /// The stretches over which the hopper falls under its margin because there was no place to refill: for each of
    /// them the refill that ends it, or `None` for the end of the print.
    pub fn shortages(&self) -> Vec<Option<Refill>> {
        let Some(margin) = self.margin_g else { return Vec::new() };
        let is_short = |left: f64| left < margin - 1e-9 * self.total_g.max(1.0);
        let mut found: Vec<_> =
            self.refills.iter().filter(|refill| is_short(refill.left_g)).map(|refill| Some(*refill)).collect();
        if self.left_at_end_g.is_some_and(is_short) {
            found.push(None);
        }
        found
    }
}

#[cfg(test)]
mod tests;
