//! What was measured, as a section of a profile.

use super::conditions::Conditions;
use super::curve::{Curve, Model};
use super::fit::MeltLag;
use crate::profile::{Entry, Origin, Provenance};
use crate::units::significant;

/// Digits that are written: more than any weighing bears.
const DIGITS: i32 = 5;
/// Straight pieces by which a drooping curve is written; they stay below the curve by less than 1/256 of the whole
/// droop.
const PIECES: u32 = 8;
/// Straight pieces between two points of a curve through points.
const PIECES_BETWEEN: u32 = 4;

/// Band of the curve at its fastest, as a share of the flow there, above which nothing counts as measured: who draws up a
/// profile guesses the output of a screw from its channel as well as that, and what is kept back for bad days
/// (`screw.derate`) covers no half of it.
const WIDEST_BAND: f64 = 0.2;

/// Whether the weighings tell the output better than a guess would.
pub(super) fn is_told(curve: &Curve) -> bool {
    let band = curve.at(curve.range_rpm[1]);
    band.confidence_mm3_s <= WIDEST_BAND * band.flow_mm3_s
}

/// The `[screw]` section of a profile that holds what was measured.
pub(super) fn screw(curve: &Curve, lag: Option<&MeltLag>, conditions: &Conditions, weighings: usize) -> String {
    let [slowest, fastest] = curve.range_rpm;
    let band = curve.at(fastest);
    let speeds = match slowest == fastest {
        true => format!("{} rpm", number(fastest)),
        false => format!("{} to {} rpm", number(slowest), number(fastest)),
    };
    let note = format!(
        "{conditions}; {weighings} weighings, {speeds}, +- {:.1} %",
        100.0 * band.confidence_mm3_s / band.flow_mm3_s
    );
    let (key, other, value) = match curve.model {
        Model::Proportional { specific_output_mm3_rev } => {
            ("screw.specific_output_mm3_rev", "output_curve", number(specific_output_mm3_rev))
        }
        Model::Drooping { .. } | Model::Points => {
            ("screw.output_curve", "specific_output_mm3_rev", list(&points(curve)))
        }
    };
    // What no curve fits, or what may be anything, is known no better than before.
    let (provenance, head) = if !curve.fits {
        (Provenance::Assumed, "Weighed, but no curve fits: assumed until it has been weighed again.")
    } else if !is_told(curve) {
        (Provenance::Assumed, "Weighed, but the weighings lie too far apart: assumed until it has been weighed again.")
    } else {
        (Provenance::Measured, "Measured by weighing.")
    };
    let mut text = format!(
        "# {head}\n# Put these lines into the [screw] section of your profile, in place of what it says of the same\n# keys; \
         {other} has to go from it.\n[screw]\n{}\n",
        stated(key, value, provenance, note)
    );
    if let Some(lag) = lag.filter(|lag| lag.fits_profile()) {
        let provenance = if lag.is_told() { provenance } else { Provenance::Assumed };
        let note = format!("{conditions}; {}", lag.words());
        text.push_str(&format!("{}\n", stated("screw.melt_lag_s", number(lag.seconds), provenance, note)));
    }
    text
}

fn stated(key: &'static str, value: String, provenance: Provenance, note: String) -> String {
    Entry { key, value, provenance, origin: Origin::Profile, note: Some(note) }.line()
}

/// Points whose straight connection stands for the curve, rising in both coordinates.
fn points(curve: &Curve) -> Vec<[f64; 2]> {
    let fastest = curve.range_rpm[1];
    let mut speeds: Vec<f64> = Vec::new();
    if curve.model == Model::Points {
        let mut before = 0.0;
        for group in curve.groups.iter().filter(|group| group.rpm <= fastest) {
            let step = (group.rpm - before) / f64::from(PIECES_BETWEEN);
            speeds.extend((1..=PIECES_BETWEEN).map(|piece| before + step * f64::from(piece)));
            before = group.rpm;
        }
    } else {
        speeds.extend((1..=PIECES).map(|piece| fastest * f64::from(piece) / f64::from(PIECES)));
    }
    let mut points: Vec<[f64; 2]> = Vec::new();
    for rpm in speeds {
        let point = [significant(rpm, DIGITS), significant(curve.flow_mm3_s(rpm), DIGITS)];
        let [speed_before, flow_before] = points.last().copied().unwrap_or([0.0, 0.0]);
        if point[0] > speed_before && point[1] > flow_before {
            points.push(point);
        }
    }
    points
}

fn list(points: &[[f64; 2]]) -> String {
    let points: Vec<String> = points.iter().map(|[rpm, flow]| format!("[{rpm:?}, {flow:?}]")).collect();
    format!("[{}]", points.join(", "))
}

fn number(value: f64) -> String {
    format!("{}", significant(value, DIGITS))
}
