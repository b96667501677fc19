//! Highest moving average of a flow over a time window, along a stream.

use crate::units::Bounded;

/// Stretches shorter than this share of the window are merged with their neighbour, so that memory is bounded.
const FINEST_SHARE: f64 = 1.0 / 65_536.0;
/// Stretches of the same flow are merged up to this share of the window.
pub const GROUP_SHARE: f64 = 1.0 / 64.0;
/// Flows this close are the same flow, relative; with the share above, averages are off by 2 in 100,000 at most.
const SAME_FLOW: f64 = 1e-3;

/// Whether two stretches, each given by volume and time, have the same flow for the purpose of averages.
pub fn same_flow(volume: f64, time: f64, other_volume: f64, other_time: f64) -> bool {
    // V1 / t1 against V2 / t2, without dividing.
    let (a, b) = (volume * other_time, other_volume * time);
    (a - b).abs() <= SAME_FLOW * a
}

/// A stretch of even flow counts with at most so many windows.
const LONGEST: f64 = 2.0;
/// Edges that are looked at together.
const LOOK_EVERY: usize = 32;
/// Edges that are behind every window are given up when there are at least so many of them.
const LEAST_GIVEN_UP: usize = 1 << 10;

/// An edge between two stretches: what lies before it. Or a stretch itself.
#[derive(Clone, Copy, Debug, Default)]
struct Edge {
    /// Time since the start, s.
    time: f64,
    /// Volume since the start, mm³.
    volume: f64,
}

impl Edge {
    /// The edge at the other end of a stretch that follows, of which `most` seconds count.
    #[inline]
    fn behind(self, stretch: Self, most: f64) -> Self {
        let Self { time, volume } = if stretch.time > most { stretch.shortened(most) } else { stretch };
        Self { time: self.time + time, volume: self.volume + volume }
    }

    /// The same flow for this long: all windows inside it are alike, and sums stay small.
    #[cold]
    #[inline(never)]
    fn shortened(self, time: f64) -> Self {
        Self { time, volume: self.volume * (time / self.time) }
    }
}

/// Follows a flow given as stretches of constant flow and keeps its highest moving average.
///
/// The average over `window` seconds is a piecewise linear function of the end of the window; its highest value lies
/// where the window starts or ends at an edge between stretches, and both are looked at. Before the first and after
/// the last stretch the flow is zero.
#[derive(Clone, Debug)]
pub struct MovingAverage {
    window: f64,
    /// Shortest stretch, and longest that is merged, s.
    finest: f64,
    longest: f64,
    /// Edges, the last at the end of the stretches so far. Those before `first` are behind every window to come.
    edges: Vec<Edge>,
    /// The last of them.
    end: Edge,
    /// How many of them were looked at.
    seen: usize,
    /// The last edge at or before the start of the window that ends at the last edge looked at.
    first: usize,
    /// Most volume in a window, mm³.
    highest: f64,
    /// A stretch that may still grow.
    pending: Edge,
}

impl MovingAverage {
    /// `window`: length of the window, s, above zero.
    pub fn new(window: f64) -> Self {
        Self {
            window,
            finest: window * FINEST_SHARE,
            longest: window * GROUP_SHARE,
            // Nothing flows before the start.
            edges: vec![Edge { time: -2.0 * window, volume: 0.0 }, Edge::default()],
            end: Edge::default(),
            seen: 2,
            first: 0,
            highest: 0.0,
            pending: Edge::default(),
        }
    }

    /// The flow is `volume / duration` for the next `duration` seconds, of one stretch behind the other. Negative values
    /// count as zero.
    #[inline]
    pub fn push_all(&mut self, stretches: impl ExactSizeIterator<Item = (f64, f64)>) {
        let (finest, longest, most) = (self.finest, self.longest, LONGEST * self.window);
        let (mut end, mut pending) = (self.end, self.pending);
        // Each ends one other at most.
        let known = self.edges.len();
        self.edges.resize(known + stretches.len(), Edge::default());
        let mut free = self.edges.get_mut(known..).unwrap_or_default().iter_mut();
        for (duration, volume) in stretches {
            let next = Edge { time: duration.at_least(0.0), volume: volume.at_least(0.0) };
            let grown = pending.time + next.time;
            let goes_on = || same_flow(pending.volume, pending.time, next.volume, next.time);
            if pending.time < finest || (grown <= longest && goes_on()) {
                pending = Edge { time: grown, volume: pending.volume + next.volume };
            } else if let Some(edge) = free.next() {
                end = end.behind(pending, most);
                *edge = end;
                pending = next;
            }
        }
        let unused = free.len();
        self.edges.truncate(self.edges.len() - unused);
        (self.end, self.pending) = (end, pending);
        while self.edges.len() >= self.seen + LOOK_EVERY {
            self.look(self.seen + LOOK_EVERY);
        }
    }

    /// Looks at the windows that end in the stretches that were not looked at, up to the one that ends the first `upto`
    /// edges.
    #[inline(never)]
    fn look(&mut self, upto: usize) {
        let mut rest = self.edges.get(self.first..upto).unwrap_or_default();
        let Some((first, end)) = rest.first().zip(rest.last()) else { return };
        let start = end.time - self.window;
        // What lies between the first start and the last end is more than in any window there: mostly, none sets a new
        // mark.
        if end.volume - first.volume > self.highest {
            self.look_closely(upto);
        } else {
            while let [_, next, ..] = rest
                && next.time <= start
            {
                rest = rest.get(1..).unwrap_or_default();
            }
            self.first = upto - rest.len();
        }
        self.seen = upto;
        if self.first >= LEAST_GIVEN_UP && self.first >= self.edges.len() / 2 {
            self.edges.drain(..self.first);
            self.seen -= self.first;
            self.first = 0;
        }
    }

    /// Looks at each of these windows that may set a new mark.
    fn look_closely(&mut self, upto: usize) {
        let (window, mut highest) = (self.window, self.highest);
        let mut starts = self.edges.get(self.first..upto).unwrap_or_default().iter();
        let Some(mut front) = starts.next() else { return };
        let mut next = starts.next();
        let ends = self.edges.get(self.seen.saturating_sub(1)..upto).unwrap_or_default();
        for (last, end) in ends.iter().zip(ends.iter().skip(1)) {
            let start = end.time - window;
            while let Some(edge) = next {
                if edge.time > start {
                    // The window that ends at the end starts in this stretch.
                    let since = end.volume - front.volume;
                    if since > highest {
                        let outside = (start - front.time) / (edge.time - front.time);
                        highest = highest.at_least(since - outside * (edge.volume - front.volume));
                    }
                    break;
                }
                // The window that starts at this edge ends in the last stretch.
                if end.volume - edge.volume > highest {
                    let (duration, volume) = (end.time - last.time, end.volume - last.volume);
                    let share = if duration > 0.0 { (edge.time + window - last.time) / duration } else { 1.0 };
                    highest = highest.at_least(last.volume - edge.volume + volume * share.at_least(0.0).at_most(1.0));
                }
                front = edge;
                next = starts.next();
                self.first += 1;
            }
        }
        self.highest = highest;
    }

    /// Highest average so far, mm³/s.
    pub fn highest(&mut self) -> f64 {
        self.end = self.end.behind(std::mem::take(&mut self.pending), LONGEST * self.window);
        self.edges.push(self.end);
        self.look(self.edges.len());
        self.highest / self.window
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn highest(window: f64, stretches: &[(f64, f64)]) -> f64 {
        let mut average = MovingAverage::new(window);
        average.push_all(stretches.iter().copied());
        average.highest()
    }

    #[test]
    fn by_hand() {
        // One long stretch: its own flow.
        assert!((highest(10.0, &[(100.0, 500.0)]) - 5.0).abs() < 1e-12);
        // A print shorter than the window: its volume over the window.
        assert!((highest(60.0, &[(10.0, 120.0)]) - 2.0).abs() < 1e-12);
        // 5 s at 10 and 5 s at 0, again and again, over 10 s: 5; over 7 s: 50/7.
        let pulses = [(5.0, 50.0), (5.0, 0.0)].repeat(4);
        assert!((highest(10.0, &pulses) - 5.0).abs() < 1e-12);
        assert!((highest(7.0, &pulses) - 50.0 / 7.0).abs() < 1e-12);
        // Window over two uneven stretches: ends at the end of the second, starts inside the first.
        assert!((highest(4.0, &[(3.0, 3.0), (3.0, 9.0)]) - (9.0 + 1.0) / 4.0).abs() < 1e-12);
    }

    /// Every window tried that starts or ends at an edge.
    fn slow(window: f64, stretches: &[(f64, f64)]) -> f64 {
        let mut edges = vec![0.0];
        let mut sums = vec![0.0];
        for (duration, volume) in stretches {
            edges.push(edges.last().unwrap() + duration);
            sums.push(sums.last().unwrap() + volume);
        }
        let laid = |t: f64| {
            let i = edges.partition_point(|e| *e <= t).min(edges.len() - 1).max(1);
            let share = ((t - edges[i - 1]) / (edges[i] - edges[i - 1])).clamp(0.0, 1.0);
            sums[i - 1] + share * (sums[i] - sums[i - 1])
        };
        let mut best = 0.0_f64;
        for &edge in &edges {
            best = best.max(laid(edge + window) - laid(edge)).max(laid(edge) - laid(edge - window));
        }
        best / window
    }

    #[test]
    fn edges_behind_every_window_are_given_up_and_long_waits_do_no_harm() {
        // Flows that grow slowly, so that new marks are set until the end, with two waits of a day.
        let mut stretches: Vec<(f64, f64)> = (0..6000_u32)
            .map(|k| (0.01 + f64::from(k % 7) * 0.003, f64::from(k * 37 % 101) * (1.0 + f64::from(k) * 1e-4)))
            .collect();
        stretches[2500] = (86_400.0, 0.0);
        stretches[5000] = (86_400.0, 86_400.0);
        let mut average = MovingAverage::new(3.0);
        for some in stretches.chunks(7) {
            average.push_all(some.iter().copied());
            assert!(average.edges.len() < 2 * LEAST_GIVEN_UP + 300, "{}", average.edges.len());
        }
        let (got, best) = (average.highest(), slow(3.0, &stretches));
        assert!((got - best).abs() <= 1e-9 * best, "{got} against {best}");
    }

    proptest! {
        #[test]
        fn agrees_with_every_window_tried(
            stretches in prop::collection::vec((0.01_f64..5.0, 0.0_f64..40.0), 1..40),
            window in 0.5_f64..20.0,
        ) {
            let (got, best) = (highest(window, &stretches), slow(window, &stretches));
            prop_assert!((got - best).abs() <= 1e-9 * (1.0 + best), "{got} against {best}");
        }
    }
}
