//! What the screw can give.

use crate::physics::screw::output_from_curve;
use crate::profile::{Output, Profile};
use crate::units::{RotationSpeed, SpecificOutput, VolumeFlow};

/// Share of what lies between screw and nozzle that a single move may lack without being seen: the flow then is off by as
/// much. Common practice, no source.
const UNSEEN_SHARE: f64 = 0.01;

/// The capacity of a profile's screw.
#[derive(Clone, Debug, PartialEq)]
pub struct Capacity {
    /// Most a single move may ask, mm³/s.
    pub peak_mm3_s: f64,
    /// Most the moving average may ask, mm³/s; at most the peak.
    pub sustained_mm3_s: f64,
    /// Window of the moving average, s.
    pub window_s: f64,
    /// Flow at the highest screw speed, the bound of extrusion without motion, mm³/s.
    pub screw_mm3_s: f64,
    /// What a move holds above a limit by no more than this does not count, mm³.
    pub leeway_mm3: f64,
    /// Keys of the profile that these follow from.
    pub depends_on: Vec<&'static str>,
}

impl Capacity {
    /// Computes the capacity.
    ///
    /// Flows stated in the profile win over everything computed. Otherwise the peak is the smaller of the output at
    /// the highest screw speed and the melting limit, times the derating factor; the sustained capacity is the peak
    /// unless one is stated.
    pub fn of(profile: &Profile) -> Self {
        let screw = &profile.screw;
        let mut depends_on = Vec::new();
        let at_max_speed = || {
            let speed = RotationSpeed::from_rpm(screw.max_speed_rpm.value);
            match &screw.output.value {
                Output::Constant(mm3_rev) => SpecificOutput::from_mm3_rev(*mm3_rev) * speed,
                Output::Curve(points) => output_from_curve(points, speed),
            }
            .as_mm3_s()
        };
        let output_key = match &screw.output.value {
            Output::Constant(_) => "screw.specific_output_mm3_rev",
            Output::Curve(_) => "screw.output_curve",
        };
        let (peak, screw_flow) = match screw.peak_flow_mm3_s.value {
            Some(stated) => {
                depends_on.push("screw.peak_flow_mm3_s");
                (stated, stated)
            }
            None => {
                depends_on.extend([output_key, "screw.max_speed_rpm"]);
                let output = at_max_speed();
                let mut limit = VolumeFlow::from_mm3_s(output);
                if let Some(melting) = screw.melting_limit_mm3_s.value {
                    depends_on.push("screw.melting_limit_mm3_s");
                    limit = limit.min(VolumeFlow::from_mm3_s(melting));
                }
                depends_on.push("screw.derate");
                (limit.as_mm3_s() * screw.derate.value, output)
            }
        };
        let sustained = match screw.sustained_flow_mm3_s.value {
            Some(stated) => {
                depends_on.push("screw.sustained_flow_mm3_s");
                stated.min(peak)
            }
            None => peak,
        };
        depends_on.push("screw.sustained_window_s");
        Self {
            peak_mm3_s: peak,
            sustained_mm3_s: sustained,
            window_s: screw.sustained_window_s.value,
            screw_mm3_s: screw_flow,
            leeway_mm3: 0.0,
            depends_on,
        }
    }

    /// The capacity by which an output of this program is judged. E leads the flow there: up to the highest speed of the
    /// screw, and ahead of a window by what then lies between screw and nozzle, the lag times that flow. `quantum_mm3`: of
    /// the last decimal of E, by which the E of a move may be off.
    pub fn of_output(profile: &Profile, quantum_mm3: f64) -> Self {
        let mut capacity = Self::of(profile);
        let stored_mm3 = profile.screw.melt_lag_s.value * capacity.screw_mm3_s;
        capacity.leeway_mm3 = quantum_mm3 + UNSEEN_SHARE * stored_mm3;
        capacity.peak_mm3_s = capacity.screw_mm3_s;
        capacity.sustained_mm3_s = (capacity.sustained_mm3_s + stored_mm3 / capacity.window_s).min(capacity.peak_mm3_s);
        capacity.depends_on.push("screw.melt_lag_s");
        capacity
    }
}
