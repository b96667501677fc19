//! Places outside of what the machine reaches. Of arcs only the ends are looked at.

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
    /// How far outside a place is, the axis and the bound there, if it is.
    fn beyond(&self, at: [f64; 3]) -> Option<(f64, char, f64)> {
        let mut worst: Option<(f64, char, f64)> = None;
        for (((at, least), most), axis) in at.into_iter().zip(self.least).zip(self.most).zip(['X', 'Y', 'Z']) {
            let (by, bound) = if at < least { (least - at, least) } else { (at - most, most) };
            if by > SLACK_MM && worst.is_none_or(|(worst, ..)| by > worst) {
                worst = Some((by, axis, bound));
            }
        }
        worst
    }
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
        if known
            && seen.step.length > 0.0
            && let Some((by, axis, bound)) = self.0.beyond(to)
        {
            findings.add_weighted(Code::OutOfReach, by, || seen.place(told(to, axis, bound)));
        }
    }
}

fn told([x, y, z]: [f64; 3], axis: char, bound: f64) -> String {
    let at = match axis {
        'X' => x,
        'Y' => y,
        _ => z,
    };
    let end = if at < bound { "begins" } else { "ends" };
    format!("X {x:.2} Y {y:.2} Z {z:.2} of the machine; {axis} {end} at {bound}")
}
