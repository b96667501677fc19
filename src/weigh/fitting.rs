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
        let melt_lag = melt_lag(&sheet.drools, &curve, density, step(sheet));
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

/// Step of the scale, g: where the sheet does not say it, the one in which the masses are written.
fn step(sheet: &Sheet) -> f64 {
    sheet.scale_resolution_g.unwrap_or(sheet.written_step_g)
}

/// Error of a weighing through the steps of the scale alone, as a share: a step spreads evenly, with a standard
/// deviation of its width over the root of twelve.
fn noise(sheet: &Sheet) -> f64 {
    let step = step(sheet);
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
