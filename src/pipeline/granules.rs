//! What the print takes from the hopper: moves become grams and places, the plan becomes findings.

use super::edits::Decided;
use super::scribe::short;
use crate::findings::{Code, Findings, Place};
use crate::hopper::{Cup, HopperPlan, PACKING, PlaceKind, Planner, Refill, Spot, Stamp};
use crate::moves::{Move, Role};
use crate::profile::Profile;
use crate::units::{Density, Volume};

/// Follows the moves of the screw and the places between them.
#[derive(Debug)]
pub struct Granules {
    planner: Planner,
    density: Density,
    /// Layer of the last bead.
    layer: u32,
    /// Where the head stopped laying after the last bead.
    gap: Option<(Stamp, Spot)>,
}

impl Granules {
    /// A full hopper at the start of a print. `purge_mm3`: what is pushed out behind a refill; `written`: where refills are,
    /// if that is settled.
    pub fn new(profile: &Profile, purge_mm3: f64, written: Option<&HopperPlan>) -> Self {
        let margin_g = profile.hopper.margin_g.value;
        let density = Density::from_g_cm3(profile.feedstock.density_g_cm3.value);
        let purge_g = (Volume::from_mm3(purge_mm3) * density).as_g();
        let cup = profile.hopper.usable_g.value.map(|usable_g| Cup { usable_g, margin_g, purge_g });
        let planner = match written {
            Some(plan) => Planner::new(cup).refilled_at(plan.refills.iter().map(|refill| refill.line)),
            None => Planner::new(cup),
        };
        Self { planner, density, layer: 0, gap: None }
    }

    /// Takes the next moves with what was decided on each. `first_line`: of their block.
    pub fn add(&mut self, steps: &[Move], decided: &[Decided], first_line: u64) {
        let density = self.density;
        let feed = |decided: &Decided| ((Volume::from_mm3(decided.fed_mm3) * density).as_g(), decided.seconds);
        if !self.planner.wants_places() {
            return self.planner.feed_all(decided.iter().map(feed));
        }
        for (step, decided) in steps.iter().zip(decided) {
            let line = first_line + u64::from(step.line);
            self.place(step, line, step.is_screw_bead(), decided.purge_mm3);
            let (grams, seconds) = feed(decided);
            self.planner.feed(grams, seconds);
        }
    }

    /// Offers the place before a move. Between layers that is where the last bead ended, not where the next one begins:
    /// a seam may be there.
    fn place(&mut self, step: &Move, line: u64, is_bead: bool, purge_mm3: f64) {
        let now = self.planner.now();
        let purge_g = (Volume::from_mm3(purge_mm3) * self.density).as_g();
        let spot = |kind| Spot { line, layer: u64::from(step.layer), z_mm: step.z, kind, purge_g };
        if !is_bead {
            self.gap.get_or_insert((now, spot(PlaceKind::LayerChange)));
            return;
        }
        let gap = self.gap.take();
        if let Some((at, before)) = gap.filter(|_| step.layer != self.layer) {
            // It is told by the layer that comes.
            self.planner.place(at, Spot { layer: u64::from(step.layer), z_mm: step.z, ..before });
        }
        self.layer = step.layer;
        self.planner.place(now, spot(if is_hidden(step.role) { PlaceKind::Hidden } else { PlaceKind::Visible }));
    }

    /// The plan, with what there is to know about it; `None` for a print that takes nothing.
    pub fn finish(self, profile: &Profile, findings: &mut Findings) -> Option<HopperPlan> {
        let poured = profile.hopper.bulk_density_g_cm3.value;
        let granules = crate::hopper::Granules {
            bulk_g_cm3: poured.unwrap_or(PACKING * profile.feedstock.density_g_cm3.value),
            is_bulk_assumed: poured.is_none(),
            cost_per_kg: profile.hopper.cost_per_kg.value,
        };
        let end_s = self.planner.now().time_s;
        let plan = self.planner.finish(&granules);
        if plan.total_g <= 0.0 {
            return None;
        }
        report(&plan, findings);
        report_open_time(&plan, end_s, profile, findings);
        Some(plan)
    }
}

/// Whether a stop before a bead of this role does no harm to what is seen of the part.
const fn is_hidden(role: Role) -> bool {
    matches!(role, Role::Infill | Role::SolidLayer | Role::Support | Role::SupportInterface | Role::Skirt | Role::Tower)
}

/// Adds the findings of a plan.
fn report(plan: &HopperPlan, findings: &mut Findings) {
    let place = |refill: &Refill, detail: String| {
        let time_s = Some(refill.time_s);
        Place { line: refill.line, layer: refill.layer, z_mm: refill.z_mm, time_s, detail }
    };
    for refill in plan.refills.iter().filter(|refill| refill.place == PlaceKind::Visible) {
        findings.add(Code::HopperVisible, || place(refill, format!("{:.1} g left", refill.left_g)));
    }
    for shortage in plan.shortages() {
        findings.add(Code::HopperShort, || match shortage {
            Some(refill) if refill.left_g < 0.0 => place(&refill, format!("{:.1} g missing before it", -refill.left_g)),
            Some(refill) => place(&refill, format!("{:.1} g left before it", refill.left_g)),
            None => {
                let left = plan.left_at_end_g.unwrap_or_default();
                Place::of_file(format!("{left:.1} g left at the end of the print"))
            }
        });
    }
}

/// Adds that granules lie open for too long.
fn report_open_time(plan: &HopperPlan, end_s: f64, profile: &Profile, findings: &mut Findings) {
    let Some(most_h) = profile.feedstock.open_time_h.value else { return };
    let longest_h = longest_open_s(plan, end_s) / 3600.0;
    if longest_h > most_h {
        findings.add(Code::OpenTime, || {
            let known = if plan.usable_g.is_some() { "" } else { ", if all is filled in at the start" };
            Place::of_file(format!("up to {} h{known}; {most_h} h allowed", short(longest_h)))
        });
    }
}

/// How long the last granules of a filling lie in the hopper, s, if what was filled in first goes first: until all that was
/// in the hopper when they came has gone, or the print is over.
fn longest_open_s(plan: &HopperPlan, end_s: f64) -> f64 {
    let hours = plan.hourly.iter().map(|mark| (mark.hour as f64 * 3600.0, mark.used_g));
    let refills = plan.refills.iter().map(|refill| (refill.time_s, refill.used_g));
    let mut known: Vec<(f64, f64)> = hours.chain(refills).chain([(0.0, 0.0), (end_s, plan.total_g)]).collect();
    known.sort_by(|a, b| a.0.total_cmp(&b.0));
    let gone_at = |grams: f64| {
        let pairs = known.iter().zip(known.iter().skip(1));
        let within = pairs.map(|(from, to)| (*from, *to)).find(|(_, to)| to.1 >= grams);
        within.map_or(end_s, |((from_s, from_g), (to_s, to_g))| {
            let share = if to_g > from_g { (grams - from_g) / (to_g - from_g) } else { 1.0 };
            from_s + share.clamp(0.0, 1.0) * (to_s - from_s)
        })
    };
    let first = (0.0, plan.usable_g.unwrap_or(f64::INFINITY));
    let later =
        plan.refills.iter().map(|refill| (refill.time_s, refill.used_g + refill.left_g.max(0.0) + refill.refill_g));
    std::iter::once(first).chain(later).map(|(filled_s, until_g)| gone_at(until_g) - filled_s).fold(0.0, f64::max)
}

#[cfg(test)]
mod tests {
    use crate::findings::Level;
    use crate::hopper::PlaceKind;
    use crate::pipeline::{Options, audit, rewrite};
    use crate::profile::Profile;
    use std::io::Cursor;

    /// Density 1 g/cm³ and E in mm³: E1000 is a gram.
    fn profile(more: &[&str]) -> Profile {
        let set = ["screw.e_unit=mm3", "feedstock.density_g_cm3=1", "controller.max_e_only_mm=none"];
        let set: Vec<_> = set.iter().chain(more).map(|text| text.parse().unwrap()).collect();
        Profile::embedded_with(&set).unwrap()
    }

    const PRINT: &str = "M83\n\
        ;LAYER_CHANGE\n;TYPE:outer bead\nG1 X500 E9000 F600\nG1 E-10 F600\nG1 Z2 F600\nG1 E10\n\
        ;LAYER_CHANGE\n;TYPE:outer bead\nG1 X0 E9000\n;TYPE:infill\nG1 X500 E9000\n";

    #[test]
    fn places_of_a_print_by_hand() {
        // 9 g a line; 18 g may go. The layer that begins with the reversal on line 5 bears it.
        let profile = profile(&["hopper.usable_g=20", "hopper.margin_g=2", "hopper.bulk_density_g_cm3=0.5"]);
        let plan = |summary: crate::summary::Summary| summary.hopper.unwrap();
        let options = Options::default();
        let found = plan(audit(&mut Cursor::new(PRINT), &profile, &options, &mut |_| {}).unwrap());
        assert!((found.total_g - 27.0).abs() < 1e-9 && (found.total_l - 0.054).abs() < 1e-9);
        let refills: Vec<_> = found.refills.iter().map(|r| (r.line, r.layer, r.place)).collect();
        assert_eq!(refills, [(5, 2, PlaceKind::LayerChange)]);
        assert!((found.refills[0].left_g - 11.0).abs() < 1e-9 && (found.refills[0].refill_g - 9.0).abs() < 1e-9);
        // With 10 g at a time infill and layer are both needed.
        let tighter = super::tests::profile(&["hopper.usable_g=12", "hopper.margin_g=2"]);
        let summary = audit(&mut Cursor::new(PRINT), &tighter, &options, &mut |_| {}).unwrap();
        assert!(summary.findings.iter().all(|finding| finding.code != "hopper-short"));
        let refills: Vec<_> = plan(summary).refills.iter().map(|r| (r.line, r.place)).collect();
        assert_eq!(refills, [(5, PlaceKind::LayerChange), (12, PlaceKind::Hidden)]);
        // A rewrite is slower, so that each comes later. The nozzle has to be wide for such beads.
        let wide = ["hopper.usable_g=20", "hopper.margin_g=2", "nozzle.diameter_mm=6"];
        let profile = super::tests::profile(&wide);
        let mut output = Vec::new();
        let summary = rewrite(&mut Cursor::new(PRINT), &mut output, &profile, &options, &mut |_| {}).unwrap();
        let time = summary.after.time_s;
        let later = plan(summary);
        assert!(later.refills[0].time_s > found.refills[0].time_s && later.refills[0].time_s < time);
        assert_eq!(later.refills[0].line, 5);
    }

    #[test]
    fn what_the_hopper_cannot_do_is_found() {
        let profile = profile(&["hopper.usable_g=8", "hopper.margin_g=2"]);
        let summary = audit(&mut Cursor::new(PRINT), &profile, &Options::default(), &mut |_| {}).unwrap();
        let found = |code| summary.findings.iter().find(|finding| finding.code == code);
        let short = found("hopper-short").unwrap();
        assert_eq!((short.level, short.count), (Level::Warning, 3));
        assert_eq!(short.places[0].detail, "1.0 g missing before it");
        // Without roles every bead may be seen.
        let plain = "M83\nG1 X500 E9000 F600\nG1 X0 E9000\n";
        let profile = super::tests::profile(&["hopper.usable_g=15", "hopper.margin_g=2"]);
        let summary = audit(&mut Cursor::new(plain), &profile, &Options::default(), &mut |_| {}).unwrap();
        let seen = summary.findings.iter().find(|finding| finding.code == "hopper-visible").unwrap();
        assert_eq!((seen.places[0].line, seen.places[0].detail.as_str()), (3, "6.0 g left"));
    }

    #[test]
    fn without_a_cup_there_are_only_totals() {
        let summary = audit(&mut Cursor::new(PRINT), &profile(&[]), &Options::default(), &mut |_| {}).unwrap();
        let plan = summary.hopper.unwrap();
        assert!((plan.total_g - summary.before.mass_g).abs() < 1e-9);
        // 27 g at 0.55 g/cm³.
        assert!((plan.total_l - 0.027 / 0.55).abs() < 1e-9 && plan.bulk_density_assumed);
        assert!(plan.refills.is_empty() && plan.usable_g.is_none());
        let empty = audit(&mut Cursor::new("G28\n"), &profile(&[]), &Options::default(), &mut |_| {}).unwrap();
        assert_eq!(empty.hopper, None);
    }

    /// 27 g in 140 s without inertia, 10 mm/s for beads of 500 mm.
    #[test]
    fn granules_that_lie_open_for_long() {
        let found = |more: &[&str]| {
            let summary = audit(&mut Cursor::new(PRINT), &profile(more), &Options::default(), &mut |_| {}).unwrap();
            let found = summary.findings.into_iter().find(|finding| finding.code == "open-time");
            found.map(|finding| finding.places[0].detail.clone())
        };
        assert_eq!(found(&[]), None);
        assert_eq!(found(&["feedstock.open_time_h=1"]), None);
        // Three beads of 50 s are 0.04 h. Of a cup of 20 g the last is gone when 20 of 27 g are, in 0.031 h, however early it is
        // refilled; what is filled in behind the first bead stays to the end, for two of them.
        let whole = found(&["feedstock.open_time_h=0.03"]).unwrap();
        assert_eq!(whole, "up to 0.0 h, if all is filled in at the start; 0.03 h allowed");
        let cup = ["hopper.usable_g=20", "hopper.margin_g=2"];
        assert_eq!(found(&[&cup[..], &["feedstock.open_time_h=0.032"]].concat()), None);
        assert!(found(&[&cup[..], &["feedstock.open_time_h=0.030"]].concat()).is_some());
    }
}
