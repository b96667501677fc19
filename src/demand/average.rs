//! Highest moving average of a flow over a time window, along a stream.

use crate::units::Bounded;
use std::collections::VecDeque;

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

/// Follows a flow given as stretches of constant flow and keeps its highest moving average.
///
/// The average over `window` seconds is a piecewise linear function of the end of the window; its highest value lies
/// where the window starts or ends at an edge between stretches, and both are looked at. Before the first and after
/// the last stretch the flow is zero.
#[derive(Clone, Debug)]
pub struct MovingAverage {
    window: f64,
    /// Stretches inside the window: duration s, volume mm³.
    stretches: VecDeque<(f64, f64)>,
    time: f64,
    volume: f64,
    highest: f64,
    /// A stretch that may still grow.
    pending: (f64, f64),
    pushes: u32,
}

impl MovingAverage {
    /// `window`: length of the window, s, above zero.
    pub fn new(window: f64) -> Self {
        Self {
            window,
            stretches: VecDeque::new(),
            time: 0.0,
            volume: 0.0,
            highest: 0.0,
            pending: (0.0, 0.0),
            pushes: 0,
        }
    }

    /// The flow is `volume / duration` for the next `duration` seconds. Negative values count as zero.
    pub fn push(&mut self, duration: f64, volume: f64) {
        let (duration, volume) = (duration.at_least(0.0), volume.at_least(0.0));
        let (before, laid) = self.pending;
        let joins = before + duration <= self.window * GROUP_SHARE && same_flow(laid, before, volume, duration);
        if before >= self.window * FINEST_SHARE && !joins {
            self.flush();
        }
        self.pending.0 += duration;
        self.pending.1 += volume;
    }

    fn flush(&mut self) {
        let (duration, volume) = std::mem::take(&mut self.pending);
        if duration <= 0.0 && volume <= 0.0 {
            return;
        }
        // Where all that is there would not set a new mark, no window in it can.
        let worth_a_look = self.volume + volume > self.highest;
        // Windows that start at an edge and end inside the new stretch.
        let mut time = self.time;
        while time + duration > self.window {
            let Some(&(front_time, front_volume)) = self.stretches.front() else { break };
            if worth_a_look && time <= self.window {
                // Part of the new stretch inside the window that starts at the front's first edge.
                let share = if duration > 0.0 { ((self.window - time) / duration).at_most(1.0) } else { 1.0 };
                self.look(self.volume + volume * share);
            }
            if time + duration - front_time < self.window {
                // The window that ends at the end of the new stretch starts inside the front.
                if worth_a_look && front_time > 0.0 {
                    let outside = (time + duration - self.window) / front_time;
                    self.look(self.volume - front_volume * outside.at_most(1.0) + volume);
                }
                break;
            }
            self.stretches.pop_front();
            time -= front_time;
            self.volume -= front_volume;
        }
        if self.stretches.is_empty() {
            time = 0.0;
            self.volume = 0.0;
        }
        self.time = time + duration;
        self.volume += volume;
        self.stretches.push_back((duration, volume));
        if self.time <= self.window {
            self.look(self.volume);
        } else if self.stretches.len() == 1 {
            self.look(self.volume * self.window / self.time);
        }
        // Sums drift by one rounding a step; begin them anew now and then.
        self.pushes += 1;
        if self.pushes == 1 << 16 {
            self.pushes = 0;
            self.time = self.stretches.iter().map(|s| s.0).sum();
            self.volume = self.stretches.iter().map(|s| s.1).sum();
        }
    }

    fn look(&mut self, volume: f64) {
        self.highest = self.highest.at_least(volume);
    }

    /// Highest average so far, mm³/s.
    pub fn highest(&mut self) -> f64 {
        self.flush();
        self.highest / self.window
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn highest(window: f64, stretches: &[(f64, f64)]) -> f64 {
        let mut average = MovingAverage::new(window);
        for &(duration, volume) in stretches {
            average.push(duration, volume);
        }
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

    proptest! {
        #[test]
        fn agrees_with_every_window_tried(
            stretches in prop::collection::vec((0.01_f64..5.0, 0.0_f64..40.0), 1..40),
            window in 0.5_f64..20.0,
        ) {
            let mut edges = vec![0.0];
            let mut sums = vec![0.0];
            for (duration, volume) in &stretches {
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
            let got = highest(window, &stretches);
            prop_assert!((got - best / window).abs() <= 1e-9 * (1.0 + best / window), "{got} against {}", best / window);
        }
    }
}
