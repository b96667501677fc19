//! Layers in time: how long each has taken, and how long the head stays away before the next.

use super::scribe::short;
use crate::findings::{Code, Findings, Place};
use crate::moves::Move;
use crate::moves::limits::MotionLimits;
use crate::passes::soft::{Soft, Words};
use crate::soft::{Band, Bands, KnownLimits};

/// Shorter waits are left out, s: what they would cool is lost in what is not known of the air.
const LEAST_WAIT_S: f64 = 0.25;
/// The same as a share of the least time of the layer.
const LEAST_WAIT_SHARE: f64 = 0.03;

/// Follows the layers of the output.
#[derive(Clone, Debug)]
pub struct Stay {
    soft: Soft,
    /// Layer at hand, what it needs and what it has taken so far, s.
    layer: u32,
    /// Its height, mm.
    z_mm: f64,
    least_s: f64,
    taken_s: f64,
    /// Of that, waits.
    waited_s: f64,
    /// There is an output, whose layers take these times.
    is_written: bool,
    /// Waits written.
    pub waits: u64,
    /// Their time, ways there and back included, s.
    pub waited_in_all_s: f64,
    /// Times of the output by bands of layers.
    pub bands: Bands,
}

/// What is due before a bead that begins a layer.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Due {
    /// The layer before it.
    pub layer: u32,
    /// Height of that, mm.
    pub z_mm: f64,
    /// What that took, s.
    pub taken_s: f64,
    /// What it needs, s.
    pub least_s: f64,
}

impl Due {
    /// What is missing, s.
    pub fn missing_s(&self) -> f64 {
        self.least_s - self.taken_s
    }

    /// Tells it. `place`: line and time, s, where it is due; `obstacle`: what is in the way of a wait there, if anything.
    pub fn report(&self, findings: &mut Findings, code: Code, place: (u64, Option<f64>), obstacle: Option<&str>) {
        let why = obstacle.map_or_else(String::new, |why| format!(": {why}"));
        let (line, time_s) = place;
        findings.add_weighted(code, self.missing_s(), || Place {
            line,
            layer: u64::from(self.layer),
            z_mm: self.z_mm,
            time_s,
            detail: format!("{} s of the {} s it needs{why}", short(self.taken_s), short(self.least_s)),
        });
    }
}

impl Stay {
    /// Before the first layer. `is_written`: of an output, not of a file that is only judged.
    pub fn new(soft: Soft, is_written: bool) -> Self {
        Self {
            soft,
            layer: 0,
            z_mm: 0.0,
            least_s: 0.0,
            taken_s: 0.0,
            waited_s: 0.0,
            is_written,
            waits: 0,
            waited_in_all_s: 0.0,
            bands: Bands::default(),
        }
    }

    /// What is to be set before a move, if anything.
    #[inline]
    pub fn words(&mut self, known: &KnownLimits, step: &Move, limits: Option<&MotionLimits>) -> Option<Words> {
        self.soft.words(known, step, limits)
    }

    /// Whether the layer before this move's has had too little time.
    pub fn due(&self, step: &Move) -> Option<Due> {
        if self.begins(step) { self.lacks() } else { None }
    }

    /// Whether the layer at hand has had too little time so far.
    fn lacks(&self) -> Option<Due> {
        if self.layer == 0 {
            return None;
        }
        let due = Due { layer: self.layer, z_mm: self.z_mm, taken_s: self.taken_s, least_s: self.least_s };
        (due.missing_s() > LEAST_WAIT_S.max(LEAST_WAIT_SHARE * due.least_s)).then_some(due)
    }

    /// The head stayed away for so long before the layer that begins.
    pub fn waited(&mut self, time_s: f64) {
        self.taken_s += time_s;
        self.waited_s += time_s;
        self.waits += 1;
        self.waited_in_all_s += time_s;
    }

    /// The output has gone past a move, in `time_s` with turns at rest before it, without a wait. `known`: limits of its
    /// layer.
    pub fn pass(&mut self, known: &KnownLimits, step: &Move, time_s: f64) {
        if self.begins(step) {
            self.end();
            (self.layer, self.z_mm) = (step.layer, step.z);
            self.least_s = f64::from(known.of(step.layer).least_s);
            (self.taken_s, self.waited_s) = (0.0, 0.0);
        }
        self.taken_s += time_s;
    }

    /// The layer within which no wait is due and nothing is to be set, as long as no move sets limits and no more than so
    /// many come.
    pub fn calm_in(&self, known: &KnownLimits, moves: usize) -> Option<u32> {
        self.soft.settled_in(known, moves).filter(|layer| *layer == self.layer)
    }

    /// The output has gone past a move of that layer, in `time_s`.
    #[inline]
    pub fn go_on(&mut self, step: &Move, time_s: f64) {
        self.soft.pass(step);
        self.taken_s += time_s;
    }

    /// No more moves come. Tells where the last layer had too little time: nothing is laid on what is on top of it, but a file
    /// that does not mark the turns of a spiral has all of it in one.
    pub fn finish(&mut self, findings: &mut Findings) {
        self.end();
        if let Some(due) = self.lacks() {
            let code = if self.is_written { Code::LayerHurried } else { Code::LayerTime };
            due.report(findings, code, (0, None), Some("behind its last mark of a layer the print climbs on"));
        }
    }

    /// The layer at hand ends.
    fn end(&mut self) {
        if self.is_written && self.layer > 0 {
            self.bands.add(&Band::of_output(self.layer, self.least_s, self.taken_s, self.waited_s));
        }
    }

    /// What the part bears, put to moves.
    pub fn soft(&self) -> &Soft {
        &self.soft
    }

    fn begins(&self, step: &Move) -> bool {
        step.is_screw_bead() && step.layer != self.layer
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::findings::Finding;
    use crate::moves::sample;
    use crate::passes::soft::Least;
    use crate::soft::LayerLimits;

    fn bead(layer: u32) -> Move {
        Move { layer, z: 0.5 * f64::from(layer), ..sample::bead(10.0, 1.0) }
    }

    /// Behind a first layer that needs `least_s` and took `taken_s`.
    fn behind(least_s: f32, taken_s: f64) -> Stay {
        let known = KnownLimits::of_layers([LayerLimits { least_s, ..LayerLimits::FREE }; 2]);
        let mut stay = Stay::new(Soft::new(Least { mm_s: 5.0, mm3_s: 0.5 }, None, None), true);
        stay.pass(&known, &bead(1), 0.25 * taken_s);
        stay.pass(&known, &bead(1), 0.75 * taken_s);
        stay
    }

    /// A file that marks no turn of its spiral has all of them in its last layer.
    #[test]
    fn what_the_last_layer_lacks_is_told_at_the_end() {
        let told = |least_s: f32, taken_s| {
            let mut findings = Findings::default();
            behind(least_s, taken_s).finish(&mut findings);
            let text = |finding: &Finding| (finding.code, finding.places[0].detail.clone());
            findings.into_list().iter().map(text).collect::<Vec<_>>()
        };
        assert_eq!(told(0.0, 12.0), []);
        assert_eq!(told(20.0, 20.0), []);
        let lacks = "12 s of the 20 s it needs: behind its last mark of a layer the print climbs on";
        assert_eq!(told(20.0, 12.0), [("layer-hurried", lacks.to_owned())]);
    }

    /// A quarter of a second, and three hundredths of what the layer needs: 0.6 s of 20.
    #[test]
    fn short_waits_are_left_out() {
        let is_due =
            |least_s: f32, missing_s: f64| behind(least_s, f64::from(least_s) - missing_s).due(&bead(2)).is_some();
        assert_eq!([0.24, 0.26].map(|missing_s| is_due(5.0, missing_s)), [false, true]);
        assert_eq!([0.59, 0.61].map(|missing_s| is_due(20.0, missing_s)), [false, true]);
        assert_eq!([2.9, 3.1].map(|missing_s| is_due(100.0, missing_s)), [false, true]);
        // Within a layer, and before the first, nothing is due.
        assert_eq!(behind(20.0, 1.0).due(&bead(1)), None);
        assert_eq!(Stay { layer: 0, ..behind(20.0, 1.0) }.due(&bead(1)), None);
        assert_eq!(behind(20.0, 1.0).due(&Move { flags: 0, ..bead(2) }), None, "a bead of another tool");
    }

    #[test]
    fn a_wait_counts_as_time_of_the_layer_before() {
        let mut stay = behind(20.0, 12.0);
        let due = stay.due(&bead(2)).expect("8 s are missing");
        assert_eq!((due.layer, due.z_mm, due.taken_s, due.least_s, due.missing_s()), (1, 0.5, 12.0, 20.0, 8.0));
        stay.waited(7.0);
        assert_eq!(stay.due(&bead(2)).map(|due| due.missing_s()), Some(1.0));
        stay.waited(1.0);
        assert_eq!((stay.due(&bead(2)), stay.waits, stay.waited_in_all_s), (None, 2, 8.0));
        // The next layer begins anew.
        let known = KnownLimits::of_layers([LayerLimits { least_s: 20.0, ..LayerLimits::FREE }; 2]);
        stay.pass(&known, &bead(2), 3.0);
        assert_eq!(stay.due(&bead(3)).map(|due| (due.layer, due.missing_s())), Some((2, 17.0)));
        let told = stay.bands.list().first().map(|band| (band.last_layer, band.time_after_s, band.waits_s));
        assert_eq!(told, Some((1, Some(20.0), 8.0)));
    }
}
