//! From a sheet to everything it tells.

use super::CONFIDENCE;
use super::curve::Curve;
use super::evidence::Point;
use super::fit::{Fit, MeltLag, SpecificOutput, SpeedRow, WeighedRow};
use super::judge::{deviations, drift, repeatability};
use super::sheet::{Drool, Sheet};
use super::{caution, section};
use crate::error::{Error, ErrorKind, Result};
use crate::physics::student::t_factor;
use crate::profile::{Profile, Provenance};

/// Two-sided 95 % factor of a normal distribution, where only the scale's steps are known.
const NORMAL: f64 = 1.96;

impl Fit {
    /// Fits the weighings of a sheet. `profile` gives what the sheet leaves out (the density), and what it is held
    /// against (nozzle, lot, highest speed).
    ///
    /// # Errors
    /// [`ErrorKind::Sheet`] if fewer than two runs have a mass, or the result is nothing a profile can hold.
    pub fn new(sheet: &Sheet, profile: &Profile) -> Result<Self> {
        let stated = &profile.feedstock.density_g_cm3;
        let (density, density_provenance) = match sheet.density_g_cm3 {
            Some(density) if (density - stated.value).abs() < 1e-9 => (density, stated.provenance),
            Some(density) => (density, Provenance::Assumed),
            None => (stated.value, stated.provenance),
        };
        let points: Vec<Point> = sheet
            .runs
            .iter()
            .map(|run| Point { rpm: run.rpm, flow_mm3_s: run.mass_g / density * 1000.0 / run.seconds })
            .collect();
        let noise = noise(sheet);
        let curve = match points.len() {
            0 => None,
            1 => {
                return Err(refusal(
                    "the sheet has only one weighing, which tells nothing of its own error",
                    "weigh at least two, better three at each of five speeds (`meltwright weigh plan`)",
                ));
            }
            _ => Curve::choose(&points, noise),
        };
        let curve = curve.ok_or_else(|| refusal("no run of the sheet has a mass", "fill in the column mass_g"))?;
        let found = deviations(&curve, &points, noise);
        let runs = sheet.runs.iter().zip(&points).zip(&found).map(|((run, point), deviation)| WeighedRow {
            line: run.line,
            rpm: run.rpm,
            seconds: run.seconds,
            mass_g: run.mass_g,
            flow_mm3_s: point.flow_mm3_s,
            per_turn_mm3_rev: point.per_turn(),
            fitted_mm3_s: curve.flow_mm3_s(run.rpm),
            deviation_share: deviation.share,
            studentised: deviation.studentised,
            stray: deviation.stray,
        });
        let speeds: Vec<SpeedRow> = curve
            .groups
            .iter()
            .map(|group| {
                let estimate = curve.at(group.rpm);
                SpeedRow {
                    weighings: group.members.len(),
                    measured_mm3_s: group.flow(),
                    curve: estimate,
                    per_turn_mm3_rev: estimate.flow_mm3_s * 60.0 / group.rpm,
                }
            })
            .collect();
        let middle = curve.at(middle(&curve));
        let per_turn = |flow: f64| flow * 60.0 / middle.rpm;
        let melt_lag = melt_lag(&sheet.drools, &curve, density, sheet.step_g());
        let mut fit = Self {
            conditions: sheet.conditions.clone(),
            density_g_cm3: density,
            density_provenance,
            scale_resolution_g: sheet.scale_resolution_g,
            runs: runs.collect(),
            unfilled: sheet.unfilled,
            model: curve.model,
            reasons: curve.reasons.clone(),
            confidence: CONFIDENCE,
            specific_output: SpecificOutput {
                rpm: middle.rpm,
                mm3_rev: per_turn(middle.flow_mm3_s),
                confidence_mm3_rev: per_turn(middle.confidence_mm3_s),
            },
            speeds,
            residual_share: curve.residual_share,
            repeatability_share: repeatability(&curve, &points),
            drift: drift(&curve, &points, noise),
            melt_lag,
            cautions: Vec::new(),
            profile_section: section::screw(&curve, melt_lag.as_ref(), &sheet.conditions, sheet.runs.len()),
            curve,
        };
        fit.cautions = caution::all(&fit, sheet, profile);
        match Profile::load(&fit.profile_section, "") {
            Ok(_) => Ok(fit),
            Err(_) => Err(refusal(
                &format!(
                    "the weighings give {:.4e} mm³ with every turn, which no profile can hold",
                    fit.specific_output.mm3_rev
                ),
                "check the units: rpm is turns a minute, seconds the time the screw turned, mass_g grams",
            )),
        }
    }
}

/// The middle of the speeds the curve rests on, rev/min: that of the median group.
fn middle(curve: &Curve) -> f64 {
    let held: Vec<f64> = curve.groups.iter().map(|group| group.rpm).filter(|rpm| *rpm <= curve.range_rpm[1]).collect();
    held.get(held.len() / 2).copied().unwrap_or(curve.range_rpm[1])
}

/// Error of a weighing through the steps of the scale alone, as a share: a step spreads evenly, with a standard
/// deviation of its width over the root of twelve.
fn noise(sheet: &Sheet) -> f64 {
    let step = sheet.step_g();
    let squares: f64 = sheet.runs.iter().map(|run| (step / run.mass_g).powi(2) / 12.0).sum();
    (squares / sheet.runs.len().max(1) as f64).sqrt()
}

/// Melt lag from what drooled out: tau = V / Q.
///
/// The error joins the scatter of the collections (Student t), or the scale's steps if those are larger, with the band
/// of the flow.
fn melt_lag(drools: &[Drool], curve: &Curve, density: f64, step: f64) -> Option<MeltLag> {
    let n = drools.len() as f64;
    let volume_per_flow =
        |mass: f64, drool: &Drool| mass / density * 1000.0 / drool.stops / curve.flow_mm3_s(drool.rpm);
    let lags: Vec<f64> = drools.iter().map(|drool| volume_per_flow(drool.mass_g, drool)).collect();
    let seconds = lags.iter().sum::<f64>() / n;
    if !seconds.is_finite() {
        return None;
    }
    let squares: f64 = lags.iter().map(|lag| (lag - seconds).powi(2)).sum();
    let scatter = t_factor(CONFIDENCE, n - 1.0).map(|factor| factor * (squares / (n - 1.0) / n).sqrt());
    let squares: f64 = drools.iter().map(|drool| volume_per_flow(step, drool).powi(2) / 12.0).sum();
    let steps = NORMAL * squares.sqrt() / n;
    let largest = scatter.map_or(steps, |scatter| scatter.max(steps));
    let share = drools
        .iter()
        .map(|drool| curve.at(drool.rpm))
        .map(|at| at.confidence_mm3_s / at.flow_mm3_s)
        .fold(0.0, f64::max);
    Some(MeltLag {
        seconds,
        plus_minus_s: largest.hypot(seconds * share),
        collections: drools.len(),
        stops: drools.iter().map(|drool| drool.stops).sum(),
    })
}

fn refusal(what: &str, help: &str) -> Error {
    Error::new(ErrorKind::Sheet { what: what.to_owned(), help: help.to_owned() })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn drool(stops: f64, mass_g: f64) -> Drool {
        Drool { line: 1, rpm: 60.0, seconds: 15.0, stops, mass_g }
    }

    /// Flows of 19.9 and 20.1 mm³/s: a mean of 20, and 12.7062 (Student, one degree of freedom) * 0.1414 / √2 = 1.270 62, which is
    /// 6.3531 % of it.
    fn curve() -> Curve {
        let points = [19.9, 20.1].map(|flow_mm3_s| Point { rpm: 60.0, flow_mm3_s });
        Curve::choose(&points, 0.0).expect("two points")
    }

    fn near(got: Option<MeltLag>, plus_minus_s: f64) {
        let got = got.expect("a lag");
        assert!((got.seconds - 0.4).abs() < 1e-9, "{got:?}");
        assert!((got.plus_minus_s - plus_minus_s).abs() < 1e-6, "{got:?} instead of {plus_minus_s}");
    }

    /// Four stops each, 31.2 and 32.8 mm³ at 1.25 g/cm³: 7.8 / 20 and 8.2 / 20, 0.39 and 0.41 s.
    #[test]
    fn the_band_of_the_lag_by_hand() {
        let drools = [drool(4.0, 0.039), drool(4.0, 0.041)];
        // 12.7062 * 0.014 142 / √2 = 0.127 062; with 6.3531 % of 0.4 s, 0.025 412: 0.129 578. A step of 1 mg is 0.01 s.
        let of_scatter = melt_lag(&drools, &curve(), 1.25, 0.001);
        near(of_scatter, 0.129_578);
        assert_eq!(of_scatter.map(|lag| (lag.collections, lag.stops)), Some((2, 8.0)));
        // A step of 50 mg is 0.5 s: 1.96 * 0.5 * √(2/12) / 2 = 0.200 042; with the band of the flow 0.201 649.
        near(melt_lag(&drools, &curve(), 1.25, 0.05), 0.201_649);
    }

    /// One collection does not scatter. A step of 5 mg is 0.05 s: 1.96 * 0.05 / √12 = 0.028 290; with 0.025 412: 0.038 028.
    #[test]
    fn one_collection_is_known_as_well_as_the_scale_is() {
        near(melt_lag(&[drool(4.0, 0.04)], &curve(), 1.25, 0.005), 0.038_028);
        assert_eq!(melt_lag(&[], &curve(), 1.25, 0.005), None);
    }

    /// Outputs of a turn of 0.99, 1.00 and 1.01 at 20 rev/min and of 0.80 at 100, as a straight line: a standard deviation of 0.01
    /// and 4.302 65 (Student, two degrees of freedom). At 100 rev/min rests on one weighing: 0.01 / 0.80 * 4.302 65 = 5.3783 % of
    /// the flow, for 2.4841 % at 20. Of 0.4 s 0.021 513; with 0.002 916 of a step of 1 mg (0.01 and 0.0025 s): 0.021 710.
    #[test]
    fn of_several_speeds_the_widest_band_of_the_flow_counts() {
        let points = [(20.0, 19.8), (20.0, 20.0), (20.0, 20.2), (100.0, 80.0)];
        let curve =
            Curve::choose(&points.map(|(rpm, flow_mm3_s)| Point { rpm, flow_mm3_s }), 0.0).expect("four points");
        // 8 mm³ a stop at 20 mm³/s and 32 at 80.
        let slow = Drool { rpm: 20.0, ..drool(4.0, 0.04) };
        let quick = Drool { rpm: 100.0, ..drool(4.0, 0.16) };
        near(melt_lag(&[slow, quick], &curve, 1.25, 0.001), 0.021_710);
        near(melt_lag(&[quick, slow], &curve, 1.25, 0.001), 0.021_710);
    }

    /// A step of 0.1 g: 1 % of 10 g and 0.5 % of 20, over √12, √((1e-4 + 0.25e-4) / 12 / 2).
    #[test]
    fn the_error_of_the_steps_of_a_scale() {
        let text = "date,2026-11-20\ntemperature_c,210\nnozzle_mm,1\nfeed_mode,gravity\nscale_resolution_g,0.1\n\
                    kind,rpm,seconds,mass_g\nrun,60,600,10\nrun,60,1200,20\n";
        let sheet = Sheet::read(text.as_bytes()).expect("a sheet");
        assert!((noise(&sheet) - 2.282_18e-3).abs() < 1e-8, "{}", noise(&sheet));
    }

    /// Of speeds at which the flow no longer rises the middle knows nothing.
    #[test]
    fn the_middle_is_that_of_the_speeds_that_hold() {
        let points = [24.0, 48.0, 72.0, 96.0, 120.0].map(|rpm| Point { rpm, flow_mm3_s: rpm / 3.0 });
        let mut curve = Curve::choose(&points, 0.0).expect("five points");
        assert_eq!(middle(&curve), 72.0);
        curve.range_rpm = [24.0, 72.0];
        assert_eq!(middle(&curve), 48.0);
    }
}
