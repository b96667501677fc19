//! How output follows screw speed: which curve the weighings call for, and how well they tie it down.
//!
//! Everything is fitted to the output of one turn, y = q/N: errors of a weighing grow with the flow, so that equal
//! shares of the flow count the same. A proportional curve q = cN is a constant y, a drooping one q = cN - bN² a falling
//! straight line y = c - bN.

use serde::Serialize;

use super::CONFIDENCE;
use super::evidence::{Evidence, Group, POINTS, Point, groups};
use crate::physics::monotone::MonotoneCubic;
use crate::physics::regression::LeastSquares;
use crate::physics::student::t_factor;

/// Chance below which a bend is taken for real: it costs one more number.
const BEND: f64 = 0.05;
/// Fewest speeds with a rising flow for a curve through points.
const LEAST_THROUGH: usize = 3;
/// Fewest degrees of freedom among repeats for a test against their scatter.
const REPEATS: usize = 2;
/// By how much the corrected information criterion has to fall for a bend; about the same evidence as [`BEND`].
const CRITERION: f64 = 2.0;
/// What is said of speeds that differ without order.
const NO_ORDER: &str = "No rising curve fits these weighings: some speeds differ by more than their repeats do, without \
    order. The same output at every speed is taken until those speeds have been weighed again.";
/// What is said of a bend that no drooping curve follows.
const NO_DROOP: &str = "No drooping curve can follow that: its output of a turn falls, and its flow rises all the way.";
/// What to do about it where too little was weighed for a curve through points.
const MORE_SPEEDS: &str = "Weigh three speeds or more, each of them twice or more, so that a curve through points can be \
    taken; the same output at every speed is taken until then.";
/// The same where only repeats are missing.
const MORE_REPEATS: &str = "Weigh each speed again, so that a curve through points can be taken; the same output at every \
    speed is taken until then.";
/// The same where all was weighed that such a curve needs.
const NO_RISE: &str = "No curve through points can either, as the flow rises over fewer than three speeds. The same output \
    at every speed is taken until three speeds or more have been weighed below the one at which the flow stops rising.";
/// What follows from that where enough was weighed.
const THROUGH: &str = "A smooth rising curve through the mean of each speed is taken.";

/// The form of a curve.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(tag = "model", rename_all = "kebab-case")]
pub enum Model {
    /// The same output with every turn.
    Proportional {
        /// Output of one turn, mm³/rev.
        specific_output_mm3_rev: f64,
    },
    /// The output of a turn falls evenly with speed.
    Drooping {
        /// Output of one turn of a slow screw, mm³/rev.
        slow_mm3_rev: f64,
        /// How much of it is lost with each rev/min, mm³/rev; above 0.
        fall_mm3_rev_per_rpm: f64,
    },
    /// A smooth rising curve through the mean of each speed.
    Points,
}

/// Flow at one speed.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Estimate {
    /// Screw speed, rev/min.
    pub rpm: f64,
    /// Flow, mm³/s.
    pub flow_mm3_s: f64,
    /// The mean flow lies within plus and minus this, mm³/s.
    pub confidence_mm3_s: f64,
    /// The next single weighing lies within plus and minus this, mm³/s.
    pub prediction_mm3_s: f64,
}

/// A chosen curve.
#[derive(Clone, Debug, PartialEq)]
pub struct Curve {
    /// Its form.
    pub model: Model,
    /// Why this one, in whole sentences.
    pub reasons: Vec<String>,
    /// Whether nothing speaks against it; a simple curve may be all that is left where nothing fits.
    pub fits: bool,
    /// Standard deviation of single weighings about the curve, as a share of the output.
    pub residual_share: f64,
    /// Degrees of freedom behind it.
    pub residual_df: usize,
    /// Lowest and highest speed it rests on, rev/min.
    pub range_rpm: [f64; 2],
    /// Speeds above the range that were weighed, but where the flow no longer rises.
    pub starved_rpm: Vec<f64>,
    pub(super) groups: Vec<Group>,
    shape: Shape,
    /// Standard deviation of the output of one turn, mm³/rev.
    sd: f64,
}

#[derive(Clone, Debug, PartialEq)]
enum Shape {
    /// Output of one turn is a sum of 1 and, if there are two terms, the speed.
    Line(LeastSquares),
    /// Flow follows this curve; the groups it goes through.
    Through(MonotoneCubic, Vec<Group>),
}

impl Curve {
    /// Chooses the curve that the weighings call for; `None` for fewer than two points.
    ///
    /// With repeats (two degrees of freedom among them or more): a bend is taken if the extra sum of squares it explains is
    /// beyond chance (F test, 5 %); a curve through points if neither simple curve passes the test for lack of fit
    /// against the scatter of the repeats (1 %), or if the bend is beyond chance but none that a drooping curve can follow:
    /// a mean of all speeds would lie further off at both ends than its band says, while the means of the speeds hold
    /// theirs whether the bend is real or not. Without repeats, from five weighings on, a bend is taken if it lowers
    /// the information criterion corrected for few points by 2 or more. Fewer weighings give the simplest curve.
    ///
    /// `noise_share` is the error of single weighings that is known beforehand, from the steps of the scale; scatter is
    /// never taken to be less.
    ///
    /// # Source
    /// N. R. Draper, H. Smith, *Applied Regression Analysis* (extra sum of squares, lack of fit); N. Sugiura, *Further
    /// Analysis of the Data by Akaike's Information Criterion and the Finite Corrections*, Comm. Stat. A7 (1978) 13-26.
    /// Both from memory.
    pub fn choose(points: &[Point], noise_share: f64) -> Option<Self> {
        let evidence = Evidence::gather(points, noise_share)?;
        let groups = groups(points);
        let (first, last) = (groups.first()?, groups.last()?);
        if groups.len() == 1 {
            let reason = "One speed only: whether the output of a turn changes with speed cannot be seen.";
            return Some(Self::simple(&evidence.straight, &evidence, &groups, vec![reason.to_owned()]));
        }
        let range = format!("from {} to {} rev/min", short(first.rpm), short(last.rpm));
        let [start, end] = [first, last]
            .map(|group| evidence.bent.as_ref().map_or(evidence.mean, |line| line.value_at(&[1.0, group.rpm])));
        let moves = if start.min(end) <= 0.0 {
            format!("An evenly changing output of a turn would be below nothing somewhere {range}")
        } else {
            let way = if end < start { "falls" } else { "rises" };
            format!("The output of a turn {way} by {:.1} % {range}", 100.0 * (end / start - 1.0).abs())
        };
        // A drooping curve that can be printed by.
        let bent = evidence.bent.as_ref().filter(|fit| rises_to(fit, last.rpm));
        Some(if evidence.repeats.1 < REPEATS {
            Self::without_repeats(&evidence, &groups, bent, &moves)
        } else {
            Self::with_repeats(&evidence, &groups, bent, &moves)
        })
    }

    /// The information criterion decides: one repeat says next to nothing of scatter.
    fn without_repeats(evidence: &Evidence, groups: &[Group], bent: Option<&LeastSquares>, moves: &str) -> Self {
        let simple = |fit, reason| Self::simple(fit, evidence, groups, vec![reason]);
        let straight = &evidence.straight;
        let with = if evidence.repeats.1 == 0 { "without repeats" } else { "with a single repeat" };
        let Some(gain) = evidence.criterion_gain() else {
            let count = evidence.points;
            let reason =
                format!("{count} weighings {with} cannot tell a bend from scatter; the simplest curve is taken.");
            return simple(straight, reason);
        };
        match bent {
            _ if gain < CRITERION => simple(
                straight,
                format!(
                    "{moves}; {with} that is no proof of a bend, for which the corrected information criterion \
                     would have to fall by 2 (it changes by {:+.1}).",
                    -gain
                ),
            ),
            Some(fit) => simple(
                fit,
                format!("{moves}; a bend lowers the corrected information criterion by {gain:.1}, and 2 is enough."),
            ),
            None => {
                let more = if evidence.groups < LEAST_THROUGH { MORE_SPEEDS } else { MORE_REPEATS };
                Self { fits: false, ..simple(straight, format!("{moves}. {NO_DROOP} {more}")) }
            }
        }
    }

    /// The scatter of the repeats decides.
    fn with_repeats(evidence: &Evidence, groups: &[Group], bent: Option<&LeastSquares>, moves: &str) -> Self {
        let misfit = evidence.lack_of_fit(Some(&evidence.straight));
        let misfit_bent = evidence.lack_of_fit(evidence.bent.as_ref());
        let bend = evidence.bend(misfit_bent);
        let moves = format!("{moves}; chance alone would show that much in {} of such tests.", chance(bend));
        // Whether the speeds differ in a way that no drooping curve follows.
        let unfollowed = bent.is_none() && (misfit < POINTS || bend < BEND);
        let neither = misfit < POINTS && misfit_bent < POINTS;
        if unfollowed || neither {
            let reasons = if neither {
                vec![format!(
                    "The speeds differ by more than repeats do, both from the same output at every speed (chance {}) \
                     and from an evenly changing one ({}).",
                    chance(misfit),
                    chance(misfit_bent)
                )]
            } else {
                vec![moves.clone(), NO_DROOP.to_owned()]
            };
            if let Some(through) = Self::through(evidence, groups, reasons) {
                return through;
            }
        }
        // A bend has to be called for, by itself or because nothing else fits, and has to fit.
        if let Some(fit) = bent.filter(|_| misfit_bent >= POINTS && (bend < BEND || misfit < POINTS)) {
            let reason = if evidence.groups > 2 {
                let fits = chance(misfit_bent);
                format!("About an evenly falling line the speeds scatter no more than repeats do (chance {fits}).")
            } else {
                "Two speeds only: that the output falls evenly is assumed.".to_owned()
            };
            return Self::simple(fit, evidence, groups, vec![moves, reason]);
        }
        let fits = misfit >= POINTS && (bend >= BEND || bent.is_some());
        let reason = if fits {
            format!("The same output at every speed fits as well as repeats agree (chance {}).", chance(misfit))
        } else if neither {
            NO_ORDER.to_owned()
        } else {
            let more = if evidence.groups < LEAST_THROUGH { MORE_SPEEDS } else { NO_RISE };
            format!("{NO_DROOP} {more}")
        };
        Self { fits, ..Self::simple(&evidence.straight, evidence, groups, vec![moves, reason]) }
    }

    fn simple(fit: &LeastSquares, evidence: &Evidence, groups: &[Group], reasons: Vec<String>) -> Self {
        let model = match fit.coefficients.as_slice() {
            [slow, slope] => Model::Drooping { slow_mm3_rev: *slow, fall_mm3_rev_per_rpm: -slope },
            coefficients => {
                Model::Proportional { specific_output_mm3_rev: coefficients.first().copied().unwrap_or(evidence.mean) }
            }
        };
        let sd = fit.residual_sd.max(evidence.floor.sqrt());
        Self {
            model,
            reasons,
            fits: true,
            residual_share: sd / evidence.mean,
            residual_df: fit.residual_df,
            range_rpm: [groups.first().map_or(0.0, |g| g.rpm), groups.last().map_or(0.0, |g| g.rpm)],
            starved_rpm: Vec::new(),
            groups: groups.to_vec(),
            shape: Shape::Line(fit.clone()),
            sd,
        }
    }

    /// The curve through the means of the speeds, as far as they rise; `None` if fewer than three do. `reasons`: why.
    fn through(evidence: &Evidence, groups: &[Group], mut reasons: Vec<String>) -> Option<Self> {
        let mut most = 0.0;
        let rising = groups.iter().take_while(|group| {
            let rises = group.flow() > most;
            most = group.flow();
            rises
        });
        let rising: Vec<Group> = rising.cloned().collect();
        let nodes: Vec<[f64; 2]> =
            std::iter::once([0.0, 0.0]).chain(rising.iter().map(|group| [group.rpm, group.flow()])).collect();
        let (first, last) = (rising.first()?, rising.last()?);
        if rising.len() < LEAST_THROUGH {
            return None;
        }
        let curve = MonotoneCubic::new(&nodes)?;
        let (squares, df) = evidence.repeats;
        let sd = (squares / df as f64).sqrt().max(evidence.floor.sqrt());
        reasons.push(THROUGH.to_owned());
        Some(Self {
            model: Model::Points,
            reasons,
            fits: true,
            residual_share: sd / evidence.mean,
            residual_df: df,
            range_rpm: [first.rpm, last.rpm],
            starved_rpm: groups.iter().skip(rising.len()).map(|group| group.rpm).collect(),
            groups: groups.to_vec(),
            shape: Shape::Through(curve, rising),
            sd,
        })
    }

    /// Flow at a speed, rev/min; meant for 0 up to the end of the range.
    pub fn flow_mm3_s(&self, rpm: f64) -> f64 {
        match &self.shape {
            Shape::Line(fit) => fit.value_at(&[1.0, rpm]) * rpm / 60.0,
            Shape::Through(curve, _) => curve.at(rpm),
        }
    }

    /// Flow at a speed with its bands; meant for 0 up to the end of the range.
    ///
    /// Of a curve through points the bands are those of the means, as shares of the flow, straight in between.
    pub fn at(&self, rpm: f64) -> Estimate {
        let flow = self.flow_mm3_s(rpm);
        let factor = t_factor(CONFIDENCE, self.residual_df as f64).unwrap_or(f64::NAN);
        let (mean, single) = match &self.shape {
            Shape::Line(fit) => {
                let row: &[f64] = &[1.0, rpm];
                let variance = fit.variance_at(row.get(..fit.coefficients.len()).unwrap_or(row));
                (variance.sqrt() * self.sd * rpm / 60.0, self.sd * rpm / 60.0)
            }
            Shape::Through(_, nodes) => {
                let share = |group: &Group| self.sd / group.per_turn / (group.members.len() as f64).sqrt();
                let nodes: Vec<[f64; 2]> = nodes.iter().map(|group| [group.rpm, share(group)]).collect();
                (between(&nodes, rpm) * flow, self.residual_share * flow)
            }
        };
        Estimate {
            rpm,
            flow_mm3_s: flow,
            confidence_mm3_s: factor * mean,
            prediction_mm3_s: factor * mean.hypot(single),
        }
    }

    /// The terms of the curve at each point, for fits of its output of one turn together with other causes.
    pub(super) fn columns(&self, points: &[Point]) -> Vec<Vec<f64>> {
        match &self.shape {
            Shape::Line(fit) if fit.coefficients.len() == 1 => vec![vec![1.0; points.len()]],
            Shape::Line(_) => vec![vec![1.0; points.len()], points.iter().map(|point| point.rpm).collect()],
            Shape::Through(..) => self
                .groups
                .iter()
                .map(|group| {
                    (0..points.len()).map(|index| f64::from(u8::from(group.members.contains(&index)))).collect()
                })
                .collect(),
        }
    }
}

/// Whether a drooping curve falls with speed at all, and its flow still rises at the fastest speed.
fn rises_to(fit: &LeastSquares, fastest: f64) -> bool {
    matches!(fit.coefficients.as_slice(), [slow, slope] if *slope < 0.0 && slow + 2.0 * slope * fastest > 0.0)
}

/// Straight between the nodes, constant beyond them.
fn between(nodes: &[[f64; 2]], x: f64) -> f64 {
    let mut before: Option<[f64; 2]> = None;
    for node in nodes {
        if x <= node[0] {
            return before.map_or(node[1], |[x0, y0]| y0 + (node[1] - y0) * (x - x0) / (node[0] - x0));
        }
        before = Some(*node);
    }
    before.map_or(0.0, |node| node[1])
}

/// A chance in words.
fn chance(p: f64) -> String {
    if p < 1e-4 {
        "less than 0.01 %".to_owned()
    } else if p < 0.01 {
        format!("{:.2} %", p * 100.0)
    } else {
        format!("{:.0} %", p * 100.0)
    }
}

/// A speed as it was typed, without digits of rounding.
fn short(rpm: f64) -> String {
    format!("{}", (rpm * 1e3).round() / 1e3)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn points(rows: &[(f64, f64)]) -> Vec<Point> {
        rows.iter().map(|(rpm, per_turn)| Point { rpm: *rpm, flow_mm3_s: per_turn * rpm / 60.0 }).collect()
    }

    #[test]
    fn two_weighings_of_one_speed_by_hand() {
        // 20 and 22 mm³/rev: mean 21, sd sqrt(2), t(0.95, 1) = 12.706; mean within 12.706 * sqrt(2) / sqrt(2) at 60.
        let curve = Curve::choose(&points(&[(60.0, 20.0), (60.0, 22.0)]), 0.0).expect("two points");
        assert!(matches!(curve.model, Model::Proportional { specific_output_mm3_rev: y } if (y - 21.0).abs() < 1e-12));
        let at = curve.at(60.0);
        assert!((at.flow_mm3_s - 21.0).abs() < 1e-12 && (at.confidence_mm3_s - 12.706).abs() < 1e-3);
        assert!((at.prediction_mm3_s - 12.706_205 * 3.0_f64.sqrt()).abs() < 1e-4);
        assert!(Curve::choose(&points(&[(60.0, 20.0)]), 0.0).is_none());
    }

    #[test]
    fn equal_weighings_scatter_as_much_as_the_scale_hides() {
        let curve = Curve::choose(&points(&[(60.0, 20.0); 4]), 0.01).expect("four points");
        assert!((curve.residual_share - 0.01).abs() < 1e-12);
        assert!(curve.at(60.0).confidence_mm3_s > 0.0);
        let curve = Curve::choose(&points(&[(20.0, 20.0), (40.0, 20.0), (20.0, 20.0), (40.0, 20.0)]), 0.0);
        assert!(matches!(curve.expect("four points").model, Model::Proportional { .. }));
    }

    #[test]
    fn without_repeats_the_criterion_decides() {
        let steady = points(&[(20.0, 20.1), (40.0, 19.9), (60.0, 20.2), (80.0, 19.8), (100.0, 20.0)]);
        assert!(matches!(Curve::choose(&steady, 0.0).expect("points").model, Model::Proportional { .. }));
        let falling = points(&[(20.0, 20.0), (40.0, 19.1), (60.0, 17.9), (80.0, 17.0), (100.0, 16.0)]);
        assert!(matches!(Curve::choose(&falling, 0.0).expect("points").model, Model::Drooping { .. }));
        let few = points(&[(20.0, 20.0), (40.0, 18.0), (60.0, 16.0)]);
        assert!(matches!(Curve::choose(&few, 0.0).expect("points").model, Model::Proportional { .. }));
        let reasons = |rows: &[(f64, f64)]| Curve::choose(&points(rows), 0.0).expect("points").reasons.join(" ");
        assert!(reasons(&[(24.0, 20.0), (48.0, 19.0), (96.0, 18.0)]).starts_with("3 weighings without repeats cannot"));
        assert!(
            reasons(&[(24.0, 20.0), (24.0, 20.2), (48.0, 19.0)]).starts_with("3 weighings with a single repeat cannot")
        );
    }

    #[test]
    fn reasons_fit_what_was_seen() {
        let reasons = |rows: &[(f64, f64)]| Curve::choose(&points(rows), 0.0).expect("points").reasons.join(" ");
        let two_rising = [(20.0, 10.0), (20.0, 10.1), (40.0, 15.0), (40.0, 15.1)];
        assert!(reasons(&two_rising).contains("rises by") && reasons(&two_rising).contains(NO_DROOP));
        let once_rising = [(20.0, 10.0), (40.0, 12.0), (60.0, 14.1), (80.0, 16.0), (100.0, 18.0)];
        assert!(reasons(&once_rising).contains(NO_DROOP));
        let steady = [(20.0, 10.0), (20.0, 10.2), (40.0, 10.1), (40.0, 10.3), (60.0, 10.2), (60.0, 10.0)];
        assert!(reasons(&steady).contains("fits as well as repeats agree"));
        let jumping = [(20.0, 10.0), (20.0, 10.1), (40.0, 4.0), (40.0, 4.1), (60.0, 9.0), (60.0, 9.1)];
        assert!(reasons(&jumping).contains("without order"), "{}", reasons(&jumping));
        assert!(reasons(&[(20.0, 10.0), (20.0, 10.1)]).contains("One speed only"));
        // From 30 to 3, nine tenths of the 30, though more than all of their mean.
        let falling = [(20.0, 29.9), (20.0, 30.1), (100.0, 2.9), (100.0, 3.1)];
        assert!(reasons(&falling).starts_with("The output of a turn falls by 90.0 % from 20 to 100 rev/min"));
        // The line through 30, 2, 2 and 2 at 20, 40, 60 and 80 is 21.6 at first and -3.6 at last.
        let gone = [20.0, 40.0, 60.0, 80.0].map(|rpm| [(rpm, if rpm < 30.0 { 30.0 } else { 2.0 }); 2]).concat();
        assert!(reasons(&gone).contains("somewhere from 20 to 80 rev/min") || reasons(&gone).contains("smooth rising"));
    }

    #[test]
    fn a_rising_output_of_a_turn_goes_through_its_points() {
        let rising = points(&[(20.0, 10.0), (20.0, 10.1), (40.0, 15.0), (40.0, 15.1), (60.0, 17.0), (60.0, 17.1)]);
        let curve = Curve::choose(&rising, 0.0).expect("points");
        assert_eq!(curve.model, Model::Points);
        assert!((curve.flow_mm3_s(40.0) - 15.05 * 40.0 / 60.0).abs() < 1e-9);
    }

    #[test]
    fn a_starved_top_is_left_out() {
        let rows: Vec<(f64, f64)> = [(20.0, 20.0), (40.0, 20.0), (60.0, 20.0), (80.0, 14.0)]
            .iter()
            .flat_map(|(rpm, y)| [-0.1, 0.0, 0.1].map(|off| (*rpm, y + off)))
            .collect();
        let curve = Curve::choose(&points(&rows), 0.0).expect("points");
        assert_eq!(
            (curve.model, curve.range_rpm, curve.starved_rpm.as_slice()),
            (Model::Points, [20.0, 60.0], &[80.0][..])
        );
    }
}
