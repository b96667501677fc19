//! Beads against the nozzle and the least flow of the screw: what a file asks that no nozzle lays well.

use super::Seen;
use crate::findings::{Code, Findings, Place};
use crate::moves::layers::{LaidByOthers, PLAUSIBLE_MM};
use crate::moves::settings::FileSettings;
use crate::moves::{Kind, Role};
use crate::profile::{Origin, Profile};

/// Least width of a bead over the bore: a thinner strand is drawn out and tears. Common practice, no source.
const LEAST_WIDTH: f64 = 0.7;
/// Largest height of a bead over the bore: a higher one is not pressed onto the layer below. Common practice, no source.
const MOST_HEIGHT: f64 = 0.8;
/// Width of a face that was not measured, over the bore.
const FACE: f64 = 2.0;
/// Height of the first layer over the bore below which the gap chokes the flow.
const FREE_GAP: f64 = 0.25;
/// First layers are pressed wider on purpose, over the face: common practice, no source.
const FIRST_LAYER: f64 = 1.5;
/// Share of a print's path, or of a layer's, from which beads are told of: gaps are filled with thinner ones.
const MUCH: f64 = 0.25;
/// Share of the time from which low flow is told of.
const LONG_SHARE: f64 = 0.1;
/// Roles whose beads are looked at; filling of gaps, skirts and towers may be of any width.
const fn counts(role: Role) -> bool {
    !matches!(role, Role::GapFill | Role::Skirt | Role::Tower | Role::Other | Role::Bridge | Role::Overhang)
}

/// Path of some beads, and of those out of bounds.
#[derive(Clone, Copy, Debug, Default)]
struct Paths {
    all_mm: f64,
    thin_mm: f64,
    wide_mm: f64,
    /// Volume of all, mm³.
    mm3: f64,
}

impl Paths {
    fn add(&mut self, more: &Self) {
        self.all_mm += more.all_mm;
        self.thin_mm += more.thin_mm;
        self.wide_mm += more.wide_mm;
        self.mm3 += more.mm3;
    }
}

/// Looks at beads as they stream by.
#[derive(Debug)]
pub struct Beads {
    bore_mm: f64,
    face_mm: f64,
    /// Where the bore comes from; `None` where it is not known well enough to judge by.
    bore_of: Option<&'static str>,
    least_flow_mm3_s: f64,
    layer: u32,
    first: Place,
    height_mm: f64,
    /// Height of the first layer on the bed, mm.
    on_bed_mm: Option<f64>,
    others: LaidByOthers,
    least_area: f64,
    most_area: f64,
    here: Paths,
    all: Paths,
    /// Path of layers that are too high.
    high_mm: f64,
    time_s: f64,
    low_s: f64,
    first_low: Option<Place>,
}

const NOWHERE: Place = Place { line: 0, layer: 0, z_mm: 0.0, time_s: None, detail: String::new() };

impl Beads {
    /// The bore is that of the profile; where that was never set, the one the file was sliced for.
    pub fn new(profile: &Profile, settings: &FileSettings) -> Self {
        let stated = profile.nozzle.diameter_mm;
        let is_set = stated.origin != Origin::Default;
        let bore_mm = if is_set { stated.value } else { settings.nozzle_diameter_mm.unwrap_or(stated.value) };
        Self {
            bore_mm,
            face_mm: profile.nozzle.face_mm.value.unwrap_or(FACE * bore_mm).max(bore_mm),
            bore_of: match settings.nozzle_diameter_mm {
                _ if is_set => Some("profile"),
                Some(_) => Some("file"),
                None => None,
            },
            least_flow_mm3_s: profile.part.least_flow_mm3_s.value,
            layer: 0,
            first: NOWHERE,
            height_mm: 0.0,
            on_bed_mm: None,
            others: LaidByOthers::default(),
            least_area: 0.0,
            most_area: f64::INFINITY,
            here: Paths::default(),
            all: Paths::default(),
            high_mm: 0.0,
            time_s: 0.0,
            low_s: 0.0,
            first_low: None,
        }
    }

    /// Takes the next moves.
    #[inline]
    pub fn add<'a>(&mut self, moves: impl Iterator<Item = Seen<'a>>, findings: &mut Findings) {
        let (mut here, mut time_s) = (self.here, self.time_s);
        for seen in moves {
            let Seen { step, seconds, .. } = seen;
            if !seen.step.is_screw_bead() {
                if step.kind == Kind::Bead {
                    self.others.lay(step.z);
                }
                continue;
            }
            if step.layer != self.layer {
                self.here = std::mem::take(&mut here);
                self.begin(&seen, findings);
            }
            time_s += seconds;
            if step.volume < self.least_flow_mm3_s * seconds {
                self.low_s += seconds;
                self.first_low.get_or_insert_with(|| seen.place(String::new()));
            }
            if counts(step.role) {
                here.all_mm += step.length;
                here.mm3 += step.volume;
                if step.volume < self.least_area * step.length {
                    here.thin_mm += step.length;
                } else if step.volume > self.most_area * step.length {
                    here.wide_mm += step.length;
                }
            }
        }
        (self.here, self.time_s) = (here, time_s);
    }

    /// A layer begins.
    fn begin(&mut self, seen: &Seen<'_>, findings: &mut Findings) {
        self.end(findings);
        let step = seen.step;
        let rise = step.z - self.first.z_mm;
        // An object begun anew stands on the bed again; further up nothing tells what it is laid on.
        let height = match rise < 0.0 {
            _ if self.layer == 0 => step.z,
            true if self.on_bed_mm.is_none_or(|height| step.z <= height + 1e-9) => step.z,
            true => 0.0,
            false => rise,
        };
        let of_others = self.others.below(step.z);
        let height = height.min(step.z - of_others);
        self.layer = step.layer;
        self.first = seen.place(String::new());
        self.height_mm = if PLAUSIBLE_MM.contains(&height) { height } else { 0.0 };
        if self.on_bed_mm.is_none() && self.height_mm > 0.0 && of_others == 0.0 {
            self.on_bed_mm = Some(self.height_mm);
        }
        (self.least_area, self.most_area) = (0.0, f64::INFINITY);
        if self.height_mm > 0.0 {
            self.least_area = area(LEAST_WIDTH * self.bore_mm, self.height_mm);
            let room = if step.layer == 1 { FIRST_LAYER } else { 1.0 };
            self.most_area = area(room * self.face_mm, self.height_mm);
        }
    }

    /// A layer is over.
    fn end(&mut self, findings: &mut Findings) {
        let here = std::mem::take(&mut self.here);
        let Some(bore_of) = self.bore_of.filter(|_| here.all_mm > 0.0 && self.height_mm > 0.0) else { return };
        let bore = self.bore_mm;
        let nozzle = || format!("the {bore} mm nozzle of the {bore_of}");
        let width = width(here.mm3 / here.all_mm, self.height_mm);
        if self.layer == 1 {
            // The gap lets as much through as the bore where its rim, pi d h, is as large as the bore, pi d²/4.
            let least = FREE_GAP * self.bore_mm;
            if self.height_mm < least - 1e-9 {
                let height = self.height_mm;
                let detail = format!("{height:.2} mm above the bed, at least {least:.2} mm for {}", nozzle());
                findings.add(Code::FirstLayerNear, || Place { detail, ..self.first.clone() });
            }
            // It is told of on its own: the gap is what is set wrong there.
            if here.wide_mm > MUCH * here.all_mm {
                let (gap, most, wide) =
                    (self.height_mm, FIRST_LAYER * self.face_mm, 100.0 * here.wide_mm / here.all_mm);
                let detail = format!(
                    "{width:.2} mm wide at {gap:.2} mm above the bed, {wide:.0} % of it above {most:.2} mm, \
                     {FIRST_LAYER} faces of {}",
                    nozzle()
                );
                findings.add(Code::FirstLayerOverfilled, || Place { detail, ..self.first.clone() });
            }
            return;
        }
        self.all.add(&here);
        let is_high = self.height_mm > MOST_HEIGHT * self.bore_mm + 1e-9;
        let (height, face) = (self.height_mm, self.face_mm);
        if is_high {
            self.high_mm += here.all_mm;
            findings.add_weighted(Code::BeadHeight, height, || {
                let most = MOST_HEIGHT * bore;
                Place {
                    detail: format!("{height:.2} mm high, at most {most:.2} mm for {}", nozzle()),
                    ..self.first.clone()
                }
            });
        }
        if here.thin_mm > MUCH * here.all_mm || here.wide_mm > MUCH * here.all_mm {
            let least = LEAST_WIDTH * bore;
            let off = (width / face).max(least / width.max(1e-6));
            findings.add_weighted(Code::BeadWidth, off, || {
                let detail = format!("{width:.2} mm wide on average, {least:.2} to {face:.2} mm for {}", nozzle());
                Place { detail, ..self.first.clone() }
            });
        }
    }

    /// No more moves will come. Layers out of bounds are told of only if they are much of the print.
    pub fn finish(&mut self, findings: &mut Findings) {
        self.end(findings);
        let all = self.all;
        if self.high_mm <= MUCH * all.all_mm {
            findings.remove(Code::BeadHeight);
        }
        if all.thin_mm.max(all.wide_mm) <= MUCH * all.all_mm {
            findings.remove(Code::BeadWidth);
        }
        let share = self.low_s / self.time_s;
        if share > LONG_SHARE {
            let least = self.least_flow_mm3_s;
            let detail = format!("{:.0} % of the time below {least} mm³/s, first here", 100.0 * share);
            if let Some(first) = self.first_low.take() {
                findings.add(Code::LowFlow, || Place { detail, ..first });
            }
        }
    }
}

/// Area of a bead with round edges, mm².
fn area(width_mm: f64, height_mm: f64) -> f64 {
    // Where it would be narrower than high it is a round strand.
    let flat = (width_mm - height_mm).max(0.0);
    let round = width_mm.min(height_mm);
    flat * height_mm + std::f64::consts::FRAC_PI_4 * round * round
}

/// Width of a bead of this area, mm.
fn width(area_mm2: f64, height_mm: f64) -> f64 {
    let round = std::f64::consts::FRAC_PI_4 * height_mm * height_mm;
    if area_mm2 < round {
        (area_mm2 / std::f64::consts::FRAC_PI_4).sqrt()
    } else {
        (area_mm2 - round) / height_mm + height_mm
    }
}
