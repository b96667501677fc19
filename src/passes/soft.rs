//! What the soft part bears, put to single moves: accelerations along the axes that move it, speeds for the drag of the
//! nozzle, and slower beads where a layer has to cool.
//!
//! A controller that knows accelerations by axis gets one line where a layer changes them, and takes care of directions
//! itself. For others each move has the acceleration that its own direction bears.

use super::corners::{CornerWord, Corners};
use super::lag::accel::{Lowered, rounded};
use super::{Reason, Verdict};
use crate::motion::rules::{Held, MotionRules};
use crate::moves::Move;
use crate::moves::limits::MotionLimits;
use crate::soft::{KnownLimits, LayerLimits};
use crate::units::Bounded;

/// Speed and flow below which no bead is slowed for cooling.
#[derive(Clone, Copy, Debug)]
pub struct Least {
    /// Speed, mm/s.
    pub mm_s: f64,
    /// Flow, mm³/s.
    pub mm3_s: f64,
}

/// Puts what layers bear to moves.
#[derive(Clone, Debug)]
pub struct Soft {
    least: Least,
    axes: Option<AxisAccels>,
    corners: Option<Corners>,
    /// Beads gone past.
    beads: u64,
    /// The layer for which all that is to be set was set, if any; `Some(None)` is what comes behind all. Nothing changes
    /// until another layer, or limits of the file.
    settled: Option<Option<u32>>,
}

/// What is to be set before a move.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Words {
    /// Accelerations along X and Y, mm/s².
    pub accels: [Option<u32>; 2],
    /// The corner rule.
    pub corner: Option<CornerWord>,
}

impl Soft {
    /// `by_axis`: the rules of the machine, where the controller knows accelerations by axis; `corners`: the same, where
    /// it has a word for its corner rule.
    pub fn new(least: Least, by_axis: Option<&MotionRules>, corners: Option<&MotionRules>) -> Self {
        Self { least, axes: by_axis.map(AxisAccels::new), corners: corners.map(Corners::new), beads: 0, settled: None }
    }

    /// Whether each move gets an acceleration of its own.
    pub fn is_by_move(&self) -> bool {
        self.axes.is_none()
    }

    /// Lowers the speed of a bead; `top`: the speed it reaches without, mm/s; `limits`: those of its layer; `verdict`: what the
    /// screw leaves it. Shares are of that, so that beads go slower in proportion and a layer takes the time that was planned.
    #[inline]
    pub fn slow(&self, limits: &LayerLimits, step: &Move, top: f64, verdict: &mut Verdict) {
        if !step.is_screw_bead() || step.volume <= 0.0 {
            return;
        }
        let top = top.at_most(verdict.speed);
        verdict.limit(f64::from(limits.drag_mm_s), Reason::NozzleDrag);
        let share = if step.role.is_perimeter() { limits.perimeter_share } else { limits.bead_share };
        if share < 1.0 {
            let area = step.volume / step.length;
            let least = self.least.mm_s.at_least(self.least.mm3_s / area);
            verdict.limit((top * f64::from(share)).at_least(least), Reason::LayerTime);
        }
    }

    /// Highest acceleration along its path that a move may have for the part, mm/s²; infinite where nothing sways.
    pub fn accel(&self, known: &KnownLimits, step: &Move) -> f64 {
        if known.are_all(self.beads) { f64::INFINITY } else { Bears::new(known).accel(step) }
    }

    /// How many of the next moves have the limits of their layer. Behind the last bead nothing sways any more: all is free,
    /// and put back there.
    pub fn in_layers(&self, known: &KnownLimits, steps: &[Move]) -> usize {
        // Of nearly all blocks it is seen at once that the last bead is behind them.
        if !known.are_all(self.beads + steps.len() as u64) {
            return steps.len();
        }
        let mut beads = self.beads;
        let has_layer = |step: &&Move| {
            let has_layer = !known.are_all(beads);
            beads += u64::from(step.lays());
            has_layer
        };
        steps.iter().take_while(has_layer).count()
    }

    /// Goes past a move and gives what is to be set before it, if anything. `limits`: those the move sets itself.
    #[inline]
    pub fn words(&mut self, known: &KnownLimits, step: &Move, limits: Option<&MotionLimits>) -> Option<Words> {
        let layer = (!known.are_all(self.beads)).then_some(step.layer);
        self.beads += u64::from(step.lays());
        if limits.is_none() && self.settled == Some(layer) && !step.runs_commands() {
            return None;
        }
        self.look(known, step, layer, limits)
    }

    /// The layer in whose moves nothing is to be set, as long as none of them sets limits and no more than so many come.
    pub fn settled_in(&self, known: &KnownLimits, moves: usize) -> Option<u32> {
        self.settled.flatten().filter(|_| !known.are_all(self.beads + moves as u64))
    }

    /// Goes past a move of that layer.
    #[inline]
    pub fn pass(&mut self, step: &Move) {
        self.beads += u64::from(step.lays());
    }

    /// The same as [`Soft::words`] where something may have changed. `layer`: of the move; `None` behind the last bead.
    #[cold]
    fn look(
        &mut self,
        known: &KnownLimits,
        step: &Move,
        layer: Option<u32>,
        limits: Option<&MotionLimits>,
    ) -> Option<Words> {
        if let Some(limits) = limits {
            self.settled = None;
            self.axes.iter_mut().for_each(|axes| axes.follow(limits));
            self.corners.iter_mut().for_each(|corners| corners.follow(limits));
            return None;
        }
        // What a macro or a pause does is not to crawl.
        if step.runs_commands() {
            self.settled = None;
            return self.set(&LayerLimits::FREE);
        }
        // Numbered lines bear no others between them: what is in force stays.
        if step.length <= 0.0 || step.has(Move::NUMBERED) {
            return None;
        }
        self.settled = Some(layer);
        self.set(layer.map_or(&LayerLimits::FREE, |layer| known.of(layer)))
    }

    /// What is to be set for these limits.
    fn set(&mut self, now: &LayerLimits) -> Option<Words> {
        let accels = self.axes.as_mut().map_or([None; 2], |axes| axes.next(now));
        let set = self.axes.as_ref().map_or([f64::INFINITY; 2], AxisAccels::set);
        let corner = self.corners.as_mut().and_then(|corners| corners.next(now, set));
        let words = Words { accels, corner };
        (words != Words::default()).then_some(words)
    }

    /// What is set over the limits of the file.
    pub fn held(&self) -> Held {
        Held {
            corner: self.corners.as_ref().and_then(Corners::set),
            axis_accel: self.axes.as_ref().map_or([None; 2], |axes| axes.written),
        }
    }

    /// Acceleration along its path that what was set by axis leaves a move, mm/s².
    pub fn left(&self, step: &Move) -> f64 {
        self.axes
            .as_ref()
            .filter(|axes| axes.written != [None; 2])
            .map_or(f64::INFINITY, |axes| along(step, axes.set()))
    }
}

/// What moves bear in their layers: most are in that of the one before.
#[derive(Clone, Copy, Debug)]
pub struct Bears<'a> {
    known: &'a KnownLimits,
    layer: u32,
    accel_mm_s2: [f64; 2],
    /// Nothing bounds them.
    is_free: bool,
}

impl<'a> Bears<'a> {
    /// Before the first move.
    pub fn new(known: &'a KnownLimits) -> Self {
        Self { known, layer: 0, accel_mm_s2: [f64::INFINITY; 2], is_free: true }.in_layer(0)
    }

    fn in_layer(self, layer: u32) -> Self {
        let accel_mm_s2 = self.known.of(layer).accel_mm_s2.map(f64::from);
        Self { layer, accel_mm_s2, is_free: accel_mm_s2 == [f64::INFINITY; 2], ..self }
    }

    /// Highest acceleration along its path that a move may have for the part, mm/s²; infinite where nothing sways.
    #[inline]
    pub fn accel(&mut self, step: &Move) -> f64 {
        if step.layer != self.layer {
            *self = self.in_layer(step.layer);
        }
        if self.is_free { f64::INFINITY } else { along(step, self.accel_mm_s2) }
    }
}

/// Acceleration along a path where each axis has its own, mm/s².
fn along(step: &Move, axes: [f64; 2]) -> f64 {
    if step.length <= 0.0 {
        return f64::INFINITY;
    }
    let [x, y] = axes;
    // Somewhere an arc runs along each axis.
    if step.has(Move::ARC) {
        return x.at_most(y);
    }
    let [dx, dy, _] = step.delta.map(f64::abs);
    // What does not run along an axis is divided by zero: nothing bounds it.
    let [x, y] = [x * step.length / dx, y * step.length / dy];
    f64::INFINITY.at_most(x).at_most(y)
}

/// Accelerations of the file along X and Y, mm/s². What is set for an axis without a limit of its own has to be put back to
/// something: the machine's own is above what any path asks.
pub fn plane_accels(base: &MotionRules, file: &MotionRules) -> [f64; 2] {
    let [x, y, ..] = file.axis_accel;
    [x, y].map(|accel| if accel < f64::INFINITY { accel } else { base.print_accel.at_least(base.travel_accel) })
}

/// Follows accelerations by axis in the output.
#[derive(Clone, Debug)]
struct AxisAccels {
    base: MotionRules,
    /// What the file has in force along X and Y, mm/s².
    file: [f64; 2],
    /// What was written, where it differs.
    written: [Option<f64>; 2],
}

impl AxisAccels {
    fn new(rules: &MotionRules) -> Self {
        Self { base: *rules, file: plane_accels(rules, rules), written: [None; 2] }
    }

    /// What was set along X and Y, mm/s²; infinite where nothing was.
    fn set(&self) -> [f64; 2] {
        self.written.map(|set| set.unwrap_or(f64::INFINITY))
    }

    /// The file sets limits of motion.
    fn follow(&mut self, limits: &MotionLimits) {
        let now = plane_accels(&self.base, &self.base.with(limits));
        for axis in [0, 1] {
            if now[axis] != self.file[axis] || limits.sets_axis_accel[axis] {
                (self.file[axis], self.written[axis]) = (now[axis], None);
            }
        }
    }

    /// What is to be set for a layer that bears `now`.
    fn next(&mut self, now: &LayerLimits) -> [Option<u32>; 2] {
        let mut words = [None; 2];
        for (axis, word) in words.iter_mut().enumerate() {
            let own = self.file[axis];
            let (set, bears) = (self.written[axis].unwrap_or(own), f64::from(now.accel_mm_s2[axis]));
            if let Some(wanted) = (Lowered { own, set, bears }).next(rounded) {
                self.written[axis] = (wanted < own).then_some(wanted);
                *word = Some(wanted as u32);
            }
        }
        words
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::moves::Kind;
    use crate::moves::Role;
    use crate::moves::sample;
    use crate::profile::Profile;

    const LEAST: Least = Least { mm_s: 5.0, mm3_s: 0.5 };

    fn known(layers: &[LayerLimits]) -> KnownLimits {
        KnownLimits::of_layers(layers.to_vec())
    }

    fn bears(y: f32) -> LayerLimits {
        LayerLimits { accel_mm_s2: [f32::INFINITY, y], ..LayerLimits::FREE }
    }

    #[test]
    fn directions_share_what_an_axis_bears() {
        let (soft, known) = (Soft::new(LEAST, None, None), known(&[bears(100.0)]));
        let mut step = Move { layer: 1, delta: [6.0, 8.0, 0.0], ..sample::bead(10.0, 1.0) };
        assert!((soft.accel(&known, &step) - 125.0).abs() < 1e-9, "0.8 of it runs along Y");
        step.delta = [10.0, 0.0, 0.0];
        assert_eq!(soft.accel(&known, &step), f64::INFINITY);
        step.flags |= Move::ARC;
        assert_eq!(soft.accel(&known, &step), 100.0, "an arc runs along every axis somewhere");
        step.layer = 2;
        assert_eq!(soft.accel(&known, &step), f64::INFINITY, "no such layer");
    }

    /// Three beads are all of the file.
    #[test]
    fn moves_behind_the_last_bead_have_no_layer() {
        let (mut soft, known) = (Soft::new(LEAST, None, None), known(&[bears(100.0)]).with_beads(3));
        let bead = Move { layer: 1, delta: [0.0, 10.0, 0.0], ..sample::bead(10.0, 1.0) };
        let travel = Move { kind: Kind::Travel, ..bead };
        let steps = [bead, travel, bead, bead, travel, travel];
        assert_eq!([6, 4, 2].map(|count| soft.in_layers(&known, &steps[..count])), [4, 4, 2]);
        for (index, step) in steps.iter().enumerate() {
            assert_eq!(soft.in_layers(&known, &steps[index..]), 4_usize.saturating_sub(index));
            assert_eq!(soft.accel(&known, step).is_finite(), index < 4, "{index}");
            soft.words(&known, step, None);
        }
    }

    #[test]
    fn axes_get_words_where_layers_change_them() {
        let rules = MotionRules::of(&Profile::load("[controller]\npreset = \"board\"\n", "own").unwrap());
        let layers = [bears(f32::INFINITY), bears(437.0), bears(420.0), bears(500.0), bears(f32::INFINITY)];
        let (mut soft, known) = (Soft::new(LEAST, Some(&rules), None), known(&layers));
        let words: Vec<_> = (1..=5)
            .map(|layer| {
                let step = Move { layer, delta: [0.0, 10.0, 0.0], ..sample::bead(10.0, 1.0) };
                let words = soft.words(&known, &step, None).unwrap_or_default().accels;
                assert_eq!(soft.words(&known, &step, None), None, "once a layer");
                (words[1], soft.left(&step))
            })
            .collect();
        let inf = f64::INFINITY;
        assert_eq!(words, [(None, inf), (Some(430), 430.0), (Some(420), 420.0), (None, 420.0), (Some(3000), inf)]);
    }

    #[test]
    fn beads_are_slowed_for_cooling_down_to_what_is_even() {
        let limits = LayerLimits { bead_share: 0.5, perimeter_share: 0.8, ..LayerLimits::FREE };
        let (soft, known) = (Soft::new(LEAST, None, None), known(&[limits]));
        let step = Move { layer: 1, speed: 40.0, ..sample::bead(10.0, 1.0) };
        let speed = |step: &Move, top: f64| {
            let mut verdict = Verdict { speed: step.speed, reason: None };
            soft.slow(known.of(step.layer), step, top, &mut verdict);
            verdict.speed
        };
        assert_eq!(speed(&step, 40.0), 20.0);
        let perimeter = speed(&Move { role: Role::OuterPerimeter, ..step }, 40.0);
        assert!((perimeter - 32.0).abs() < 1e-5, "{perimeter}");
        assert_eq!(speed(&step, 6.0), 5.0, "5 mm/s, and 0.5 mm³/s over 0.1 mm²");
        assert_eq!(speed(&Move { kind: Kind::Travel, ..step }, 40.0), 40.0);
        assert_eq!(speed(&Move { speed: 16.0, ..step }, 40.0), 8.0, "of what the screw leaves");
    }
}
