use super::*;
use proptest::prelude::*;

fn run(melt: &mut Melt, time: f64, from: f64, to: f64) -> f64 {
    melt.run(time, VolumeFlow::from_mm3_s(from), VolumeFlow::from_mm3_s(to)).as_mm3()
}

fn melt(lag: f64, dead_time: f64, capacity: f64) -> Melt {
    Melt::new(lag, dead_time, VolumeFlow::from_mm3_s(capacity))
}

fn stored(melt: &Melt) -> f64 {
    melt.stored().as_mm3()
}

#[track_caller]
fn near(got: f64, expected: f64, tolerance: f64) {
    assert!((got - expected).abs() <= tolerance, "{got}, expected {expected}");
}

#[test]
fn helper_functions_by_hand() {
    // x = 1: 1 - 1/e, 1/e, 1/2 - 1/e. x = 1/4 is summed as a series; e^-1/4 = 0.778800783071405.
    let e = (-1.0_f64).exp();
    for (got, expected) in phi(1.0).into_iter().zip([1.0 - e, e, 0.5 - e]) {
        near(got, expected, 1e-15);
    }
    let phi1 = 4.0 * (1.0 - 0.778_800_783_071_404_9);
    let phi2 = 4.0 * (1.0 - phi1);
    for (got, expected) in phi(0.25).into_iter().zip([phi1, phi2, 4.0 * (0.5 - phi2)]) {
        near(got, expected, 2e-14);
    }
    assert_eq!(phi(0.0), [1.0, 0.5, 1.0 / 6.0]);
    // Both ways and both lengths of the series agree where they meet.
    for x in [SERIES_BELOW, 0.1] {
        for (below, above) in phi(x * (1.0 - 1e-14)).into_iter().zip(phi(x)) {
            near(below, above, 4e-15);
        }
    }
}

#[test]
fn a_step_of_flow() {
    // Out after t: q (t - tau (1 - e^-t/tau)); stored: q tau (1 - e^-t/tau).
    for (tau, q, t) in [(0.4, 5.0, 1.0_f64), (0.4, 5.0, 1e-7), (2.0, 30.0, 0.3), (0.01, 7.0, 100.0)] {
        let mut melt = melt(tau, 0.0, 100.0);
        let filled = -(-t / tau).exp_m1();
        let out = run(&mut melt, t, q, q);
        let expected = q * (t - tau * filled);
        // For the shortest the formula itself loses digits: q t^2 / 2 tau there.
        let expected = if t < 1e-6 { q * t * t / (2.0 * tau) * (1.0 - t / (3.0 * tau)) } else { expected };
        near(out, expected, 1e-12 * expected);
        near(stored(&melt), q * tau * filled, 1e-12 * q * t);
        near(melt.outflow().as_mm3_s(), q * filled, 1e-12 * q);
    }
}

#[test]
fn a_ramp_of_flow() {
    // Qc = k t from rest: Q = k (t - tau (1 - e^-t/tau)), out: k (t^2/2 - tau t + tau^2 (1 - e^-t/tau)).
    let (tau, k, t) = (0.4, 12.0, 0.9_f64);
    let filled = -(-t / tau).exp_m1();
    let mut melt = melt(tau, 0.0, 100.0);
    let out = run(&mut melt, t, 0.0, k * t);
    near(melt.outflow().as_mm3_s(), k * (t - tau * filled), 1e-12);
    near(out, k * (t * t / 2.0 - tau * t + tau * tau * filled), 1e-12);
}

#[test]
fn a_decay_after_steady_flow() {
    // S = tau q, and all of it drools out; after t: tau q (1 - e^-t/tau).
    let (tau, q) = (0.4, 5.0);
    let mut melt = melt(tau, 0.0, 100.0);
    run(&mut melt, 60.0, q, q);
    near(stored(&melt), tau * q, 1e-12);
    let out = run(&mut melt, 0.25, 0.0, 0.0);
    near(out, tau * q * -(-0.25_f64 / tau).exp_m1(), 1e-12);
    near(out + run(&mut melt, 60.0, 0.0, 0.0), tau * q, 1e-12);
}

#[test]
fn perfect_compensation_gives_what_is_wanted() {
    // Qc = Q + tau dQ/dt with Q = k t, then Q = k t1: the outflow is Q from the start.
    let (tau, k, t1) = (0.4, 12.0, 0.5);
    let mut melt = melt(tau, 0.0, 100.0);
    let out = run(&mut melt, t1, tau * k, k * t1 + tau * k);
    near(out, k * t1 * t1 / 2.0, 1e-13);
    near(run(&mut melt, 2.0, k * t1, k * t1), 2.0 * k * t1, 1e-12);
}

#[test]
fn without_a_lag_the_outflow_is_the_command() {
    let mut melt = melt(0.0, 0.0, 10.0);
    near(run(&mut melt, 2.0, 1.0, 4.0), 5.0, 0.0);
    assert_eq!(run(&mut melt, 1.0, -3.0, -3.0), 0.0);
    // 3 mm³ were drawn back and have to be refilled first: a ramp of 2 t reaches them after root 3.
    near(run(&mut melt, 2.0, 0.0, 4.0), 1.0, 1e-14);
}

#[test]
fn a_reversal_draws_back_what_has_to_be_refilled() {
    let (tau, q) = (0.4, 5.0_f64);
    let mut melt = melt(tau, 0.0, 100.0);
    run(&mut melt, 60.0, q, q);
    // S(t) = -tau r + (tau q + tau r) e^-t/tau is zero at t0 = tau ln(1 + q/r), 0.0729 s at r = 25.
    let r = 25.0;
    let t0 = tau * (q / r).ln_1p();
    let out = run(&mut melt, 0.2, -r, -r);
    near(out, tau * q - r * t0, 1e-12);
    near(stored(&melt), -r * (0.2 - t0), 1e-12);
    // Refilled at the same flow: nothing for 0.2 s - t0, then as from rest.
    let t = t0;
    let out = run(&mut melt, 0.2, r, r);
    near(out, r * (t + tau * (-t / tau).exp_m1()), 1e-12);
}

#[test]
fn what_the_screw_cannot_turn_is_lost() {
    // From 0 to 20 with 10 at most: half the time, and a triangle of 1 s times 10 / 2 is refused.
    let mut melt = melt(0.0, 0.0, 10.0);
    near(run(&mut melt, 2.0, 0.0, 20.0), 15.0, 1e-12);
    let asked = melt.asked();
    assert_eq!((asked.net.as_mm3(), asked.refused.as_mm3()), (20.0, 5.0));
    assert_eq!((asked.highest.as_mm3_s(), asked.saturated_s), (20.0, 1.0));
    // Backward the same bound holds: from 20 to -20 a triangle of 5 mm³ on either side.
    run(&mut melt, 4.0, 20.0, -20.0);
    let asked = melt.asked();
    assert_eq!((asked.refused.as_mm3(), asked.refused_back.as_mm3(), asked.saturated_s), (10.0, 5.0, 3.0));
}

#[test]
fn dead_time_shifts_the_answer() {
    let mut melt = melt(0.0, 0.3, 100.0);
    let ramp: Vec<f64> = (0..10).map(|i| run(&mut melt, 0.1, f64::from(i), f64::from(i + 1))).collect();
    for (i, out) in ramp.into_iter().enumerate() {
        // The ramp starts three steps later: (2 (i - 3) + 1) / 2 * 0.1 s.
        let expected = if i < 3 { 0.0 } else { 0.1 * (i as f64 - 2.5) };
        near(out, expected, 1e-13);
    }
    // 0.1 s times (8 + 9 + 10 - 1.5) waits in the line.
    near(stored(&melt), 2.55, 1e-13);
}

#[test]
fn no_time_and_nonsense_do_nothing() {
    let mut melt = melt(0.4, 0.0, 10.0);
    for time in [0.0, -1.0, f64::NAN, f64::INFINITY] {
        assert_eq!(run(&mut melt, time, 5.0, 5.0), 0.0);
    }
    assert_eq!((stored(&melt), melt.asked()), (0.0, Asked::default()));
}

#[test]
fn the_delay_line_stays_small() {
    let mut melt = melt(0.4, 1.0, 10.0);
    for i in 0..200_000 {
        let flow = f64::from(i % 7);
        run(&mut melt, 1e-6, flow, flow + 1.0);
    }
    assert!(melt.delayed.len() <= MOST_DELAYED);
    // 0.2 s of mean flow 3.5 waits.
    near(stored(&melt), 0.7, 1e-5);
}

/// Plain small steps by the midpoint rule, with everything decided anew in each of them.
fn small_steps(pieces: &[(f64, f64, f64)], tau: f64, dead: usize, capacity: f64, step: f64) -> (Vec<f64>, f64) {
    let mut commands: std::collections::VecDeque<f64> = std::iter::repeat_n(0.0, dead).collect();
    let (mut s, mut outs) = (0.0_f64, Vec::new());
    for &(time, from, to) in pieces {
        let steps = (time / step).round() as usize;
        let mut out = 0.0;
        for i in 0..steps {
            let middle = from + (to - from) * ((i as f64 + 0.5) / steps as f64);
            commands.push_back(middle.clamp(-capacity, capacity));
            let command = commands.pop_front().unwrap_or(0.0);
            let rate = |s: f64| command - s.max(0.0) / tau;
            let half = s + 0.5 * step * rate(s);
            out += step * half.max(0.0) / tau;
            s += step * rate(half);
        }
        outs.push(out);
    }
    (outs, s)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    /// Against small steps: what comes out of each piece, over pieces that reverse, saturate and wait.
    #[test]
    fn random_pieces_as_by_small_steps(
        pieces in prop::collection::vec((1_u32..300, -30.0..40.0_f64, -30.0..40.0_f64), 1..12),
        tau in 0.05..2.0_f64,
        dead in 0_usize..200,
    ) {
        let step = 2e-6;
        let ms = 500;
        let pieces: Vec<(f64, f64, f64)> =
            pieces.into_iter().map(|(time, from, to)| (f64::from(time) * 1e-3, from, to)).collect();
        let (expected, s) = small_steps(&pieces, tau, dead * ms, 25.0, step);
        let mut melt = melt(tau, dead as f64 * 1e-3, 25.0);
        for (&(time, from, to), expected) in pieces.iter().zip(expected) {
            let out = run(&mut melt, time, from, to);
            prop_assert!((out - expected).abs() < 1e-6 * (1.0 + expected), "{out}, by small steps {expected}");
        }
        let held: f64 = melt.delayed.iter().map(|piece| piece.volume()).sum();
        prop_assert!((stored(&melt) - held - s).abs() < 1e-5, "{} {s}", stored(&melt) - held);
    }

    /// Cutting pieces changes nothing, and no volume is lost or made.
    #[test]
    fn cut_pieces_and_balance(
        pieces in prop::collection::vec((1e-6..0.5_f64, -30.0..40.0_f64, -30.0..40.0_f64), 1..20),
        tau in prop_oneof![Just(0.0), 1e-4..3.0_f64],
        dead_time in prop_oneof![Just(0.0), 1e-3..0.3_f64],
        cuts in 2_usize..40,
    ) {
        let (mut whole, mut cut) = (melt(tau, dead_time, 20.0), melt(tau, dead_time, 20.0));
        let mut total = 0.0;
        for (time, from, to) in pieces {
            let out = run(&mut whole, time, from, to);
            let at = |i: usize| from + (to - from) * (i as f64 / cuts as f64);
            let parts: f64 = (0..cuts).map(|i| run(&mut cut, time / cuts as f64, at(i), at(i + 1))).sum();
            prop_assert!(out >= 0.0);
            prop_assert!((out - parts).abs() < 1e-11, "{out} {parts}");
            total += out;
        }
        let asked = whole.asked();
        let given = asked.net.as_mm3() - asked.refused.as_mm3() + asked.refused_back.as_mm3();
        prop_assert!((given - total - stored(&whole)).abs() < 1e-10, "{given} {total} {}", stored(&whole));
    }
}
