//! Everything a sheet of weighings tells.

use serde::Serialize;

use super::conditions::Conditions;
use super::counted;
use super::curve::{Curve, Estimate, Model};
use super::judge::Drift;
use crate::profile::Provenance;

/// Longest melt lag a profile holds, s.
const LONGEST_LAG_S: f64 = 60.0;
/// Uncertainty of a melt lag as a share of it, above which it counts as assumed.
const WIDEST_LAG: f64 = 0.5;
/// Lags that are known to this are known, s: beads that take as long as that to follow a change stray for a few tenths of a
/// millimetre at 10 mm/s. A judgement, no source.
const NO_LAG_S: f64 = 0.03;

/// A weighed strand and how it lies to the curve.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct WeighedRow {
    /// Line of the sheet.
    pub line: u64,
    /// Screw speed, rev/min.
    pub rpm: f64,
    /// How long the screw turned, s.
    pub seconds: f64,
    /// Mass, g.
    pub mass_g: f64,
    /// Flow, mm³/s.
    pub flow_mm3_s: f64,
    /// Output of one turn, mm³/rev.
    pub per_turn_mm3_rev: f64,
    /// Flow of the curve, mm³/s.
    pub fitted_mm3_s: f64,
    /// Measured over fitted, less 1.
    pub deviation_share: f64,
    /// Deviation over its standard deviation, taken from all others.
    pub studentised: Option<f64>,
    /// Further off than chance explains in so many weighings.
    pub stray: bool,
}

/// All weighings of one speed beside the curve.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct SpeedRow {
    /// Weighings of this speed.
    pub weighings: usize,
    /// Mean of the measured flows, mm³/s.
    pub measured_mm3_s: f64,
    /// The curve and its bands.
    #[serde(flatten)]
    pub curve: Estimate,
    /// Output of one turn by the curve, mm³/rev.
    pub per_turn_mm3_rev: f64,
}

/// Output of one turn.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct SpecificOutput {
    /// Middle speed it holds for, rev/min; of a proportional curve it holds for all.
    pub rpm: f64,
    /// Output, mm³/rev.
    pub mm3_rev: f64,
    /// It lies within plus and minus this, mm³/rev.
    pub confidence_mm3_rev: f64,
}

/// How slowly flow follows the screw.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct MeltLag {
    /// Time constant, s: volume that drools out after a stop over the flow before it.
    pub seconds: f64,
    /// It lies within plus and minus this, s.
    pub plus_minus_s: f64,
    /// Collections weighed.
    pub collections: usize,
    /// Stops in all of them.
    pub stops: f64,
}

impl MeltLag {
    /// Whether the drools tell it well enough to go by: within half of itself, or within what makes no difference. Making up
    /// for a lag leaves as much of its errors as the lag is wrong by; a true lag of less than half of the one that is taken had
    /// better be left alone.
    pub(super) fn is_told(&self) -> bool {
        self.plus_minus_s <= (WIDEST_LAG * self.seconds).max(NO_LAG_S)
    }

    /// Whether a profile can hold it.
    pub(super) fn fits_profile(&self) -> bool {
        (0.0..=LONGEST_LAG_S).contains(&self.seconds)
    }

    /// Where it comes from.
    pub(super) fn words(&self) -> String {
        // Stops of one row and of all of them are whole.
        let stops = counted(self.stops as usize, "stop", "stops");
        let weighings = counted(self.collections, "weighing", "weighings");
        format!("drool of {stops} in {weighings}, +- {:.2} s", self.plus_minus_s)
    }
}

/// Something to know about the weighings.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Caution {
    /// What there is to know, one sentence in lower case.
    pub what: String,
    /// What to do about it.
    pub help: String,
    /// The result is not to be used before that.
    pub serious: bool,
}

/// What a sheet tells.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Fit {
    /// What was weighed with.
    pub conditions: Conditions,
    /// Density that turned grams into volume, g/cm³.
    pub density_g_cm3: f64,
    /// Whether that is a measured value.
    pub density_provenance: Provenance,
    /// Smallest step of the scale, g.
    pub scale_resolution_g: Option<f64>,
    /// Every weighing, in the order of running.
    pub runs: Vec<WeighedRow>,
    /// Rows of the sheet without a mass.
    pub unfilled: usize,
    /// Form of the curve.
    #[serde(flatten)]
    pub model: Model,
    /// Why this form.
    pub reasons: Vec<String>,
    /// Share of confidence of all bands.
    pub confidence: f64,
    /// Output of one turn.
    pub specific_output: SpecificOutput,
    /// Speed by speed.
    pub speeds: Vec<SpeedRow>,
    /// Scatter of single weighings about the curve, standard deviation as a share.
    pub residual_share: f64,
    /// Scatter of repeats of one speed, standard deviation as a share; `None` without repeats.
    pub repeatability_share: Option<f64>,
    /// Change of output over the test.
    pub drift: Option<Drift>,
    /// Melt lag; `None` if no drool was weighed.
    pub melt_lag: Option<MeltLag>,
    /// What to know about the weighings.
    pub cautions: Vec<Caution>,
    /// The section of a profile that holds what was measured, TOML.
    pub profile_section: String,
    /// The curve itself.
    #[serde(skip)]
    pub curve: Curve,
}
