//! From hardness to stiffness, and back.
//!
//! Hardness says little about stiffness: all relations are regressions or linear-elastic indentation theory, and none
//! knows the polymer. So an estimate comes as a [`Stiffness`] with a band that covers the measurements read.

use super::range::{OutOfRange, when};
use crate::units::Modulus;

/// A hardness reading on its scale.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(tag = "scale", content = "value")]
pub enum Hardness {
    /// Shore A, 0 ..= 99.
    #[serde(rename = "A")]
    ShoreA(f64),
    /// Shore D, 10 ..= 95.
    #[serde(rename = "D")]
    ShoreD(f64),
    /// Shore OO, 0 ..= 70.
    #[serde(rename = "OO")]
    ShoreOo(f64),
}

/// An estimated modulus with its band.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Stiffness {
    /// By the relation of the scale.
    pub modulus_mpa: Modulus,
    /// Low end of the band that measured materials of this hardness fill.
    pub low_mpa: Modulus,
    /// High end of it.
    pub high_mpa: Modulus,
    /// The reading lies outside the range the relation was made for.
    pub extrapolated: bool,
}

impl Stiffness {
    /// The same stuff when warm: all three moduli times `factor`.
    ///
    /// `factor`: above 0, at most 1; by the user's own measurement or judgement. No law of temperature stands behind it.
    ///
    /// # Errors
    /// When the factor is outside its range.
    pub fn softened(self, factor: f64) -> Result<Self, OutOfRange> {
        when(factor > 0.0 && factor <= 1.0, "the factor of softening", "lie above 0 and not above 1", factor)?;
        Ok(Self {
            modulus_mpa: self.modulus_mpa * factor,
            low_mpa: self.low_mpa * factor,
            high_mpa: self.high_mpa * factor,
            ..self
        })
    }
}

/// Small-strain Young's modulus from Shore A, by indentation theory.
///
/// E = 0.0981 (56 + 7.62336 S) / (0.137505 (254 - 2.54 S))
///
/// | symbol | argument  | unit    | range                                          |
/// |--------|-----------|---------|------------------------------------------------|
/// | S      | `shore_a` | Shore A | 0 ..= 99; made for 20 ..= 99, singular at 100  |
///
/// # Assumes
/// Linear elastic, incompressible rubber; flat-ended punch.
///
/// # Accuracy
/// Silicones of 2A to 45A measured 0.33 to 0.54 of it, a polyurethane of 82A 3.4 times it: see [`estimate`].
///
/// # Errors
/// When the reading is not between 0 and 99.
///
/// # Source
/// A. N. Gent, Rubber Chem. Technol. 31 (1958) 896 (citation from memory; constants from three public code bases).
pub fn gent(shore_a: f64) -> Result<Modulus, OutOfRange> {
    check_a(shore_a)?;
    Ok(Modulus::from_mpa(0.0981 * (56.0 + 7.623_36 * shore_a) / (0.137_505 * (254.0 - 2.54 * shore_a))))
}

/// Shore A that [`gent`] gives a modulus; below 0 for moduli under 0.157 MPa, towards 100 for stiff ones.
///
/// S = (254 * 0.137505 E - 0.0981 * 56) / (0.0981 * 7.62336 + 2.54 * 0.137505 E)
///
/// # Source
/// [`gent`] solved for S.
pub fn gent_inverse(modulus: Modulus) -> f64 {
    let e = modulus.as_mpa();
    (254.0 * 0.137_505 * e - 0.0981 * 56.0) / (0.0981 * 7.623_36 + 2.54 * 0.137_505 * e)
}

/// Young's modulus from Shore A by the log-linear regression, in powers of ten.
///
/// log10(E) = 0.0235 S - 0.6403
///
/// | symbol | argument  | unit    | range                         |
/// |--------|-----------|---------|-------------------------------|
/// | S      | `shore_a` | Shore A | 0 ..= 99; made for 20 ..= 80  |
///
/// Two popular pages apply e^x to it, which gives 2.159 MPa for 60A instead of 5.884.
///
/// # Errors
/// When the reading is not between 0 and 99.
///
/// # Source
/// J. Borrello's page, ranges from cati.com; credited to Ruess in a white paper by K. Larson.
pub fn log_linear(shore_a: f64) -> Result<Modulus, OutOfRange> {
    check_a(shore_a)?;
    Ok(log_linear_of(shore_a))
}

/// As [`log_linear`] for Shore D: S = S_D + 50, made for 30 ..= 85 Shore D.
///
/// # Errors
/// When the reading is not between 10 and 95.
pub fn log_linear_d(shore_d: f64) -> Result<Modulus, OutOfRange> {
    check_d(shore_d)?;
    Ok(log_linear_of(shore_d + 50.0))
}

fn log_linear_of(s: f64) -> Modulus {
    Modulus::from_mpa(10_f64.powf(0.0235 * s - 0.6403))
}

/// Young's modulus from Shore D.
///
/// E = (781.88 - 156.376 u) / u²,   u = (100 - S_D) / 20
///
/// | symbol | argument  | unit    | range      |
/// |--------|-----------|---------|------------|
/// | S_D    | `shore_d` | Shore D | 10 ..= 95  |
///
/// # Errors
/// When the reading is not between 10 and 95.
///
/// # Source
/// H. J. Qi, K. Joyce, M. C. Boyce, Rubber Chem. Technol. 76 (2003) 419 (citation from memory; form from public code).
pub fn shore_d(shore_d: f64) -> Result<Modulus, OutOfRange> {
    check_d(shore_d)?;
    let u = (100.0 - shore_d) / 20.0;
    Ok(Modulus::from_mpa((781.88 - 156.376 * u) / (u * u)))
}

/// Three platinum silicones of the OO scale and the modulus of a neo-Hookean fit over 0 to 50 % strain, MPa.
///
/// Source: raw curves of L. Marechal et al., Soft Robotics 2020, doi:10.1089/soro.2019.0115; fits by us.
const MEASURED_OO: [(f64, f64); 3] = [(10.0, 0.0222), (30.0, 0.0455), (50.0, 0.0626)];

/// Young's modulus from Shore OO: log-linear between three measured silicones.
///
/// | argument   | unit     | range                                            |
/// |------------|----------|--------------------------------------------------|
/// | `shore_oo` | Shore OO | 0 ..= 70; measured at 10, 30 and 50              |
///
/// # Accuracy
/// Not known: three materials of one family. A published relation for the scale was not within reach.
///
/// # Errors
/// When the reading is not between 0 and 70.
///
/// # Source
/// Interpolation of ours through the three public measurements named at `MEASURED_OO` in the code.
pub fn shore_oo(shore_oo: f64) -> Result<Modulus, OutOfRange> {
    when((0.0..=70.0).contains(&shore_oo), "a Shore OO hardness", "lie between 0 and 70", shore_oo)?;
    let [a, b, c] = MEASURED_OO;
    let (from, to) = if shore_oo <= b.0 { (a, b) } else { (b, c) };
    let at = (shore_oo - from.0) / (to.0 - from.0);
    Ok(Modulus::from_mpa((from.1.ln() + at * (to.1 / from.1).ln()).exp()))
}

/// The modulus of a hardness with the band to expect.
///
/// Centre: [`gent`], [`shore_d`] or [`shore_oo`]. The band always covers the other relation of the scale, and:
///
/// | scale | low end, of the centre                      | high end, of the centre                              |
/// |-------|---------------------------------------------|------------------------------------------------------|
/// | A     | 0.33 up to 45A, rising to 0.48 at 80A       | 1 up to 45A, rising to 3.4 at 82A                    |
/// | D     | 1                                           | 1.75 up to 55D, rising to 5.3 at 75D                 |
/// | OO    | 0.7                                         | 1.5                                                  |
///
/// For a limit on acceleration use the low end.
///
/// # Errors
/// As the relation of the scale.
///
/// # Source
/// A: silicones of Marechal et al. 2020 (0.33 to 0.54 of [`gent`]), silicone tubing of 50A to 78A (PMC11019708, down to
/// 0.48), flexural modulus of an 82A polyurethane sheet (3.39). D: flexural moduli of polyurethane sheets (ASTM D790)
/// at 55D and 75D. The straight lines between these, and the band of OO, are ours.
pub fn estimate(hardness: Hardness) -> Result<Stiffness, OutOfRange> {
    let between =
        |s: f64, (s0, f0): (f64, f64), (s1, f1): (f64, f64)| f0 + (f1 - f0) * ((s - s0) / (s1 - s0)).clamp(0.0, 1.0);
    let (centre, other, low, high, extrapolated) = match hardness {
        Hardness::ShoreA(s) => {
            let low = between(s, (45.0, 0.33), (80.0, 0.48));
            let high = between(s, (45.0, 1.0), (82.0, 3.4));
            (gent(s)?, log_linear(s)?, low, high, s < 20.0)
        }
        Hardness::ShoreD(s) => {
            let high = between(s, (55.0, 1.75), (75.0, 5.3));
            (shore_d(s)?, log_linear_d(s)?, 1.0, high, !(30.0..=85.0).contains(&s))
        }
        Hardness::ShoreOo(s) => {
            let centre = shore_oo(s)?;
            (centre, centre, 0.7, 1.5, !(10.0..=50.0).contains(&s))
        }
    };
    Ok(Stiffness {
        modulus_mpa: centre,
        low_mpa: (centre * low).min(other),
        high_mpa: (centre * high).max(other),
        extrapolated,
    })
}

fn check_a(s: f64) -> Result<(), OutOfRange> {
    when((0.0..=99.0).contains(&s), "a Shore A hardness", "lie between 0 and 99", s).map(|_| ())
}

fn check_d(s: f64) -> Result<(), OutOfRange> {
    when((10.0..=95.0).contains(&s), "a Shore D hardness", "lie between 10 and 95", s).map(|_| ())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Shore A, then MPa by both relations: both worked in independent code from the published formulas.
    const TABLE_A: [(f64, f64, f64); 19] = [
        (5.0, 0.2783, 0.3001),
        (10.0, 0.4127, 0.3933),
        (15.0, 0.5629, 0.5155),
        (20.0, 0.7319, 0.6756),
        (25.0, 0.9235, 0.8855),
        (30.0, 1.1424, 1.1606),
        (35.0, 1.3950, 1.5212),
        (40.0, 1.6896, 1.9939),
        (45.0, 2.0379, 2.6134),
        (50.0, 2.4558, 3.4253),
        (55.0, 2.9666, 4.4895),
        (60.0, 3.6051, 5.8844),
        (65.0, 4.4260, 7.7126),
        (70.0, 5.5205, 10.1088),
        (75.0, 7.0529, 13.2495),
        (80.0, 9.3514, 17.3660),
        (85.0, 13.1822, 22.7615),
        (90.0, 20.8440, 29.8332),
        (95.0, 43.8292, 39.1021),
    ];

    #[test]
    fn both_relations_of_shore_a_to_the_printed_digits() {
        for (s, by_gent, by_log) in TABLE_A {
            assert!((gent(s).unwrap().as_mpa() - by_gent).abs() < 5.1e-5, "{s}A");
            assert!((log_linear(s).unwrap().as_mpa() - by_log).abs() < 5.1e-5, "{s}A");
        }
        // Where they cross.
        for s in [7.483, 28.752, 94.191] {
            assert!((gent(s).unwrap() / log_linear(s).unwrap() - 1.0).abs() < 1e-4, "{s}A");
        }
    }

    #[test]
    fn relations_of_shore_d_to_the_printed_digits() {
        for (s, by_qi, by_log) in
            [(40.0, 34.75, 29.83), (50.0, 62.55, 51.25), (60.0, 117.28, 88.04), (70.0, 243.25, 151.25)]
        {
            assert!((shore_d(s).unwrap().as_mpa() - by_qi).abs() < 5.1e-3, "{s}D");
            assert!((log_linear_d(s).unwrap().as_mpa() - by_log).abs() < 5.1e-3, "{s}D");
        }
    }

    /// Two popular pages apply e^x to the log10 relation and print 6.99 MPa for 60D and 2.159 MPa for 60A.
    #[test]
    fn powers_of_ten_and_not_of_e() {
        assert!((log_linear_d(60.0).unwrap().as_mpa() - 88.04).abs() < 0.005);
        assert!((log_linear(60.0).unwrap().as_mpa() - 5.884).abs() < 0.0005);
    }

    #[test]
    fn moduli_of_the_worked_columns() {
        for (s, e) in [(5.0, 0.278_266), (20.0, 0.731_922), (40.0, 1.689_639), (85.0, 13.182_24)] {
            assert!((gent(s).unwrap().as_mpa() / e - 1.0).abs() < 2e-6, "{s}A");
        }
    }

    #[test]
    fn warm_stuff_is_softer_by_what_the_user_says() {
        let cold = estimate(Hardness::ShoreA(10.0)).unwrap();
        let warm = cold.softened(0.4).unwrap();
        for (cold, warm) in
            [(cold.modulus_mpa, warm.modulus_mpa), (cold.low_mpa, warm.low_mpa), (cold.high_mpa, warm.high_mpa)]
        {
            assert!((warm / cold - 0.4).abs() < 1e-12);
        }
        assert!(warm.extrapolated && cold.softened(1.0) == Ok(cold));
        for wrong in [0.0, -0.5, 1.01, f64::NAN] {
            assert!(cold.softened(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn the_ends_of_the_scale() {
        assert!((gent(0.0).unwrap().as_mpa() - 0.1573).abs() < 5e-5);
        assert!((gent_inverse(gent(37.5).unwrap()) - 37.5).abs() < 1e-12);
        for wrong in [-1.0, 99.5, 100.0, f64::NAN, f64::INFINITY] {
            assert!(gent(wrong).is_err() && log_linear(wrong).is_err(), "{wrong}");
            assert!(shore_d(wrong).is_err() && shore_oo(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn measured_softest_silicones_are_met() {
        for (s, e) in MEASURED_OO {
            assert!((shore_oo(s).unwrap().as_mpa() - e).abs() < 1e-12);
        }
        // By hand: the geometric mean of 0.0222 and 0.0455.
        assert!((shore_oo(20.0).unwrap().as_mpa() - 0.031_782).abs() < 1e-6);
    }

    /// The raw data were not used to draw the relations, only the band.
    #[test]
    fn measured_materials_lie_in_the_band() {
        let measured = [
            // Marechal et al. 2020, neo-Hookean fits: nominal Shore A and MPa.
            (10.0, 0.1392),
            (10.0, 0.1764),
            (16.0, 0.2596),
            (20.0, 0.3897),
            (25.0, 0.3093),
            (30.0, 0.5747),
            (40.0, 0.8561),
            (44.0, 1.0532),
            // 82A polyurethane sheet, flexural.
            (82.0, 35.99),
        ];
        for (s, e) in measured {
            let band = estimate(Hardness::ShoreA(s)).unwrap();
            assert!(band.low_mpa.as_mpa() <= e * 1.01 && e * 0.99 <= band.high_mpa.as_mpa(), "{s}A: {e} {band:?}");
        }
        for (s, e) in [(55.0, 148.9), (75.0, 1993.0)] {
            let band = estimate(Hardness::ShoreD(s)).unwrap();
            assert!(band.low_mpa.as_mpa() <= e && e * 0.99 <= band.high_mpa.as_mpa(), "{s}D: {e} {band:?}");
        }
        assert!(estimate(Hardness::ShoreA(5.0)).unwrap().extrapolated);
        assert!(!estimate(Hardness::ShoreA(30.0)).unwrap().extrapolated);
    }

    proptest! {
        #[test]
        fn bands_are_ordered_and_harder_is_stiffer(s in 0.0..98.0_f64, more in 0.01..1.0_f64) {
            let (soft, hard) = (estimate(Hardness::ShoreA(s)).unwrap(), estimate(Hardness::ShoreA(s + more)).unwrap());
            prop_assert!(soft.low_mpa <= soft.modulus_mpa && soft.modulus_mpa <= soft.high_mpa);
            prop_assert!(soft.modulus_mpa < hard.modulus_mpa && soft.low_mpa < hard.low_mpa);
            prop_assert!((gent_inverse(soft.modulus_mpa) - s).abs() < 1e-9);
        }

        #[test]
        fn the_other_scales_too(d in 10.0..94.0_f64, oo in 0.0..69.0_f64) {
            for hardness in [Hardness::ShoreD(d), Hardness::ShoreOo(oo)] {
                let band = estimate(hardness).unwrap();
                prop_assert!(band.low_mpa <= band.modulus_mpa && band.modulus_mpa <= band.high_mpa);
            }
            prop_assert!(shore_d(d).unwrap() < shore_d(d + 1.0).unwrap());
            prop_assert!(shore_oo(oo).unwrap() < shore_oo(oo + 1.0).unwrap());
        }
    }
}
