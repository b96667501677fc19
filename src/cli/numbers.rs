//! Numbers as typed, with words of our own for what is wrong with them.

use std::fmt::Display;
use std::ops::RangeInclusive;

use meltwright::physics::viscosity::LARGEST_LOAD_KG;
use meltwright::profile::HIGHEST_RPM;

/// Above zero.
pub fn above_zero(text: &str) -> Result<f64, String> {
    let value = decimal(text)?;
    if value > 0.0 { Ok(value) } else { Err("it must be above zero".to_owned()) }
}

/// Zero or above.
pub fn not_below_zero(text: &str) -> Result<f64, String> {
    let value = decimal(text)?;
    if value >= 0.0 { Ok(value) } else { Err("it must not be below zero".to_owned()) }
}

/// Largest share that counts as less than all, %.
pub const MOST_PERCENT: f64 = 99.9;

/// A share in %, neither nothing nor all.
pub fn percent(text: &str) -> Result<f64, String> {
    let value = decimal(text)?;
    if (0.1..=MOST_PERCENT).contains(&value) { Ok(value) } else { Err("it must lie between 0.1 and 99.9".to_owned()) }
}

/// With a decimal point, within reason.
pub fn decimal(text: &str) -> Result<f64, String> {
    let text = text.trim();
    match text.parse::<f64>() {
        Ok(value) if value.is_finite() && value.abs() <= 1e9 => Ok(value),
        Ok(value) if value.is_nan() => Err("it is not a number".to_owned()),
        Ok(_) => Err("it is out of all proportion".to_owned()),
        Err(_) if text.contains(',') => Err(format!("write decimals with a point: {}", text.replace(',', "."))),
        Err(_) => Err("it is not a number".to_owned()),
    }
}

/// A screw speed that a profile takes as well, rev/min.
pub fn screw_speed(text: &str) -> Result<f64, String> {
    let value = above_zero(text)?;
    if value <= HIGHEST_RPM { Ok(value) } else { Err(format!("it must be {HIGHEST_RPM} rev/min at most")) }
}

/// The load of a melt-flow test, kg.
pub fn load(text: &str) -> Result<f64, String> {
    let value = above_zero(text)?;
    if value <= LARGEST_LOAD_KG {
        return Ok(value);
    }
    let grams =
        if value <= LARGEST_LOAD_KG * 1e3 { format!("; {value} g are {} kg", value / 1e3) } else { String::new() };
    Err(format!("it must be {LARGEST_LOAD_KG} kg at most, the largest load of melt-flow tests{grams}"))
}

/// A density of granules, solid or melt, g/cm³.
pub fn density(text: &str) -> Result<f64, String> {
    let value = decimal(text)?;
    if (0.2..=5.0).contains(&value) { Ok(value) } else { Err("it must lie between 0.2 and 5 g/cm3".to_owned()) }
}

/// A whole number, not below zero; its range is judged where it is used.
pub fn count(text: &str) -> Result<u32, String> {
    text.trim().parse().map_err(|_| "it must be a whole number".to_owned())
}

/// A whole number of a range.
pub fn whole<N>(range: RangeInclusive<N>) -> impl Fn(&str) -> Result<N, String> + Clone
where
    N: std::str::FromStr + PartialOrd + Display + Clone,
{
    move |text| match text.trim().parse() {
        Ok(value) if range.contains(&value) => Ok(value),
        _ => Err(format!("it must be a whole number from {} to {}", range.start(), range.end())),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_say_what_is_wrong() {
        assert_eq!(above_zero(" 1.5 "), Ok(1.5));
        assert_eq!(not_below_zero("0"), Ok(0.0));
        let said = |text| above_zero(text).unwrap_err();
        assert_eq!(said("1,5"), "write decimals with a point: 1.5");
        for (text, part) in [("0", "above zero"), ("-3", "above zero"), ("inf", "proportion"), ("1e99", "proportion")] {
            assert!(said(text).contains(part), "{text}");
        }
        for text in ["0", "100", "101"] {
            assert!(percent(text).is_err(), "{text}");
        }
        assert_eq!((screw_speed("10000"), screw_speed("1e9").is_err()), (Ok(10_000.0), true));
        assert_eq!((density("0.5"), density("1120").is_err()), (Ok(0.5), true));
        assert_eq!((load("21.6"), load("2.16")), (Ok(21.6), Ok(2.16)));
        assert!(load("2160").is_err_and(|said| said.ends_with("tests; 2160 g are 2.16 kg")));
        assert!(load("21601").is_err_and(|said| said.ends_with("melt-flow tests")));
        for text in ["", "x", "16mm", "nan", "-NaN"] {
            assert_eq!(said(text), "it is not a number");
        }
    }

    #[test]
    fn counts_are_whole() {
        assert_eq!((count(" 3 "), count("1.5").is_err(), count("-2").is_err()), (Ok(3), true, true));
    }

    #[test]
    fn whole_numbers_keep_to_their_range() {
        let threads = whole::<u16>(1..=512);
        assert_eq!((threads("1"), threads(" 512 ")), (Ok(1), Ok(512)));
        for text in ["0", "513", "-2", "1.5", "1e2", "99999999999", "", "x"] {
            assert_eq!(threads(text).unwrap_err(), "it must be a whole number from 1 to 512", "{text}");
        }
    }
}
