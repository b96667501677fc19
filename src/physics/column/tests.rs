use super::*;
use crate::physics::stiffness::gent;
use proptest::prelude::*;

fn solid(modulus: f64) -> Solid {
    Solid::new(Modulus::from_mpa(modulus), 0.5, Density::from_g_cm3(1.1)).unwrap()
}

/// A rectangle `deep` along the sway and `wide` across it.
fn slice(height: f64, deep: f64, wide: f64) -> Slice {
    Slice::new(height, deep * wide, wide * deep.powi(3) / 12.0, shear_factor_of_rectangle(0.5)).unwrap()
}

fn prism(modulus: f64, length: f64, side: f64, slices: usize) -> Column {
    let mut column = Column::clamped();
    for _ in 0..slices {
        column.grow(&slice(length / slices as f64, side, side), &solid(modulus));
    }
    column
}

/// A body whose area goes with the power `area` of the distance from its apex and whose second moment with `second`,
/// without shear: coefficients of tip deflection (of rho a A0 L⁴ / EI0) and frequency.
fn taper(area: i32, second: i32) -> (f64, f64) {
    let (slices, length, a0, i0) = (4000, 100.0, 400.0, 13_333.0);
    let stuff = Solid::new(Modulus::from_mpa(1.0), 0.0, Density::from_g_cm3(1.0)).unwrap();
    let mut column = Column::clamped();
    for index in 0..slices {
        let s = 1.0 - (f64::from(index) + 0.5) / f64::from(slices);
        // Slender beyond belief, so that shear is nothing: the second moment is that of a needle.
        let cut = Slice::new(length / f64::from(slices), a0 * s.powi(area), 1e-6 * i0 * s.powi(second), 1.0).unwrap();
        column.grow(&cut, &stuff);
    }
    let unit = 1e-9 * a0 * length.powi(4) / (1e-6 * i0);
    let omega = column.frequency_hz() * std::f64::consts::TAU;
    (column.tip_per_accel() / unit, omega * unit.sqrt())
}

fn near(got: f64, known: f64, relative: f64) {
    assert!((got / known - 1.0).abs() < relative, "{got} is not {known} to {relative:e}");
}

#[test]
fn shear_factors_of_cowper() {
    for (poisson, rectangle) in [(0.3, 0.849_673), (0.45, 0.855_457), (0.5, 6.0 / 7.0)] {
        near(shear_factor_of_rectangle(poisson), rectangle, 1e-6);
    }
}

/// Soft prisms: d_b, d_s, f1 (of bending alone) worked in independent code from the closed forms.
#[test]
fn worked_prisms() {
    let rows = [
        (5.0, 20.0, 100.0, 1.0, 1.48239, 0.069_178_4, 5.13859),
        (20.0, 20.0, 100.0, 1.0, 0.563_585, 0.026_300_6, 8.33386),
        (40.0, 10.0, 60.0, 1.0, 0.126_560, 0.004_101_47, 17.5865),
        (85.0, 10.0, 100.0, 1.0, 0.125_168, 0.001_460_3, 17.6839),
        (5.0, 30.0, 50.0, 0.5, 0.020_588_8, 0.008_647_3, 30.8315),
    ];
    for (shore, side, length, accel, bending, shear, frequency) in rows {
        let column = prism(gent(shore).unwrap().as_mpa(), length, side, 7);
        near(column.tip_per_accel() * accel * 1000.0, bending + shear, 1e-5);
        // Shear lowers the frequency about as it raises the deflection; the shape of bending alone is 0.4 % high.
        let lowered = frequency / (1.0 + shear / bending).sqrt();
        assert!(column.frequency_hz() < frequency * 1.005, "{}", column.frequency_hz());
        near(column.frequency_hz(), lowered, 0.02);
        near(column.mass_g(), 1.1e-3 * side * side * length, 1e-12);
    }
}

#[test]
fn steel_cantilevers() {
    // f1 of two 50 x 50 mm bars; a public page prints 208.6 Hz for the second, its own formula gives 41.776.
    for (length, modulus, density, frequency) in [(3000.0, 203e3, 7.83, 4.569_565), (1000.0, 210e3, 7.85, 41.775_830)] {
        let steel = Solid::new(Modulus::from_mpa(modulus), 0.3, Density::from_g_cm3(density)).unwrap();
        let mut bar = Column::clamped();
        bar.grow(&slice(length, 50.0, 50.0), &steel);
        assert!(bar.frequency_hz() < frequency * 1.0041);
        near(bar.frequency_hz(), frequency, 0.004_1);
    }
}

#[test]
fn prism_wedge_and_cone() {
    // Tips by integrating M / EI; frequencies of G. Kirchhoff 1879 (from memory, again from Bessel roots). The quotient
    // of the static shape by hand: 162/13 of x⁴ - 4x³ + 6x², 30 of the wedge, 84 of x² of the cone: 0.40, 3.1 and 5.1 %
    // above the true ones.
    let cases =
        [(0, 0, 8.0, 3.516_015, 162.0 / 13.0), (1, 3, 12.0, 5.315_099, 30.0), (2, 4, 24.0, 8.719_259, 84.0_f64)];
    for (area, second, divisor, frequency, quotient) in cases {
        let (tip, omega) = taper(area, second);
        near(tip, 1.0 / divisor, 2e-3);
        near(omega, quotient.sqrt(), 1e-4);
        assert!(omega > frequency && omega < 1.052 * frequency, "{omega} {frequency}");
    }
}

#[test]
fn slicing_does_not_matter() {
    let one = prism(0.7319, 100.0, 20.0, 1);
    for slices in [2, 13, 400, 40_000] {
        let many = prism(0.7319, 100.0, 20.0, slices);
        near(many.tip_per_accel(), one.tip_per_accel(), 1e-9);
        near(many.give_mm_per_n(), one.give_mm_per_n(), 1e-9);
        near(many.frequency_hz(), one.frequency_hz(), 1e-9);
    }
}

#[test]
fn the_invariant_of_the_prism() {
    // d omega² / a = x1⁴ / 8 = 1.545295 with the true frequency, 1.557692 = 162/13/8 with that of the static shape.
    let column = prism(0.7319, 1000.0, 5.0, 50);
    let omega = column.frequency_hz() * std::f64::consts::TAU;
    near(column.tip_per_accel() * omega * omega, 162.0 / 13.0 / 8.0, 1e-4);
    near(column.tip_per_accel() * (omega / 1.003_999).powi(2), 1.545_295, 1e-4);
}

#[test]
fn shear_against_bending_by_the_depth() {
    // d_s / d_b = 1.1667 (h / L)², nu = 0.5.
    for depth in [2.0, 10.0, 30.0] {
        let whole = prism(1.0, 50.0, depth, 3).tip_per_accel();
        let bending = 1.1e-9 * 50.0_f64.powi(4) / 8.0 * 12.0 / (depth * depth);
        near(whole / bending - 1.0, 7.0 / 6.0 * (depth / 50.0_f64).powi(2), 1e-9);
    }
}

#[test]
fn two_equal_legs_are_one_leg_twice_as_wide() {
    let leg = prism(1.0, 60.0, 8.0, 20);
    let pair = Column::join(&[leg, leg]);
    near(pair.give_mm_per_n(), leg.give_mm_per_n() / 2.0, 1e-12);
    near(pair.tip_per_accel(), leg.tip_per_accel(), 1e-12);
    near(pair.frequency_hz(), leg.frequency_hz(), 1e-12);
    near(pair.mass_g(), 2.0 * leg.mass_g(), 1e-12);
    // And what is laid on both behaves as on a leg of twice the width.
    let (mut on_pair, mut on_wide) = (pair, Column::clamped());
    on_wide.grow(&slice(60.0, 8.0, 16.0), &solid(1.0));
    for column in [&mut on_pair, &mut on_wide] {
        column.grow(&slice(30.0, 12.0, 5.0), &solid(1.0));
    }
    near(on_pair.tip_per_accel(), on_wide.tip_per_accel(), 1e-11);
    near(on_pair.frequency_hz(), on_wide.frequency_hz(), 1e-11);
}

#[test]
fn a_stiff_leg_holds_a_soft_one() {
    let (soft, stiff) = (prism(1.0, 60.0, 5.0, 4), prism(1.0, 60.0, 15.0, 4));
    let both = Column::join(&[soft, stiff]);
    assert!(both.tip_per_accel() < soft.tip_per_accel() && both.tip_per_accel() > stiff.tip_per_accel());
    assert!(both.give_mm_per_n() < stiff.give_mm_per_n());
    // Energy: the work of the inertia on the static shape is the same whichever way it is summed.
    let swapped = Column::join(&[stiff, soft]);
    near(both.frequency_hz(), swapped.frequency_hz(), 1e-12);
}

#[test]
fn stacking_columns_is_growing_slice_by_slice() {
    let (mut whole, mut lower, mut upper) = (Column::clamped(), Column::clamped(), Column::clamped());
    for (index, side) in [20.0, 14.0, 30.0, 8.0, 9.0].into_iter().enumerate() {
        let cut = slice(5.0 + side, side, 11.0);
        whole.grow(&cut, &solid(2.0));
        if index < 2 { lower.grow(&cut, &solid(2.0)) } else { upper.grow(&cut, &solid(2.0)) }
    }
    lower.stack(&upper);
    for (got, known) in [
        (lower.tip_per_accel(), whole.tip_per_accel()),
        (lower.give_mm_per_n(), whole.give_mm_per_n()),
        (lower.frequency_hz(), whole.frequency_hz()),
        (lower.height_mm(), whole.height_mm()),
    ] {
        near(got, known, 1e-12);
    }
}

#[test]
fn mass_fixed_to_the_tip() {
    // By hand: a mass at height e above the tip of a massless bar loads it with force m and moment m e.
    let light = Solid::new(Modulus::from_mpa(2.0), 0.5, Density::from_g_cm3(1e-9)).unwrap();
    let mut bar = Column::clamped();
    bar.grow(&slice(40.0, 10.0, 10.0), &light);
    let (bend, shear) = (40.0 / (2.0 * 10_000.0 / 12.0), 40.0 / (6.0 / 7.0 * 2.0 / 3.0 * 100.0));
    let (m, e) = (3e-6, 12.0);
    bar.carry(Lump { mass: m, first: m * e, second: m * e * e });
    near(bar.tip_per_accel(), m * (bend * 1600.0 / 3.0 + shear) + m * e * bend * 20.0, 1e-6);
    // One mass: its own displacement u gives omega² = 1 / (u / m) exactly.
    let u = bar.tip_per_accel() + e * (m * bend * 20.0 + m * e * bend);
    near(bar.frequency_hz(), u.recip().sqrt() / std::f64::consts::TAU, 1e-6);
    near(bar.mass_g(), 3.0, 1e-6);
}

#[test]
fn nonsense_has_no_answer() {
    for wrong in [0.0, -1.0, f64::NAN, f64::INFINITY] {
        assert!(Slice::new(wrong, 1.0, 1.0, 1.0).is_err());
        assert!(Slice::new(1.0, wrong, 1.0, 1.0).is_err());
        assert!(Slice::new(1.0, 1.0, wrong, 1.0).is_err());
        assert!(Slice::new(1.0, 1.0, 1.0, wrong).is_err());
        assert!(Solid::new(Modulus::from_mpa(wrong), 0.5, Density::from_g_cm3(1.0)).is_err());
        assert!(Solid::new(Modulus::from_mpa(1.0), 0.5, Density::from_g_cm3(wrong)).is_err());
    }
    assert!(Solid::new(Modulus::from_mpa(1.0), 0.51, Density::from_g_cm3(1.0)).is_err());
    assert_eq!(Column::join(&[]), Column::clamped());
    assert_eq!(Column::clamped().frequency_hz(), f64::INFINITY);
    let leg = prism(1.0, 10.0, 5.0, 1);
    assert_eq!(Column::join(&[leg, Column::clamped()]), Column::clamped(), "held by the place it is clamped at");
}

proptest! {
    #[test]
    fn harder_and_wider_sways_less_and_taller_more(
        modulus in 0.05..50.0_f64,
        sides in proptest::collection::vec((2.0..50.0_f64, 2.0..50.0_f64, 0.1..20.0_f64), 1..20),
        by in 1.01..3.0_f64,
    ) {
        let build = |modulus: f64, wide: f64| {
            let mut column = Column::clamped();
            for (deep, across, height) in &sides {
                column.grow(&slice(*height, deep * wide, *across), &solid(modulus));
            }
            column
        };
        let column = build(modulus, 1.0);
        let harder = build(modulus * by, 1.0);
        prop_assert!((harder.tip_per_accel() * by / column.tip_per_accel() - 1.0).abs() < 1e-9);
        prop_assert!((harder.frequency_hz() / by.sqrt() / column.frequency_hz() - 1.0).abs() < 1e-9);
        prop_assert!(build(modulus, by).tip_per_accel() < column.tip_per_accel());
        let mut taller = column;
        taller.grow(&slice(1.0, 3.0, 3.0), &solid(modulus));
        prop_assert!(taller.tip_per_accel() > column.tip_per_accel());
        prop_assert!(taller.give_mm_per_n() > column.give_mm_per_n());
    }
}
