//! The account of the volume that is stored between screw and nozzle.

/// What the passes know of the melt and the screw.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Melt {
    /// Time constant τ, s.
    pub lag_s: f64,
    /// Flow at the highest screw speed, forward and backward, mm³/s.
    pub screw_mm3_s: f64,
    /// Most the screw may turn back at one time, mm³.
    pub max_reverse_mm3: f64,
    /// Over what time the screw keeps up its sustained capacity on average, s.
    pub window_s: f64,
}

/// Stored volume and the balance of what was laid.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Spring {
    /// Stored volume S, mm³.
    pub stored: f64,
    /// Laid so far less what was wanted, mm³.
    pub surplus: f64,
}

/// Below, φ₂ is given by its series, from which all else follows without a power of e, and nothing cancels: what is left
/// out is less than 1e-13.
const SERIES_UP_TO: f64 = 0.5;
/// φ₂(x) = Σ (-x)ⁿ / (n + 2)!: the terms without their signs.
const PHI_2: [f64; 12] = {
    let mut terms = [0.5; 12];
    let mut n = 1;
    while n < terms.len() {
        terms[n] = terms[n - 1] / (n as f64 + 2.0);
        n += 1;
    }
    terms
};

/// φ₂ by its series. Neighbours are added first, side by side: one after the other each would wait for the one before.
#[inline]
fn phi_2(x: f64) -> f64 {
    let [a, b, c, d, e, f, g, h, i, j, k, l] = PHI_2;
    let square = x * x;
    let fourth = square * square;
    let first = (a - x * b) + square * (c - x * d);
    let middle = (e - x * f) + square * (g - x * h);
    let last = (i - x * j) + square * (k - x * l);
    first + fourth * (middle + fourth * last)
}

/// Weights of one stretch of time: what is left of S after it, and what a flow adds to S.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Weights {
    /// Share of S that is left, e^-x with x = t / τ.
    pub kept: f64,
    /// ∫ v(s) e^-(t - s)/τ ds for a speed v that goes evenly from one value to another, mm.
    pub fill: f64,
}

impl Weights {
    /// Over `time` s at a speed from `v0` to `v1` mm/s.
    ///
    /// With φ₁(x) = (1 - e⁻ˣ)/x and φ₂(x) = (1 - φ₁)/x the fill is t (v0 φ₁ + (v1 - v0) φ₂).
    pub fn new(time: f64, v0: f64, v1: f64, lag: f64) -> Self {
        let x = time / lag;
        let (kept, first, second);
        if x < SERIES_UP_TO {
            second = phi_2(x);
            first = 1.0 - x * second;
            kept = 1.0 - x * first;
        } else {
            kept = (-x).exp();
            first = (1.0 - kept) / x;
            second = (1.0 - first) / x;
        }
        Self { kept, fill: time * (v0 * first + (v1 - v0) * second) }
    }
}

impl Spring {
    /// The screw stands or turns evenly for `time` s: `volume` mm³ are pushed. Returns the volume let out.
    pub fn rest(&mut self, time: f64, volume: f64, melt: &Melt) -> f64 {
        if time <= 0.0 {
            self.stored += volume;
            return 0.0;
        }
        let weights = Weights::new(time, volume / time, volume / time, melt.lag_s);
        let before = self.stored;
        self.stored = before * weights.kept + weights.fill;
        before + volume - self.stored
    }

    /// A stretch of bead: `volume` mm³ are pushed along `length` mm where `wanted` mm³ are to be laid.
    pub fn lay(&mut self, weights: Weights, area: f64, volume: f64, wanted: f64) {
        let before = self.stored;
        self.stored = before * weights.kept + area * weights.fill;
        self.surplus += before + volume - self.stored - wanted;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn series_and_closed_form_agree_and_match_small_steps() {
        for time in [0.003, 0.0079, 0.0081, 0.05, 0.1999, 0.2001, 0.4, 2.0] {
            let (lag, v0, v1) = (0.4, 5.0, 50.0);
            let weights = Weights::new(time, v0, v1, lag);
            let steps = 200_000;
            let h = time / f64::from(steps);
            let sum: f64 = (0..steps)
                .map(|i| {
                    let s = (f64::from(i) + 0.5) * h;
                    (v0 + (v1 - v0) * s / time) * (-(time - s) / lag).exp() * h
                })
                .sum();
            assert!((weights.fill - sum).abs() < 1e-8 * sum, "{time}: {} against {sum}", weights.fill);
            assert!((weights.kept - (-time / lag).exp()).abs() < 1e-13);
        }
    }

    #[test]
    fn a_charge_of_the_lag_times_the_flow_gives_that_flow_at_once() {
        // S = tau Q = 0.4 * 5 = 2 mm3; then a bead of 0.1 mm2 at 50 mm/s (5 mm3/s) for 1 s lays 5 mm3 and keeps S.
        let melt = Melt { lag_s: 0.4, screw_mm3_s: 30.0, max_reverse_mm3: 5.0, window_s: 60.0 };
        let mut spring = Spring { stored: 2.0, surplus: 0.0 };
        spring.lay(Weights::new(1.0, 50.0, 50.0, melt.lag_s), 0.1, 5.0, 5.0);
        assert!((spring.stored - 2.0).abs() < 1e-12 && spring.surplus.abs() < 1e-12, "{spring:?}");
        // Standing for one time constant lets out 2 (1 - 1/e) = 1.264241 mm3.
        assert!((spring.rest(0.4, 0.0, &melt) - 1.264_241_117_657).abs() < 1e-9);
    }
}
