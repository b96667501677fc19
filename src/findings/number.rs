//! Numbers for people: thousands separators, sensible decimals, hours and minutes.

/// `20113` as `20,113`.
pub fn count(n: u64) -> String {
    grouped(&n.to_string())
}

/// A count with its noun: `1 move`, `20,113 moves`.
pub fn counted(n: u64, one: &str) -> String {
    format!("{} {one}{}", count(n), if n == 1 { "" } else { "s" })
}

/// `value` with `decimals` places and thousands separators; `-` for what is no number.
pub fn decimal(value: f64, decimals: usize) -> String {
    if !value.is_finite() {
        return "-".to_owned();
    }
    let text = format!("{:.decimals$}", value.abs());
    let (whole, fraction) = match text.split_once('.') {
        Some((whole, fraction)) => (whole, format!(".{fraction}")),
        None => (text.as_str(), String::new()),
    };
    let zero = text.bytes().all(|b| matches!(b, b'0' | b'.'));
    let sign = if value < 0.0 && !zero { "-" } else { "" };
    format!("{sign}{}{fraction}", grouped(whole))
}

/// Decimal places of a value somebody set.
pub fn places(value: f64) -> usize {
    format!("{value}").split_once('.').map_or(0, |(_, places)| places.len())
}

/// A value somebody set, with all its places.
pub fn as_set(value: f64) -> String {
    decimal(value, places(value))
}

/// A volume, mm³: whole numbers from 100 on.
pub fn volume(mm3: f64) -> String {
    format!("{} mm³", decimal(mm3, if mm3.abs() < 100.0 { 1 } else { 0 }))
}

/// A volume flow, mm³/s.
pub fn flow(mm3_s: f64) -> String {
    format!("{} mm³/s", decimal(mm3_s, 1))
}

/// A time that is added, or spared where it is below zero, s: `+ 12 s`, `- 0.4 s`, and `0.0 s` where it is next to nothing.
pub fn added(seconds: f64) -> String {
    match seconds {
        _ if seconds.abs() < 0.05 => time(0.0),
        _ if seconds < 0.0 => format!("- {}", time(-seconds)),
        _ => format!("+ {}", time(seconds)),
    }
}

/// A time, s: `0.4 s`, `12 s`, `3 min 20 s`, `1 h 47 min`.
pub fn time(seconds: f64) -> String {
    if !seconds.is_finite() || seconds < 0.0 {
        return "-".to_owned();
    }
    if seconds < 9.95 {
        return format!("{seconds:.1} s");
    }
    // Rounded once, so that 59.6 s is 1 min and not 60 s. The cast saturates.
    let whole = seconds.round() as u64;
    if whole < 60 {
        return format!("{whole} s");
    }
    if whole < 3600 {
        return pair(whole / 60, "min", whole % 60, "s");
    }
    let minutes = whole.saturating_add(30) / 60;
    pair(minutes / 60, "h", minutes % 60, "min")
}

/// Two units, the smaller one left out at zero.
fn pair(large: u64, large_unit: &str, small: u64, small_unit: &str) -> String {
    match small {
        0 => format!("{} {large_unit}", count(large)),
        _ => format!("{} {large_unit} {small} {small_unit}", count(large)),
    }
}

/// A share as whole per cent.
pub fn percent(share: f64) -> String {
    format!("{} %", decimal(share * 100.0, 0))
}

fn grouped(digits: &str) -> String {
    let mut text = String::with_capacity(digits.len() + digits.len() / 3);
    for (i, digit) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            text.push(',');
        }
        text.push(digit);
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn thousands() {
        let cases = [(0, "0"), (999, "999"), (1_000, "1,000"), (1_234_567, "1,234,567")];
        for (n, text) in cases {
            assert_eq!(count(n), text);
        }
        assert_eq!(counted(1, "move"), "1 move");
        assert_eq!(counted(2_000, "move"), "2,000 moves");
    }

    #[test]
    fn decimals() {
        let cases = [
            (1234.56, 1, "1,234.6"),
            (0.04, 1, "0.0"),
            (-0.04, 1, "0.0"),
            (-1234.0, 0, "-1,234"),
            (f64::NAN, 1, "-"),
            (f64::INFINITY, 0, "-"),
        ];
        for (value, places, text) in cases {
            assert_eq!(decimal(value, places), text);
        }
    }

    #[test]
    fn times() {
        let cases = [
            (0.0, "0.0 s"),
            (0.44, "0.4 s"),
            (9.94, "9.9 s"),
            (9.96, "10 s"),
            (59.4, "59 s"),
            (59.6, "1 min"),
            (200.0, "3 min 20 s"),
            (3599.6, "1 h"),
            (6420.0, "1 h 47 min"),
            (7199.0, "2 h"),
            (360_000.0, "100 h"),
            (f64::NAN, "-"),
            (-1.0, "-"),
        ];
        for (seconds, text) in cases {
            assert_eq!(time(seconds), text, "{seconds}");
        }
    }
}
