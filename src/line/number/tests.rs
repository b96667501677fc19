use super::*;
use proptest::prelude::*;

fn check(text: &str, exponent: bool, expected: Option<(f64, u8, usize)>) {
    let found = read(text.as_bytes(), exponent).map(|n| (n.value.to_bits(), n.decimals, n.len));
    assert_eq!(found, expected.map(|(v, d, l)| (v.to_bits(), d, l)), "{text:?}");
}

#[test]
fn reads_every_spelling() {
    check("12.345", false, Some((12.345, 3, 6)));
    check("-.5 ", false, Some((-0.5, 1, 3)));
    check("+5.X", false, Some((5.0, 0, 3)));
    check("007", false, Some((7.0, 0, 3)));
    check("-0", false, Some((-0.0, 0, 2)));
    check("4.5.6", false, Some((4.5, 1, 3)));
    check("7.7367638e-05", true, Some((7.7367638e-05, 7, 13)));
    check("7.7367638e-05", false, Some((7.7367638, 7, 9)));
    check("10E5", true, Some((10.0, 0, 2)));
    check("10e", true, Some((10.0, 0, 2)));
    check("10e+", true, Some((10.0, 0, 2)));
    check("1e999", true, Some((f64::INFINITY, 0, 5)));
    check("9007199254740993", false, Some((9007199254740992.0, 0, 16)));
    check("123456789012345678901234567890.5", false, Some((1.2345678901234568e29, 1, 32)));
    for nothing in ["", "-", "+", ".", "-.", "e5", "--1", "X"] {
        check(nothing, true, None);
    }
    let long = format!("0.{}", "1".repeat(300));
    check(&long, false, Some((1.0 / 9.0, 254, 302)));
}

fn fixed(value: f64, decimals: u8) -> String {
    let mut out = Vec::new();
    write_fixed(&mut out, value, decimals);
    String::from_utf8(out).expect("ASCII")
}

#[test]
fn writes_without_ornament() {
    for (value, decimals, expected) in [
        (0.0, 3, "0"),
        (-0.0, 3, "0"),
        (-0.0004, 3, "0"),
        (-0.0005, 3, "-0.001"),
        (0.5, 0, "1"),
        (2.5, 0, "3"),
        (-2.5, 0, "-3"),
        (0.125, 2, "0.13"),
        (1.005, 2, "1"),
        (1.5, 5, "1.5"),
        (1200.0, 0, "1200"),
        (1200.0, 2, "1200"),
        (0.05, 5, "0.05"),
        (999.9999, 3, "1000"),
        (1e-22, 22, "0.0000000000000000000001"),
        (1e20, 3, "100000000000000000000"),
        (-1e-300, 40, "0"),
        (0.1, 25, "0.1000000000000000055511151"),
        (f64::NAN, 2, "0"),
        (f64::NEG_INFINITY, 2, "0"),
    ] {
        assert_eq!(fixed(value, decimals), expected, "{value} with {decimals}");
    }
    assert!(fixed(f64::MAX, 0).len() == 309);
}

/// The standard formatter's text, trimmed; with exact halves taken away from zero.
fn by_the_standard(value: f64, decimals: u8) -> String {
    let places = usize::from(decimals);
    let exact = format!("{value:.1100}");
    let cut = exact.find('.').expect("a point") + 1 + places;
    let tie = exact[cut..].trim_end_matches('0') == "5";
    let mut text = if tie {
        // The next double away from zero lies beyond the half.
        format!("{:.places$}", f64::from_bits(value.to_bits() + 1))
    } else {
        format!("{value:.places$}")
    };
    if places > 0 {
        text = text.trim_end_matches('0').trim_end_matches('.').to_owned();
    }
    if text == "-0" { "0".to_owned() } else { text }
}

proptest! {
    #[test]
    fn reads_like_the_standard_library(text in "[+-]?([0-9]{1,22}\\.?|[0-9]{0,20}\\.[0-9]{1,24})(e[+-]?[0-9]{1,3})?") {
        let found = read(text.as_bytes(), true).expect("a number");
        prop_assert_eq!(found.len, text.len());
        prop_assert_eq!(found.value.to_bits(), text.parse::<f64>().expect("a number").to_bits());
    }

    #[test]
    fn writes_like_the_standard_library(size in 0u32..14, part in -1.0f64..1.0, decimals in 0u8..9) {
        let value = part * 10f64.powi(size as i32 - 5);
        prop_assert_eq!(fixed(value, decimals), by_the_standard(value, decimals));
    }

    #[test]
    fn writes_halves_and_their_neighbours(whole in 0u64..1 << 40, decimals in 0u8..8, step in -2i64..3) {
        let half = (whole as f64 + 0.5) / POW10[usize::from(decimals)];
        let value = f64::from_bits(half.to_bits().wrapping_add_signed(step));
        prop_assert_eq!(fixed(value, decimals), by_the_standard(value, decimals));
    }

    #[test]
    fn quanta_are_written_like_their_quotient(part in -1.0f64..1.0, size in 1u32..10, decimals in 0u8..10) {
        let quanta = (part * 10f64.powi(size as i32)).trunc() / 2.0;
        let value = quanta.round() / power_of_ten(decimals);
        let mut out = Vec::new();
        write_quanta(&mut out, b'E', quanta, decimals);
        prop_assert_eq!(String::from_utf8(out).expect("ASCII"), format!("E{}", fixed(value, decimals)));
        prop_assert_eq!(fixed(value, decimals), by_the_standard(value, decimals));
    }

    #[test]
    fn whole_quanta_are_written_like_their_quotient(part in -1.0f64..1.0, size in 2u32..15, decimals in 0u8..8) {
        let quanta = (part * 10f64.powi(size as i32)) as i64;
        let mut out = Vec::new();
        write_whole(&mut out, b'E', quanta, decimals);
        let value = quanta as f64 / power_of_ten(decimals);
        prop_assert_eq!(String::from_utf8(out).expect("ASCII"), format!("E{}", by_the_standard(value, decimals)));
    }

    #[test]
    fn never_panics(bits: u64, decimals: u8) {
        let text = fixed(f64::from_bits(bits), decimals);
        prop_assert!(text.parse::<f64>().expect("a number").is_finite());
    }

    #[test]
    fn reads_what_it_wrote(quantum in -1_000_000_000i64..1_000_000_000, decimals in 0u8..7) {
        let value = quantum as f64 / POW10[usize::from(decimals)];
        let text = fixed(value, decimals);
        prop_assert_eq!(read(text.as_bytes(), false).expect("a number").value, value);
    }
}
