//! Least squares against certified values.
//!
//! Data and certified values: *Statistical Reference Datasets* (StRD), linear regression, of the National Institute of
//! Standards and Technology, an agency of the United States; public domain. Data sets Norris, Pontius, NoInt1, NoInt2.
//! The F values and the last digits of some others were computed again with exact fractions from the same data.

use meltwright::physics::regression::{LeastSquares, least_squares};

/// Digits that have to agree.
const DIGITS: f64 = 12.0;

struct Certified<'a> {
    coefficients: &'a [f64],
    deviations: &'a [f64],
    residual_sd: f64,
    r_squared: f64,
    sse: f64,
    f_statistic: f64,
}

/// Digits two numbers have in common, at most 16.
fn digits(got: f64, known: f64) -> f64 {
    let off = ((got - known) / known).abs();
    if off == 0.0 { 16.0 } else { (-off.log10()).min(16.0) }
}

#[track_caller]
fn agrees(name: &str, fit: &LeastSquares, known: &Certified<'_>) {
    assert_eq!(fit.coefficients.len(), known.coefficients.len());
    let mut pairs: Vec<(String, f64, f64)> = vec![
        ("residual sd".to_owned(), fit.residual_sd, known.residual_sd),
        ("R²".to_owned(), fit.r_squared, known.r_squared),
        ("sum of squares".to_owned(), fit.sse, known.sse),
        ("F".to_owned(), fit.f_statistic, known.f_statistic),
    ];
    for (index, (got, certified)) in fit.coefficients.iter().zip(known.coefficients).enumerate() {
        pairs.push((format!("b{index}"), *got, *certified));
    }
    for (index, (got, certified)) in fit.standard_deviations.iter().zip(known.deviations).enumerate() {
        pairs.push((format!("sd of b{index}"), *got, *certified));
    }
    for (what, got, certified) in pairs {
        let common = digits(got, certified);
        println!("{name}, {what}: {common:.1} digits");
        assert!(common >= DIGITS, "{name}, {what}: {got:e} against {certified:e}, {common:.1} digits");
    }
}

#[rustfmt::skip]
const NORRIS: &[(f64, f64)] = &[
    (0.2, 0.1), (337.4, 338.8), (118.2, 118.1), (884.6, 888.0), (10.1, 9.2), (226.5, 228.1), (666.3, 668.5),
    (996.3, 998.5), (448.6, 449.1), (777.0, 778.9), (558.2, 559.2), (0.4, 0.3), (0.6, 0.1), (775.5, 778.1),
    (666.9, 668.8), (338.0, 339.3), (447.5, 448.9), (11.6, 10.8), (556.0, 557.7), (228.1, 228.3),
    (995.8, 998.0), (887.6, 888.8), (120.2, 119.6), (0.3, 0.3), (0.3, 0.6), (556.8, 557.6), (339.1, 339.3),
    (887.2, 888.0), (999.0, 998.5), (779.0, 778.9), (11.1, 10.2), (118.3, 117.6), (229.2, 228.9),
    (669.1, 668.4), (448.9, 449.2), (0.5, 0.2),
];

#[rustfmt::skip]
const PONTIUS: &[(f64, f64)] = &[
    (150_000.0, 0.110_19), (300_000.0, 0.219_56), (450_000.0, 0.329_49), (600_000.0, 0.438_99),
    (750_000.0, 0.548_03), (900_000.0, 0.656_94), (1_050_000.0, 0.765_62), (1_200_000.0, 0.874_87),
    (1_350_000.0, 0.982_92), (1_500_000.0, 1.091_46), (1_650_000.0, 1.200_01), (1_800_000.0, 1.308_22),
    (1_950_000.0, 1.415_99), (2_100_000.0, 1.523_99), (2_250_000.0, 1.631_94), (2_400_000.0, 1.739_47),
    (2_550_000.0, 1.846_46), (2_700_000.0, 1.953_92), (2_850_000.0, 2.061_28), (3_000_000.0, 2.168_44),
    (150_000.0, 0.110_52), (300_000.0, 0.220_18), (450_000.0, 0.329_39), (600_000.0, 0.438_86),
    (750_000.0, 0.547_98), (900_000.0, 0.657_39), (1_050_000.0, 0.765_96), (1_200_000.0, 0.874_74),
    (1_350_000.0, 0.983_00), (1_500_000.0, 1.091_50), (1_650_000.0, 1.200_04), (1_800_000.0, 1.308_18),
    (1_950_000.0, 1.416_13), (2_100_000.0, 1.524_08), (2_250_000.0, 1.631_59), (2_400_000.0, 1.739_65),
    (2_550_000.0, 1.846_96), (2_700_000.0, 1.954_45), (2_850_000.0, 2.061_77), (3_000_000.0, 2.168_29),
];

#[rustfmt::skip]
const NOINT1: &[(f64, f64)] = &[
    (60.0, 130.0), (61.0, 131.0), (62.0, 132.0), (63.0, 133.0), (64.0, 134.0), (65.0, 135.0), (66.0, 136.0),
    (67.0, 137.0), (68.0, 138.0), (69.0, 139.0), (70.0, 140.0),
];

#[rustfmt::skip]
const NOINT2: &[(f64, f64)] = &[
    (4.0, 3.0), (5.0, 4.0), (6.0, 4.0),
];

fn split(data: &[(f64, f64)]) -> (Vec<f64>, Vec<f64>) {
    data.iter().copied().unzip()
}

#[test]
fn norris() {
    let (x, y) = split(NORRIS);
    let fit = least_squares(&[vec![1.0; x.len()], x], &y).expect("36 points");
    assert_eq!(fit.residual_df, 34);
    agrees(
        "Norris",
        &fit,
        &Certified {
            coefficients: &[-0.262323073774029, 1.00211681802045],
            deviations: &[0.232818234301152, 0.429796848199937e-3],
            residual_sd: 0.884796396144373,
            r_squared: 0.999993745883712,
            sse: 26.6173985294224,
            f_statistic: 5436385.54079785,
        },
    );
}

#[test]
fn pontius() {
    let (x, y) = split(PONTIUS);
    let squares = x.iter().map(|x| x * x).collect();
    let fit = least_squares(&[vec![1.0; x.len()], x, squares], &y).expect("40 points");
    assert_eq!(fit.residual_df, 37);
    agrees(
        "Pontius",
        &fit,
        &Certified {
            coefficients: &[0.673565789473684e-3, 0.732059160401003e-6, -0.316081871345029e-14],
            deviations: &[0.107938612033077e-3, 0.157817399981659e-9, 0.486652849992036e-16],
            residual_sd: 0.205177424076185e-3,
            r_squared: 0.999999900178537,
            sse: 0.155761768796992e-5,
            f_statistic: 185330865.995752,
        },
    );
}

#[test]
fn noint1() {
    let (x, y) = split(NOINT1);
    let fit = least_squares(&[x], &y).expect("11 points");
    assert_eq!(fit.residual_df, 10);
    agrees(
        "NoInt1",
        &fit,
        &Certified {
            coefficients: &[2.07438016528926],
            deviations: &[0.165289256198347e-1],
            residual_sd: 3.56753034006338,
            r_squared: 0.999365492298663,
            sse: 127.272727272727,
            f_statistic: 15750.25,
        },
    );
}

#[test]
fn noint2() {
    let (x, y) = split(NOINT2);
    let fit = least_squares(&[x], &y).expect("3 points");
    assert_eq!(fit.residual_df, 2);
    agrees(
        "NoInt2",
        &fit,
        &Certified {
            coefficients: &[0.727272727272727],
            deviations: &[0.420827318078432e-1],
            residual_sd: 0.369274472937998,
            r_squared: 0.993348115299335,
            sse: 0.272727272727273,
            f_statistic: 298.666666666667,
        },
    );
}
