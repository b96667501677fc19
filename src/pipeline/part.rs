//! What the account says of the part.

use super::scribe::short;
use super::stay::Stay;
use crate::findings::{Code, Findings, Place};
use crate::profile::Profile;
use crate::soft::{Slowest, SoftPlan, Trouble, Warning};
use crate::summary::PartFigures;

/// Figures of the part, and what is to be told of it.
pub fn figures(mut stay: Stay, plan: SoftPlan, findings: &mut Findings) -> PartFigures {
    stay.finish(findings);
    let SoftPlan { modulus_mpa, moves, mut bands, warnings, .. } = plan;
    bands.took(stay.bands);
    let sags = |warning: &Warning| matches!(warning.what, Trouble::TooHeavy { factor } if factor < 1.0);
    let is_known = warnings.iter().any(sags);
    for warning in warnings.iter().filter(|warning| {
        // Who does not carry its weight has no margin either.
        sags(warning) || !(is_known && matches!(warning.what, Trouble::TooHeavy { .. }))
    }) {
        warn(warning, findings);
    }
    PartFigures {
        modulus_mpa: modulus_mpa[0],
        modulus_band_mpa: modulus_mpa,
        moves_along: ["x", "y"].into_iter().zip(moves).filter(|(_, moves)| *moves).map(|(axis, _)| axis).collect(),
        bands,
        waits: stay.waits,
        waited_s: stay.waited_in_all_s,
    }
}

/// Keys whose values the limits rest on.
pub fn keys(profile: &Profile) -> Vec<&'static str> {
    let stiffness = match profile.feedstock.modulus_mpa.value {
        Some(_) => "feedstock.modulus_mpa",
        None if profile.feedstock.shore_oo.value.is_some() => "feedstock.shore_oo",
        None if profile.feedstock.shore_d.value.is_some() => "feedstock.shore_d",
        None => "feedstock.shore_a",
    };
    let mut keys = vec!["machine.part_moves", stiffness, "part.sway_share"];
    if profile.part.solid_temperature_c.value.is_some() {
        keys.extend(["part.solid_temperature_c", "part.air_w_m2_k"]);
    }
    keys
}

/// Adds what is wrong with the part, with what would help.
fn warn(warning: &Warning, findings: &mut Findings) {
    let from = format!("from layer {}, z {:.1} mm, up", warning.layer, warning.z_mm);
    let (code, detail) = match warning.what {
        Trouble::TooSoft { accel_mm_s2, least_mm_s2 } => {
            // The tip goes with h^4/(E w^2): so much of one of them gives the least acceleration.
            let ratio = least_mm_s2 / accel_mm_s2.max(1e-9);
            let cure = changed([ratio.sqrt(), ratio.powf(-0.25), ratio]);
            let detail = format!("{from}; at worst {} mm/s²: {cure}, or a bed that stands still", short(accel_mm_s2));
            (Code::PartSways, detail)
        }
        Trouble::TooHeavy { factor } => {
            let code = if factor < 1.0 { Code::PartSags } else { Code::PartNearlySags };
            (code, format!("{from}; at worst it carries {factor:.2} times its weight"))
        }
        Trouble::Dragged { by_mm, allowed_mm, bears_mm_s, slowest } => {
            let cure = match slowest {
                None => format!("at most {} mm/s", short(bears_mm_s)),
                // The tip goes with h^3/(E w^3).
                Some(Slowest { speed_mm_s, by_mm }) => {
                    let ratio = by_mm / allowed_mm;
                    let cure = changed([ratio.cbrt(), 1.0 / ratio.cbrt(), ratio]);
                    format!("{} mm/s, the least speed, is too much for it; {cure}, or higher layers", short(speed_mm_s))
                }
            };
            (Code::PartDragged, format!("{from}; at worst {by_mm:.2} mm, {allowed_mm:.2} mm allowed: {cure}"))
        }
        Trouble::Jolted { most_mm_s, step_mm_s, is_lowered } => {
            let rule = if is_lowered { "the lowest rule that is set" } else { "the rule" };
            let detail = format!("{from}; at most {most_mm_s:.2} mm/s, {rule} allows {step_mm_s:.2} mm/s");
            (Code::PartJolted, detail)
        }
        Trouble::ThinWalled => (Code::PartThinWalled, from),
    };
    findings.add(code, || Place { line: 0, layer: u64::from(warning.layer), z_mm: warning.z_mm, time_s: None, detail });
}

/// What a part would have to be instead, on the safe side: width, height and stiffness, times what they are.
fn changed([width, height, stiffness]: [f64; 3]) -> String {
    let up = |times: f64| (10.0 * times).ceil() / 10.0;
    format!(
        "{:.1} times as wide, {:.0} % of the height, {:.1} times as stiff",
        up(width),
        (100.0 * height).floor(),
        up(stiffness)
    )
}
