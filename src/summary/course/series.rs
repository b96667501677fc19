//! A series over time with a bounded number of bins.

use crate::units::Bounded;

/// Most bins; when they are full, neighbours are joined.
const MOST_BINS: usize = 1000;
/// Width of a bin at the start, s.
const FIRST_WIDTH_S: f64 = 0.125;
/// Longest time one move is taken to last, s: beyond it lies a fault of the file.
const LONGEST_S: f64 = 1e9;

/// What happens in some seconds.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Bin {
    /// Highest demand of a bead that runs in it, mm³/s.
    pub peak_mm3_s: f64,
    /// New melt that is pushed in it, mm³.
    pub melt_mm3: f64,
    /// Line of the first move that starts in it, counted from 1; 0 where none does.
    pub line: u64,
}

/// A move as it is added.
#[derive(Clone, Copy, Debug)]
pub struct Pushed {
    /// Time it lasts, s.
    pub time_s: f64,
    /// Most it asks, mm³/s.
    pub peak_mm3_s: f64,
    /// New melt that it pushes, evenly, mm³.
    pub melt_mm3: f64,
    /// Its line.
    pub line: u64,
}

/// Bins of equal width from the start of a print.
#[derive(Clone, Debug, PartialEq)]
pub struct Series {
    bins: Vec<Bin>,
    width_s: f64,
    end_s: f64,
    /// The bin in which that lies.
    last: usize,
}

impl Default for Series {
    fn default() -> Self {
        Self { bins: Vec::new(), width_s: FIRST_WIDTH_S, end_s: 0.0, last: 0 }
    }
}

impl Series {
    /// The bins, from the start; at most a thousand.
    pub fn bins(&self) -> &[Bin] {
        &self.bins
    }

    /// Width of each, s.
    pub fn width_s(&self) -> f64 {
        self.width_s
    }

    /// Time of all moves, s.
    pub fn end_s(&self) -> f64 {
        self.end_s
    }

    /// When the move on a line starts, s, to the width of a bin; `None` before the first move.
    pub fn time_of_line(&self, line: u64) -> Option<f64> {
        let before = self.bins.iter().rposition(|bin| bin.line > 0 && bin.line <= line)?;
        Some(before as f64 * self.width_s)
    }

    /// New melt since the start, mm³, at the end of each bin.
    pub fn melt_so_far(&self) -> impl Iterator<Item = f64> {
        self.bins.iter().scan(0.0, |sum, bin| {
            *sum += bin.melt_mm3;
            Some(*sum)
        })
    }

    /// Mean demand, mm³/s, over the `window_s` up to the end of each bin, or over the bin where that is wider. The window
    /// does not reach before the start of the print.
    pub fn average(&self, window_s: f64) -> Vec<f64> {
        let wide = ((window_s / self.width_s).round() as usize).max(1);
        let mut sum = 0.0;
        let mut means = Vec::with_capacity(self.bins.len());
        for (index, bin) in self.bins.iter().enumerate() {
            sum += bin.melt_mm3;
            if let Some(gone) = index.checked_sub(wide).and_then(|gone| self.bins.get(gone)) {
                sum -= gone.melt_mm3;
            }
            means.push(sum.at_least(0.0) / (wide as f64 * self.width_s));
        }
        means
    }

    /// Adds moves in a row.
    #[inline]
    pub fn push_all(&mut self, moves: impl Iterator<Item = Pushed>) {
        let (mut bin, mut upto_s) = self.open();
        let mut end_s = self.end_s;
        for pushed in moves {
            let Pushed { time_s, peak_mm3_s, melt_mm3, .. } = pushed;
            let (end, melt) = (end_s + time_s, melt_mm3.at_least(0.0));
            // Most moves lie within the bin at hand, in which others have started.
            if time_s >= 0.0 && end < upto_s && melt < f64::INFINITY {
                end_s = end;
                bin.melt_mm3 += melt;
                if time_s > 0.0 {
                    bin.peak_mm3_s = bin.peak_mm3_s.at_least(peak_mm3_s);
                }
                continue;
            }
            self.close(bin, end_s);
            self.push(pushed);
            (bin, upto_s) = self.open();
            end_s = self.end_s;
        }
        self.close(bin, end_s);
    }

    /// The bin at hand, and where it ends, s: before all time where no move has started in it.
    fn open(&self) -> (Bin, f64) {
        let bin = self.bins.get(self.last).copied().unwrap_or_default();
        let upto_s = if bin.line > 0 { (self.last + 1) as f64 * self.width_s } else { f64::NEG_INFINITY };
        (bin, upto_s)
    }

    /// Puts the bin at hand back, within which the moves end at `end_s`.
    fn close(&mut self, bin: Bin, end_s: f64) {
        self.end_s = end_s;
        if let Some(place) = self.bins.get_mut(self.last) {
            *place = bin;
        }
    }

    /// Adds a move.
    pub(super) fn push(&mut self, pushed: Pushed) {
        let Pushed { time_s, peak_mm3_s, melt_mm3, line } = pushed;
        let time = if time_s.is_finite() { time_s.at_least(0.0).at_most(LONGEST_S) } else { 0.0 };
        let melt = if melt_mm3.is_finite() { melt_mm3.at_least(0.0) } else { 0.0 };
        let (start, end) = (self.end_s, self.end_s + time);
        while end >= self.width_s * MOST_BINS as f64 {
            self.double();
        }
        let (first, last) = (self.last, (end / self.width_s) as usize);
        (self.end_s, self.last) = (end, last);
        if last >= self.bins.len() {
            self.bins.resize(last + 1, Bin::default());
        }
        let Some(bins) = self.bins.get_mut(first..=last) else { return };
        if let Some(bin) = bins.first_mut().filter(|bin| bin.line == 0) {
            bin.line = line;
        }
        // Most moves are shorter than a bin.
        if let [bin] = bins {
            bin.melt_mm3 += melt;
            if time > 0.0 {
                bin.peak_mm3_s = bin.peak_mm3_s.at_least(peak_mm3_s);
            }
            return;
        }
        let width = self.width_s;
        for (index, bin) in (first..).zip(bins) {
            let (low, high) = (index as f64 * width, (index + 1) as f64 * width);
            let inside = end.at_most(high) - start.at_least(low);
            bin.melt_mm3 += melt * (inside / time).at_least(0.0);
            if inside > 0.0 {
                bin.peak_mm3_s = bin.peak_mm3_s.at_least(peak_mm3_s);
            }
        }
    }

    #[cold]
    fn double(&mut self) {
        self.width_s *= 2.0;
        let joined = self.bins.chunks(2).map(|pair| {
            let mut sum = pair.first().copied().unwrap_or_default();
            if let Some(other) = pair.get(1) {
                sum.peak_mm3_s = sum.peak_mm3_s.at_least(other.peak_mm3_s);
                sum.melt_mm3 += other.melt_mm3;
                sum.line = if sum.line == 0 { other.line } else { sum.line };
            }
            sum
        });
        self.bins = joined.collect();
        self.last = (self.end_s / self.width_s) as usize;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pushed(time_s: f64, peak_mm3_s: f64, melt_mm3: f64, line: u64) -> Pushed {
        Pushed { time_s, peak_mm3_s, melt_mm3, line }
    }

    #[test]
    fn a_move_is_spread_over_its_bins() {
        let mut series = Series::default();
        series.push(pushed(0.125, 0.0, 0.0, 1));
        // 4 mm³ over four bins, from the second on.
        series.push(pushed(0.5, 8.0, 4.0, 2));
        let peaks: Vec<f64> = series.bins().iter().map(|bin| bin.peak_mm3_s).collect();
        assert_eq!(peaks, [0.0, 8.0, 8.0, 8.0, 8.0, 0.0]);
        assert_eq!(series.melt_so_far().collect::<Vec<_>>(), [0.0, 1.0, 2.0, 3.0, 4.0, 4.0]);
        // A quarter of a second back: 1 mm³ in 0.125 s is 8 mm³/s.
        assert_eq!(series.average(0.25), [0.0, 4.0, 8.0, 8.0, 8.0, 4.0]);
        assert_eq!(
            (series.time_of_line(1), series.time_of_line(2), series.time_of_line(0)),
            (Some(0.0), Some(0.125), None)
        );
    }

    #[test]
    fn bins_stay_few_and_nothing_is_lost() {
        let mut series = Series::default();
        let lines = |some: u64| 100 * some + 1..=100 * (some + 1);
        let all = |some| lines(some).map(|line| pushed(1.7, (line % 100) as f64, 0.3, line));
        (0..100).for_each(|some| series.push_all(all(some)));
        assert!((500..=1000).contains(&series.bins().len()), "{}", series.bins().len());
        let melt: f64 = series.bins().iter().map(|bin| bin.melt_mm3).sum();
        assert!((melt - 3000.0).abs() < 1e-6 && (series.end_s() - 17_000.0).abs() < 1e-6);
        // To the width of a bin, and never late by more than that.
        let time = series.time_of_line(5001).unwrap_or(f64::NAN);
        assert!((8500.0 - time).abs() <= series.width_s(), "{time}");
    }

    #[test]
    fn moves_in_a_row_are_as_one_after_the_other() {
        let times = [0.01, 0.2, 0.0, 0.02, 1.0, -1.0, 0.03, 0.03, f64::NAN, 0.124, 0.01, 40.0, 0.01, 200.0];
        let melts = [0.0, 1.0, f64::NAN, 0.3, -1.0, f64::INFINITY, 0.1];
        let all =
            (1..5000_usize).map(|k| pushed(times[k % times.len()], (k % 97) as f64, melts[k % melts.len()], k as u64));
        let (mut one, mut other) = (Series::default(), Series::default());
        one.push_all(all.clone());
        all.for_each(|pushed| other.push(pushed));
        assert_eq!(one, other);
    }

    #[test]
    fn odd_moves_do_no_harm() {
        let mut series = Series::default();
        for time in [f64::NAN, f64::INFINITY, -1.0, 0.0, 1e300] {
            series.push(pushed(time, f64::NAN, f64::NAN, 1));
        }
        series.push(pushed(0.0, 5.0, 2.0, 2));
        assert!(series.bins().len() <= 1000 && series.end_s() == 1e9);
        assert!(series.bins().iter().all(|bin| bin.melt_mm3.is_finite() && bin.peak_mm3_s.is_finite()));
        assert!((series.melt_so_far().last().unwrap_or(0.0) - 2.0).abs() < 1e-12);
    }
}
