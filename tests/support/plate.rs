//! Plates written bead by bead, and their survey.
#![allow(dead_code, reason = "each test file uses a part of it")]

use std::fmt::Write as _;
use std::io::Cursor;

use meltwright::error::Result;
use meltwright::pipeline::Options;
use meltwright::pipeline::survey::survey;
use meltwright::profile::{EUnit, Profile};
use meltwright::survey::{LayerRecord, SurveyAccount};

use crate::runs;

/// Height of a layer of the made plates, mm.
pub const HEIGHT: f64 = 0.5;

/// E in mm³, a nozzle of 1 mm: cells of 0.5 mm.
pub fn profile() -> Profile {
    let mut profile = runs::profile();
    profile.screw.e_unit.value = EUnit::Mm3;
    profile.nozzle.diameter_mm.value = 1.0;
    profile
}

pub fn run(input: &[u8], profile: &Profile, options: &Options) -> Result<(Vec<LayerRecord>, SurveyAccount)> {
    let (mut input, mut layers) = (Cursor::new(input), Vec::new());
    let account = survey(&mut input, profile, options, &mut |_| {}, &mut |layer| layers.push(layer))?;
    assert_eq!(input.position(), 0, "left at its start");
    Ok((layers, account))
}

/// A text that is written bead by bead.
pub struct Plate {
    /// The text so far.
    pub text: String,
    /// Volume of a millimetre of bead, mm³.
    pub per_mm: f64,
    /// Where the head is, mm.
    pub at: [f64; 2],
}

impl Plate {
    /// Beads 1 mm wide.
    pub fn new() -> Self {
        Self { text: "G90\nM83\nG1 F1200\n".to_owned(), per_mm: HEIGHT, at: [0.0; 2] }
    }

    pub fn line(&mut self, text: &str) -> &mut Self {
        self.text.push_str(text);
        self.text.push('\n');
        self
    }

    /// To the height of a layer, counted from 1, and a lift above it before.
    pub fn layer(&mut self, number: u32) -> &mut Self {
        let z = f64::from(number) * HEIGHT;
        writeln!(self.text, "G1 Z{:.3}\nG1 Z{z:.3}", z + 2.0).expect("written");
        self
    }

    pub fn travel(&mut self, x: f64, y: f64) -> &mut Self {
        writeln!(self.text, "G0 X{x:.4} Y{y:.4}").expect("written");
        self.at = [x, y];
        self
    }

    pub fn bead(&mut self, x: f64, y: f64) -> &mut Self {
        let volume = (x - self.at[0]).hypot(y - self.at[1]) * self.per_mm;
        writeln!(self.text, "G1 X{x:.4} Y{y:.4} E{volume:.6}").expect("written");
        self.at = [x, y];
        self
    }

    /// Four beads around a square with its corner at `x`, `y`.
    pub fn square(&mut self, x: f64, y: f64, side: f64) -> &mut Self {
        self.travel(x, y).bead(x + side, y).bead(x + side, y + side).bead(x, y + side).bead(x, y)
    }

    /// Beads beside each other over a whole square, along X.
    pub fn solid(&mut self, x: f64, y: f64, side: u32) -> &mut Self {
        for line in 0..side {
            let (y, end) = (y + f64::from(line) + 0.5, x + f64::from(side));
            self.travel(x, y).bead(end, y);
        }
        self
    }

    pub fn run(&self) -> (Vec<LayerRecord>, SurveyAccount) {
        let (layers, account) = run(self.text.as_bytes(), &profile(), &Options::default()).expect("sound input");
        let from_records = |value: fn(&LayerRecord) -> f64| layers.iter().map(value).sum::<f64>();
        close(from_records(|l| l.volume_mm3), account.bead_volume_mm3);
        close(from_records(|l| l.islands.iter().map(|i| i.volume_mm3).sum()), account.bead_volume_mm3);
        close(from_records(|l| l.time_s) + account.before_s, account.time_s);
        (layers, account)
    }

    pub fn layers(&self) -> Vec<LayerRecord> {
        self.run().0
    }
}

#[track_caller]
pub fn close(value: f64, expected: f64) {
    assert!((value - expected).abs() <= 1e-6 * expected.abs().max(1.0), "{value}, expected {expected}");
}

#[track_caller]
pub fn close_to(value: f64, expected: f64, within: f64) {
    assert!((value - expected).abs() <= within, "{value}, expected {expected} within {within}");
}

/// Turns of 16 beads that climb a layer height each, above a solid layer.
pub fn spiral(plate: &mut Plate, turns: u32) {
    plate.travel(20.0, 10.0);
    for step in 1..=turns * 16 {
        let (sin, cos) = (f64::from(step) / 16.0 * std::f64::consts::TAU).sin_cos();
        let (x, y) = (10.0 + 10.0 * cos, 10.0 + 10.0 * sin);
        let length = (x - plate.at[0]).hypot(y - plate.at[1]);
        let z = HEIGHT + f64::from(step) / 16.0 * HEIGHT;
        writeln!(plate.text, "G1 X{x:.4} Y{y:.4} Z{z:.5} E{:.6}", length * plate.per_mm).expect("written");
        plate.at = [x, y];
    }
}
