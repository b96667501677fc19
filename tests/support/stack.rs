//! Blocks written bead by bead, as they stand on each other, for the tests of the soft part.
#![allow(dead_code, reason = "each test file uses a part of it")]

use std::fmt::Write as _;

use meltwright::pipeline::Passes;
use meltwright::profile::{EUnit, PartMoves, Profile};

use crate::runs;

/// E in mm³ and written as in the file, a wide screw, a stuff of a measured modulus (MPa); layers have all the time.
pub fn profile(modulus_mpa: f64, bore_mm: f64) -> Profile {
    let mut p = runs::with_capacity(runs::profile(), 1e4, 1e4, 60.0);
    p.screw.e_unit.value = EUnit::Mm3;
    p.nozzle.diameter_mm.value = bore_mm;
    p.feedstock.modulus_mpa.value = Some(modulus_mpa);
    p.part.solid_temperature_c.value = None;
    p.part.least_accel_mm_s2.value = 1e-3;
    p.machine.part_moves.value = PartMoves::Y;
    p
}

/// The passes of the soft part alone.
pub const SOFT: Passes = Passes { softness: true, layer_time: true, ..Passes::NONE };

/// A text that is written layer by layer.
pub struct Stack {
    pub text: String,
    /// Height of a layer, mm.
    pub height: f64,
    /// Width of a bead, mm.
    pub bead: f64,
    layer: u32,
}

impl Stack {
    pub fn new(height: f64, bead: f64) -> Self {
        Self { text: "G90\nM83\nG28\nG1 F1200\n".to_owned(), height, bead, layer: 0 }
    }

    pub fn line(&mut self, text: &str) -> &mut Self {
        self.text.push_str(text);
        self.text.push('\n');
        self
    }

    /// The next layer, with a lift before.
    pub fn up(&mut self) -> &mut Self {
        self.layer += 1;
        let z = f64::from(self.layer) * self.height;
        self.line(&format!(";LAYER_CHANGE\nG1 Z{:.3}\nG1 Z{z:.3}", z + 2.0))
    }

    /// The first layer again, of the next object.
    pub fn down_to_bed(&mut self) -> &mut Self {
        let z = f64::from(self.layer) * self.height;
        self.layer = 0;
        self.line(&format!("G1 Z{:.3}", z + 5.0))
    }

    /// Beads along X beside each other over a block; `at`: its corner of least X and Y, `size`: along X and Y, mm.
    pub fn block(&mut self, [x, y]: [f64; 2], [wide, deep]: [f64; 2]) -> &mut Self {
        let count = (deep / self.bead).round().max(1.0);
        let width = deep / count;
        for index in 0..count as u32 {
            let y = y + (f64::from(index) + 0.5) * width;
            let (from, to) = if index % 2 == 0 { (x, x + wide) } else { (x + wide, x) };
            let volume = wide * width * self.height;
            write!(self.text, "G0 X{from:.4} Y{y:.4}\nG1 X{to:.4} E{volume:.6}\n").expect("written");
        }
        self
    }

    /// Four beads around a block, their middles on its border.
    pub fn ring(&mut self, [x, y]: [f64; 2], side: f64) -> &mut Self {
        let volume = side * self.bead * self.height;
        let corners = [[x + side, y], [x + side, y + side], [x, y + side], [x, y]];
        writeln!(self.text, "G0 X{x:.4} Y{y:.4}").expect("written");
        for [x, y] in corners {
            writeln!(self.text, "G1 X{x:.4} Y{y:.4} E{volume:.6}").expect("written");
        }
        self
    }
}

/// A block of so many layers on its own.
pub fn column(layers: u32, height: f64, bead: f64, size: [f64; 2]) -> Stack {
    let mut stack = Stack::new(height, bead);
    for _ in 0..layers {
        stack.up().block([50.0, 50.0], size);
    }
    stack
}

/// Deflection of the tip of a prism under a unit acceleration of its foot, mm per mm/s²: bending and shear,
/// m h⁴ / (8 E I) + m h² / (2 k G A) with m = rho A. Density in g/cm³, modulus in MPa; Poisson's number is 0.5.
pub fn prism(height: f64, area: f64, second_moment: f64, modulus: f64, density: f64) -> f64 {
    let mass = density * 1e-9 * area;
    // Cowper's factor of a rectangle at 0.5: 10 * 1.5 / (12 + 5.5); G = E / 3.
    let shear = 15.0 / 17.5 * modulus / 3.0 * area;
    mass * height.powi(4) / (8.0 * modulus * second_moment) + mass * height.powi(2) / (2.0 * shear)
}
