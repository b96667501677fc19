//! Places outside of what the machine reaches: ends of moves, and where arcs go farthest.

use super::Seen;
use crate::findings::{Code, Findings};
use crate::moves::track::Track;
use crate::profile::Profile;

/// Rounding of positions that is not told, mm.
const SLACK_MM: f64 = 0.01;

/// Least and largest X, Y, Z.
#[derive(Clone, Copy, Debug)]
struct Bounds {
    least: [f64; 3],
    most: [f64; 3],
}

impl Bounds {
    /// The axis along which a place is farthest outside, if it is.
    fn beyond(&self, at: [f64; 3]) -> Option<Beyond> {
        let mut worst: Option<Beyond> = None;
        for (((at, least), most), axis) in at.into_iter().zip(self.least).zip(self.most).zip(['X', 'Y', 'Z']) {
            let (by, bound) = if at < least { (least - at, least) } else { (at - most, most) };
            if by > SLACK_MM && worst.is_none_or(|worst| by > worst.by) {
                worst = Some(Beyond { by, axis, at, bound });
            }
        }
        worst
    }
}

/// How far outside a place is.
#[derive(Clone, Copy, Debug)]
struct Beyond {
    by: f64,
    axis: char,
    at: f64,
    bound: f64,
}

/// Where the nozzle may be.
#[derive(Clone, Debug)]
pub struct Room(Bounds);

impl Room {
    /// `None` where the profile does not say.
    pub fn new(profile: &Profile) -> Option<Self> {
        let [least_x, least_y, least_z, most_x, most_y, most_z] = profile.machine.reach_mm.value?;
        Some(Self(Bounds { least: [least_x, least_y, least_z], most: [most_x, most_y, most_z] }))
    }

    /// Looks at the next move of `track`.
    pub fn at(&self, seen: &Seen<'_>, track: &mut Track<'_>, findings: &mut Findings) {
        let known = track.is_known();
        let (_, to) = track.next(seen.step);
        if !known || seen.step.length <= 0.0 {
            return;
        }
        if let Some(beyond) = self.0.beyond(to) {
            findings.add_weighted(Code::OutOfReach, beyond.by, || {
                let [x, y, z] = to;
                seen.place(told(&format!("X {x:.2} Y {y:.2} Z {z:.2}"), &beyond))
            });
            return;
        }
        let far = seen.arc.and_then(|arc| arc.bounds().into_iter().find_map(|corner| self.0.beyond(corner)));
        if let Some(beyond) = far {
            findings.add_weighted(Code::OutOfReach, beyond.by, || {
                let Beyond { axis, at, .. } = beyond;
                seen.place(told(&format!("an arc to {axis} {at:.2}"), &beyond))
            });
        }
    }
}

fn told(place: &str, beyond: &Beyond) -> String {
    let Beyond { axis, at, bound, .. } = beyond;
    let end = if at < bound { "begins" } else { "ends" };
    format!("{place} of the machine; {axis} {end} at {bound}")
}
