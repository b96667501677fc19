//! What is settled about a run before the first line is read.

use super::assemble::{self, Choice, Grounds};
use super::drive::{Drive, How};
use super::prescan::Prescan;
use super::scribe::Purpose;
use super::{Options, Passes};
use crate::demand::capacity::Capacity;
use crate::error::{Error, ErrorKind, Result};
use crate::line::number::power_of_ten;
use crate::motion::rules::{EVolumes, MotionRules};
use crate::moves::resolve::{MARKER, MARKER_E, MARKER_LEADS, MARKER_PROFILE, MARKER_REV, MARKER_TURNS, Rules};
use crate::moves::settings::{FileSettings, Lead};
use crate::passes::e_count::{DECIMALS, Unit};
use crate::profile::{Excess, Profile};
use crate::soft::Terms;

/// What feeds and E of an output may be off by their rounding, a share of the flow.
const ROUNDED: f64 = 1e-3;

/// What a run is done with.
pub struct Run<'a> {
    /// The profile.
    pub profile: &'a Profile,
    /// Settings of the file.
    pub settings: &'a FileSettings,
    /// What the caller asked for.
    pub options: &'a Options,
    /// What becomes of the decisions.
    pub purpose: Purpose,
    /// How the file is read.
    pub rules: Rules,
    /// What the screw gives.
    pub capacity: Capacity,
    /// Passes that run.
    pub passes: Passes,
    /// How the lag is made up for.
    pub choice: Choice,
    /// What units of E push in the file and in the output.
    pub output_volumes: EVolumes,
    /// By which the part is judged, if it is.
    pub terms: Option<Terms>,
}

impl<'a> Run<'a> {
    /// Settles how the file of a `scan` is worked on.
    ///
    /// # Errors
    /// When the file was rewritten before, and `options` do not allow that.
    pub fn new(profile: &'a Profile, options: &'a Options, scan: &'a Prescan, purpose: Purpose) -> Result<Self> {
        let settings = &scan.settings;
        if settings.is_rewritten && !options.again {
            return Err(Error::new(ErrorKind::AlreadyRewritten));
        }
        let mut rules = Rules::new(profile, settings, options.lenient);
        let leads = settings.lead == Lead::AlongPath;
        let quantum_mm3 = rules.e_volume_mm3.map_or(0.0, |e_mm3| e_mm3 / power_of_ten(DECIMALS));
        let capacity = match settings.lead {
            // Such E tells neither how wide beads are nor what the part bears: that is told of the file before.
            Lead::AlongPath => Capacity::of_output(profile, quantum_mm3),
            _ if settings.is_rewritten => {
                let own = Capacity::of(profile);
                Capacity { leeway_mm3: quantum_mm3, peak_mm3_s: own.peak_mm3_s * (1.0 + ROUNDED), ..own }
            }
            _ => Capacity::of(profile),
        };
        // Nothing of such an output is to be changed any more.
        let passes = match leads {
            true => Passes { capacity: options.passes.capacity, ..Passes::NONE },
            false => options.passes,
        };
        let choice = assemble::choice(profile, passes, &capacity, rules.e_volume_mm3, settings.is_numbered);
        match purpose {
            // What a rewrite would split is named.
            Purpose::Audit => rules.excess_e = Excess::Report,
            Purpose::Rewrite => {
                rules.lag_taken_out = assemble::lag_taken_out(profile, choice.how);
                rules.keeps_turns = choice.how == How::Not;
                rules.has_own_e_unit = assemble::unit(profile, passes) != Unit::AsInFile;
                if rules.has_own_e_unit {
                    // What E words may hold is looked at where they are written.
                    (rules.max_e_only, rules.max_e_per_line) = (None, None);
                }
            }
        }
        let output_volumes = assemble::output_volumes(profile, passes, &rules);
        let (sways, cools) = (passes.softness, passes.layer_time);
        let terms = (sways || cools).then(|| Terms::of(profile, sways, cools)).flatten();
        let terms = terms.map(|terms| terms.without_turns(choice.how != How::Not));
        Ok(Self { profile, settings, options, purpose, rules, capacity, passes, choice, output_volumes, terms })
    }

    /// An output is written.
    pub fn writes(&self) -> bool {
        self.purpose == Purpose::Rewrite
    }

    /// What an output is fed is told by the turns that make up for the lag. Where none do, the file's reversals stay, or go
    /// with their refills, and what it lays is what is fed.
    pub fn feeds_by_account(&self) -> bool {
        self.writes() && matches!(self.choice.how, How::AlongPath | How::AtRest)
    }

    /// It is worked out what a rewrite makes of the file: nothing of one that was rewritten before.
    pub fn foretells(&self) -> bool {
        self.writes() || self.options.foretell && !self.settings.is_rewritten
    }

    /// Nothing lowers what is asked of the screw: it is reported.
    pub fn reports_demand(&self) -> bool {
        !(self.writes() && self.passes.capacity)
    }

    /// Limits of motion, and what E pushes, in the file.
    pub fn own_motion(&self) -> MotionRules {
        MotionRules::with_e(self.profile, EVolumes::of(&self.rules))
    }

    /// What the passes are put together by. `rules`: by which the output is executed.
    pub fn grounds<'b>(&'b self, rules: &'b MotionRules) -> Grounds<'b> {
        let Self { profile, passes, ref capacity, choice, ref terms, .. } = *self;
        Grounds { profile, passes, capacity, how: choice.how, terms: terms.as_ref(), rules }
    }

    /// Limits of motion, and what E pushes, in the output.
    pub fn output_motion(&self) -> MotionRules {
        MotionRules::with_e(self.profile, self.output_volumes)
    }

    /// What tells the screw; nothing is told where it is not worked out.
    pub fn drive(&self) -> Drive {
        let (passes, how) = if self.foretells() { (self.passes, self.choice.how) } else { (Passes::NONE, How::Not) };
        assemble::drive(self.profile, passes, &self.capacity, how, self.output_volumes)
    }

    /// The marker line of an output: short enough for every controller, plain ASCII, no parentheses.
    pub fn marker(&self) -> Vec<u8> {
        let mut text = MARKER.to_vec();
        let version = env!("CARGO_PKG_VERSION");
        let rest = format!(" {version}{MARKER_PROFILE}{}", self.profile.fingerprint());
        text.extend_from_slice(rest.as_bytes());
        text.extend_from_slice(match self.choice.how {
            How::AlongPath => MARKER_LEADS.as_bytes(),
            How::AtRest => MARKER_TURNS.as_bytes(),
            How::Not | How::ByController => &[],
        });
        // That of the input is not stated: the file does not say it either.
        let unit = assemble::unit(self.profile, self.passes);
        match assemble::output_volume(&unit, None) {
            Some(volume) => text.extend_from_slice(format!("{MARKER_E}{volume} mm3").as_bytes()),
            None if unit != Unit::AsInFile => text.extend_from_slice(MARKER_REV.as_bytes()),
            None => {}
        }
        text
    }

    /// The capacity by which an output is judged, in words: what it has beyond that of other files.
    pub fn told_capacity(&self) -> String {
        let (peak, sustained) = (self.capacity.peak_mm3_s, self.capacity.sustained_mm3_s);
        let kept_up = Capacity::of(self.profile).sustained_mm3_s;
        let stored = (sustained - kept_up) * self.capacity.window_s;
        let of_which = match stored < 0.05 {
            true => String::new(),
            false => {
                format!(
                    ": {kept_up:.1} mm³/s kept up, and {stored:.1} mm³ stored before the nozzle over {} s",
                    self.capacity.window_s
                )
            }
        };
        format!("{peak:.1} mm³/s at once, {sustained:.1} mm³/s on average{of_which}")
    }
}
