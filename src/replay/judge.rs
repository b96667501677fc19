//! Compares what is laid with what is wanted, stretch by stretch, and keeps account of the rest.

use super::ReplayFigures;

/// A path is this close to the length of a stretch when rounding is all that lacks, mm.
const ROUNDING_MM: f64 = 1e-9;

/// Where the head was last, as far as blobs are concerned.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Last {
    Bead,
    Travel,
}

/// A piece of bead path being judged.
#[derive(Clone, Copy, Debug, Default)]
struct Stretch {
    length: f64,
    wanted: f64,
    laid: f64,
}

/// Adds up a replay.
#[derive(Clone, Debug)]
pub struct Judge {
    bore: f64,
    stretch: Stretch,
    last: Last,
    /// Let out while standing since the last travel: whether a bead follows is not known yet.
    standing: f64,
    outside: [f64; 3],
    square: f64,
    figures: ReplayFigures,
}

impl Judge {
    /// Shares of the wanted volume beyond which a stretch counts as outside.
    const BOUNDS: [f64; 3] = [0.05, 0.10, 0.25];

    /// A judge of stretches as long as `bore_mm`, above 0.
    pub fn new(bore_mm: f64) -> Self {
        Self {
            bore: bore_mm,
            stretch: Stretch::default(),
            last: Last::Travel,
            standing: 0.0,
            outside: [0.0; 3],
            square: 0.0,
            figures: ReplayFigures::default(),
        }
    }

    /// Bead path until the stretch now judged is complete, mm.
    pub fn to_end_of_stretch(&self) -> f64 {
        self.bore - self.stretch.length
    }

    /// Bead path, mm, at most to the end of the stretch, with what is wanted on it and what comes out, mm³.
    pub fn bead(&mut self, length: f64, wanted: f64, laid: f64) {
        if self.last == Last::Travel {
            self.figures.at_starts_mm3 += std::mem::take(&mut self.standing);
            self.last = Last::Bead;
        }
        self.stretch.length += length;
        self.stretch.wanted += wanted;
        self.stretch.laid += laid;
        if self.stretch.length >= self.bore - ROUNDING_MM {
            self.close();
        }
    }

    /// Path on which nothing is wanted.
    pub fn travel(&mut self, out: f64) {
        if self.last == Last::Bead {
            self.close();
            self.last = Last::Travel;
        }
        self.figures.elsewhere_mm3 += std::mem::take(&mut self.standing);
        self.figures.drool_mm3 += out;
    }

    /// The head stands.
    pub fn still(&mut self, out: f64) {
        match self.last {
            Last::Bead => self.figures.at_stops_mm3 += out,
            Last::Travel => self.standing += out,
        }
    }

    /// Judges the stretch and begins the next one.
    fn close(&mut self) {
        let Stretch { length, wanted, laid } = std::mem::take(&mut self.stretch);
        if length <= 0.0 {
            return;
        }
        let error = laid - wanted;
        // What rounding left behind the last whole one is no stretch to be judged.
        let is_judged = length > ROUNDING_MM;
        for (outside, bound) in self.outside.iter_mut().zip(Self::BOUNDS) {
            if is_judged && error.abs() > bound * wanted {
                *outside += length;
            }
        }
        if is_judged {
            self.square += error * error / length;
        }
        let figures = &mut self.figures;
        figures.bead_path_mm += length;
        figures.wanted_mm3 += wanted;
        figures.laid_on_path_mm3 += laid;
        if error < 0.0 {
            figures.missing_mm3 -= error;
        } else {
            figures.surplus_mm3 += error;
        }
    }

    /// The figures this judge knows; the others are 0.
    pub fn finish(mut self) -> ReplayFigures {
        self.close();
        let mut figures = self.figures;
        figures.elsewhere_mm3 += self.standing;
        let path = figures.bead_path_mm;
        if path > 0.0 {
            let [five, ten, quarter] = self.outside.map(|outside| 100.0 * outside / path);
            (figures.path_outside_5_pct, figures.path_outside_10_pct, figures.path_outside_25_pct) =
                (five, ten, quarter);
            figures.rms_error_pct = 100.0 * (self.square / path).sqrt() / (figures.wanted_mm3 / path);
        }
        figures.laid_mm3 = figures.laid_on_path_mm3 + figures.at_starts_mm3 + figures.at_stops_mm3;
        if figures.wanted_mm3 > 0.0 {
            figures.laid_over_wanted = figures.laid_mm3 / figures.wanted_mm3;
        }
        figures
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_rounding_leaves_is_no_stretch() {
        let figures = |crumb: f64| {
            let mut judge = Judge::new(1.0);
            judge.bead(1.0, 0.5, 0.4);
            judge.bead(crumb, 0.0, 1e-3);
            judge.finish()
        };
        let [whole, crumbs] = [0.0, 1e-14].map(figures);
        assert!((whole.rms_error_pct - crumbs.rms_error_pct).abs() < 1e-9, "{crumbs:?}");
        assert!((crumbs.laid_on_path_mm3 - 0.401).abs() < 1e-12, "{crumbs:?}");
    }

    #[test]
    fn stretches_by_hand() {
        let mut judge = Judge::new(1.0);
        // A stretch in two parts with 3.3 of 3 mm³, 10 % too much, which is not more than 10 %.
        judge.bead(0.25, 1.0, 1.0);
        assert_eq!(judge.to_end_of_stretch(), 0.75);
        judge.bead(0.75, 2.0, 2.25);
        // Half a stretch with half of what is wanted, ended by a travel.
        judge.bead(0.5, 1.0, 0.5);
        judge.travel(0.125);
        let figures = judge.finish();
        assert_eq!((figures.bead_path_mm, figures.wanted_mm3, figures.laid_on_path_mm3), (1.5, 4.0, 3.75));
        assert!((figures.path_outside_5_pct - 100.0).abs() < 1e-12);
        assert!((figures.path_outside_10_pct - 100.0 / 3.0).abs() < 1e-12);
        assert_eq!((figures.missing_mm3, figures.surplus_mm3, figures.drool_mm3), (0.5, 0.25, 0.125));
        // Errors per mm 0.25 on 1 mm and -1 on 0.5 mm: root of (0.0625 + 0.5) / 1.5, against 4/1.5 mm².
        let expected = 100.0 * (0.5625_f64 / 1.5).sqrt() / (4.0 / 1.5);
        assert!((figures.rms_error_pct - expected).abs() < 1e-12);
        assert_eq!(figures.laid_over_wanted, 3.75 / 4.0);
    }

    #[test]
    fn blobs_by_what_stands_beside_them() {
        let mut judge = Judge::new(1.0);
        judge.still(1.0); // a purge: a travel follows
        judge.travel(2.0);
        judge.still(4.0); // a charge: a bead follows
        judge.bead(0.5, 1.0, 1.0);
        judge.still(8.0); // after a bead, whatever follows
        judge.bead(0.5, 1.0, 1.0);
        judge.still(16.0);
        judge.travel(32.0);
        judge.still(64.0); // the end of the file
        let figures = judge.finish();
        assert_eq!((figures.elsewhere_mm3, figures.at_starts_mm3), (65.0, 4.0));
        assert_eq!((figures.at_stops_mm3, figures.drool_mm3), (24.0, 34.0));
        assert_eq!(figures.laid_mm3, 2.0 + 4.0 + 24.0);
        assert_eq!(figures.bead_path_mm, 1.0);
    }

    #[test]
    fn nothing_wanted() {
        let figures = Judge::new(1.0).finish();
        assert_eq!(figures, ReplayFigures::default());
    }
}
