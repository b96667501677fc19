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

#[cfg(test)]
mod tests {
    use super::*;

    fn profile(set: &[&str]) -> Profile {
        let set: Vec<_> = set.iter().map(|text| text.parse().unwrap()).collect();
        Profile::embedded_with(&set).unwrap()
    }

    fn close(a: f64, b: f64) {
        assert!((a - b).abs() < 1e-9, "{a} {b}");
    }

    /// 50 mm³ a turn at 120 turns a minute are 100 mm³/s; the barrel melts 40 mm³/s of them, of which 0.8 may be asked.
    #[test]
    fn the_smaller_of_screw_and_melting_is_derated() {
        let screw = [
            "screw.specific_output_mm3_rev=50",
            "screw.max_speed_rpm=120",
            "screw.derate=0.8",
            "screw.sustained_flow_mm3_s=none",
        ];
        let capacity = Capacity::of(&profile(&[&screw[..], &["screw.melting_limit_mm3_s=40"]].concat()));
        close(capacity.peak_mm3_s, 32.0);
        close(capacity.sustained_mm3_s, 32.0);
        close(capacity.screw_mm3_s, 100.0);
        assert!(capacity.depends_on.contains(&"screw.melting_limit_mm3_s"), "{:?}", capacity.depends_on);
        let roomy = Capacity::of(&profile(&[&screw[..], &["screw.melting_limit_mm3_s=400"]].concat()));
        close(roomy.peak_mm3_s, 80.0);
    }

    /// Between 8 mm³/s at 20 and 15 at 60 turns a minute: 11.5 at 40.
    #[test]
    fn a_measured_curve_is_read_at_the_highest_speed() {
        let curve = ["screw.output_curve=[[20, 8], [60, 15]]", "screw.max_speed_rpm=40", "screw.derate=1"];
        let capacity = Capacity::of(&profile(&[&curve[..], &["screw.melting_limit_mm3_s=none"]].concat()));
        close(capacity.peak_mm3_s, 11.5);
        assert!(capacity.depends_on.contains(&"screw.output_curve"), "{:?}", capacity.depends_on);
    }

    #[test]
    fn stated_flows_win_and_no_average_is_above_the_peak() {
        let stated = ["screw.peak_flow_mm3_s=9", "screw.specific_output_mm3_rev=50", "screw.derate=0.5"];
        let capacity = |sustained: &str| Capacity::of(&profile(&[&stated[..], &[sustained]].concat()));
        let lower = capacity("screw.sustained_flow_mm3_s=6");
        assert_eq!([lower.peak_mm3_s, lower.sustained_mm3_s, lower.screw_mm3_s], [9.0, 6.0, 9.0]);
        assert!(!lower.depends_on.contains(&"screw.derate"), "{:?}", lower.depends_on);
        assert_eq!(capacity("screw.sustained_flow_mm3_s=12").sustained_mm3_s, 9.0);
    }

    /// A lag of 0.4 s at 100 mm³/s stores 40 mm³: 0.8 mm³/s of a window of 50 s, and 0.4 mm³ that nobody sees.
    #[test]
    fn an_output_may_run_ahead_by_what_is_stored() {
        let set = [
            "screw.specific_output_mm3_rev=50",
            "screw.max_speed_rpm=120",
            "screw.melting_limit_mm3_s=40",
            "screw.derate=0.8",
            "screw.melt_lag_s=0.4",
            "screw.sustained_flow_mm3_s=none",
            "screw.sustained_window_s=50",
        ];
        let capacity = Capacity::of_output(&profile(&set), 0.01);
        close(capacity.peak_mm3_s, 100.0);
        close(capacity.sustained_mm3_s, 32.8);
        close(capacity.leeway_mm3, 0.41);
        // Never above what the screw turns out.
        let short = Capacity::of_output(&profile(&[&set[..6], &["screw.sustained_window_s=0.5"]].concat()), 0.01);
        close(short.sustained_mm3_s, 100.0);
    }
}
