//! Which layer a bead belongs to.
//!
//! Where the file marks its layers by comments, a layer begins with the first bead after a mark at another height.
//! Elsewhere it is told from the height of the beads, never of travels, so that lifts do not count: a level bead at a
//! new height begins a layer; a climbing bead (a continuous spiral, a warped layer) begins one each time the climb has
//! reached a layer height; a bead far below begins the next object of a plate that is printed one object after the
//! other.

/// Heights closer than this are one height, mm: half the last digit of files with two decimals.
pub const SAME_HEIGHT_MM: f64 = 0.005;
/// A bead that climbs less is level, mm: far below the climb of one short piece of a spiral.
pub const LEVEL_MM: f64 = 1e-5;
/// Layer height taken where neither settings nor beads show one, mm.
const FIRST_GUESS_MM: f64 = 0.2;
/// Steps outside this range are no layer height, mm.
pub const PLAUSIBLE_MM: std::ops::RangeInclusive<f64> = 0.02..=5.0;

/// Heights at which other tools have laid: what a screw lays on them is as high as the rest.
#[derive(Clone, Copy, Debug, Default)]
pub struct LaidByOthers {
    last: f64,
    before: f64,
}

impl LaidByOthers {
    /// Another tool lays at a height, mm.
    pub fn lay(&mut self, z: f64) {
        if (z - self.last).abs() > SAME_HEIGHT_MM {
            (self.before, self.last) = (self.last, z);
        }
    }

    /// What others have laid last below a height, mm; 0 is the bed.
    pub fn below(&self, z: f64) -> f64 {
        [self.last, self.before].into_iter().filter(|height| *height < z - SAME_HEIGHT_MM).fold(0.0, f64::max)
    }
}

/// Counts layers along the stream of beads.
#[derive(Clone, Debug)]
pub struct Layers {
    count: u32,
    base: f64,
    height: Option<f64>,
    marked: bool,
    mark_pending: bool,
    /// Where the last bead ended, mm.
    reached: f64,
}

impl Layers {
    /// `marked`: the file marks its layers by comments. `height`: layer height stated in the file, mm.
    pub fn new(marked: bool, height: Option<f64>) -> Self {
        let height = height.filter(|h| PLAUSIBLE_MM.contains(h));
        Self { count: 0, base: 0.0, height, marked, mark_pending: false, reached: f64::NAN }
    }

    /// Number of layers begun so far; the number of the present layer, counted from 1.
    pub fn count(&self) -> u32 {
        self.count
    }

    /// A comment says that a layer begins.
    pub fn mark(&mut self) {
        self.marked = true;
        self.mark_pending = true;
    }

    /// A comment states the height of the beads to come, mm.
    pub fn state_height(&mut self, height: f64) {
        if PLAUSIBLE_MM.contains(&height) {
            self.height = Some(height);
        }
    }

    /// Whether a level bead at a height, mm, goes on with the present layer, whatever the bead before.
    #[inline(always)]
    pub fn stays_at(&self, z: f64) -> bool {
        if self.marked { !self.mark_pending } else { self.count > 0 && (z - self.base).abs() <= SAME_HEIGHT_MM }
    }

    /// A bead from height `from` to height `to`, mm.
    #[inline(always)]
    pub fn bead(&mut self, from: f64, to: f64) {
        // Nearly every bead goes on at the height of the one before it.
        if !(self.stays_at(to) && (self.marked || (to - from).abs() < LEVEL_MM)) {
            self.look(from, to);
        }
    }

    fn look(&mut self, from: f64, to: f64) {
        if self.marked {
            // A mark at the height of the layer before is the same layer again, for another tool.
            if self.mark_pending && (self.count == 0 || (to - self.base).abs() > SAME_HEIGHT_MM) {
                self.begin(to);
            }
            self.mark_pending = false;
            return;
        }
        let rise = to - self.base;
        // Between the steps of a slow climb, rounding leaves level beads; only a travel brings a level bead to a layer.
        let goes_on = (from - self.reached).abs() < LEVEL_MM;
        self.reached = to;
        let height = self.height.unwrap_or(FIRST_GUESS_MM);
        if self.count == 0 {
            // The first layer stands on the bed: its height is as good a guess as any.
            self.height = self.height.or(Some(from).filter(|z| PLAUSIBLE_MM.contains(z)));
            self.begin(from.min(to));
        } else if (to - from).abs() < LEVEL_MM && !goes_on {
            if rise.abs() > SAME_HEIGHT_MM {
                if PLAUSIBLE_MM.contains(&rise) {
                    self.height = Some(rise);
                }
                self.begin(to);
            }
        } else if rise > height - SAME_HEIGHT_MM || rise < -2.0 * height {
            self.begin(to);
        }
    }

    fn begin(&mut self, base: f64) {
        self.count = self.count.saturating_add(1);
        self.base = base;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn count(layers: &mut Layers, beads: &[(f64, f64)]) -> u32 {
        for &(from, to) in beads {
            layers.bead(from, to);
        }
        layers.count()
    }

    #[test]
    fn level_beads_count_by_height() {
        let beads = [(0.2, 0.2), (0.2, 0.2), (0.4, 0.4), (0.6, 0.6), (0.6, 0.6)];
        assert_eq!(count(&mut Layers::new(false, None), &beads), 3);
    }

    #[test]
    fn a_drop_begins_the_next_object() {
        let beads = [(0.2, 0.2), (0.4, 0.4), (0.2, 0.2), (0.4, 0.4)];
        assert_eq!(count(&mut Layers::new(false, None), &beads), 4);
    }

    /// Beads that rise and fall as they go dip into their layer; one that falls by more than two layers is elsewhere.
    #[test]
    fn a_bead_that_falls_far_begins_the_next_object() {
        let mut layers = Layers::new(false, Some(0.3));
        assert_eq!(count(&mut layers, &[(3.0, 3.0), (3.2, 2.95), (2.95, 3.1), (3.1, 2.45)]), 1);
        assert_eq!(count(&mut layers, &[(2.45, 2.35)]), 2);
    }

    #[test]
    fn a_spiral_counts_one_layer_a_layer_height() {
        // 1 level layer at 0.3, then 10 turns of 0.3 mm climb in 30 beads each.
        let mut beads = vec![(0.3, 0.3)];
        for i in 0..300 {
            let z = 0.3 + f64::from(i) * 0.01;
            beads.push((z, z + 0.01));
        }
        assert_eq!(count(&mut Layers::new(false, Some(0.3)), &beads), 11);
    }

    #[test]
    fn a_slow_spiral_in_three_decimals_counts_the_same() {
        // 400 beads a turn of 0.2 mm: every other one is level in thousandths.
        let rounded = |i: u32| (f64::from(i) * 0.5).round() / 1000.0 + 0.2;
        let mut beads = vec![(0.2, 0.2)];
        beads.extend((0..4000).map(|i| (rounded(i), rounded(i + 1))));
        assert!(beads.iter().filter(|(from, to)| from == to).count() > 1900);
        assert_eq!(count(&mut Layers::new(false, Some(0.2)), &beads), 11);
    }

    #[test]
    fn marks_win_over_heights() {
        let mut layers = Layers::new(true, None);
        layers.bead(0.3, 0.3);
        assert_eq!(layers.count(), 0, "priming before the first mark is no layer");
        layers.mark();
        layers.mark();
        assert_eq!(count(&mut layers, &[(0.2, 0.2), (0.25, 0.22), (0.2, 0.2)]), 1);
        layers.mark();
        assert_eq!(count(&mut layers, &[(0.2, 0.2)]), 1, "the next tool lays the same layer");
        layers.mark();
        assert_eq!(count(&mut layers, &[(0.4, 0.4)]), 2);
    }
}
