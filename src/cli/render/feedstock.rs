//! The library of feedstock in words.

use meltwright::feedstock::library::{Drying, Family, Grade, Sourced};
use meltwright::physics::stiffness::{Hardness, estimate};

use super::layout::{Align, Table, paragraph};
use super::number::decimal;
use super::parts::{FOOD, mind};

/// Column at which sources begin.
const SOURCES_AT: usize = 52;

/// All grades as a table.
pub fn list(grades: &[Grade]) -> String {
    let right = Align::Right;
    let mut table = Table::new([Align::Left, Align::Left, right, right, right, Align::Left]);
    table.row(["grade", "family", "hardness", "g/cm³", "nozzle °C", "drying"]);
    for grade in grades {
        let hardness = grade.hardness.as_ref().map_or_else(|| "-".to_owned(), |found| reading(found.value));
        table.row([
            grade.name.clone(),
            grade.family.clone(),
            hardness,
            decimal(grade.density_g_cm3.value, 2),
            window(grade.nozzle_c.value),
            grade.drying.as_ref().map_or_else(|| "none".to_owned(), |found| drying(found.value)),
        ]);
    }
    let words = "Generic values, most of them from memory: `meltwright feedstock show NAME` gives the source of each. \
        The data sheet of your lot wins, and a weighing wins over both.";
    format!("{}\n{}", table.text(), paragraph("  ", words))
}

/// Everything known of a grade.
pub fn show(grade: &Grade, family: Option<&Family>) -> String {
    let mut text = format!("{}: {}\n\n", grade.name, grade.title);
    let mut row = |label: &str, value: &str, source: &str| {
        let first = format!("  {label:<16}{value}");
        let gap = SOURCES_AT.saturating_sub(first.chars().count()).max(2);
        let line = paragraph(&format!("{first}{}", " ".repeat(gap)), source);
        text.push_str(line.trim_end());
        text.push('\n');
    };
    row("family", family.map_or(grade.family.as_str(), |family| family.title.as_str()), "");
    if let Some(Sourced { value, source }) = &grade.hardness {
        row("hardness", &reading(*value), source);
        if let Ok(found) = estimate(*value)
            && grade.modulus_mpa.is_none()
        {
            let band =
                format!("{} to {} MPa", significant(found.low_mpa.as_mpa()), significant(found.high_mpa.as_mpa()));
            let note = if found.extrapolated { "from hardness, extrapolated" } else { "from hardness" };
            row("modulus", &band, note);
        }
    }
    if let Some(Sourced { value, source }) = &grade.modulus_mpa {
        row("modulus", &format!("{} MPa", decimal(*value, 0)), source);
    }
    let mut density = |label: &str, found: &Sourced<f64>| {
        row(label, &format!("{} g/cm³", decimal(found.value, 2)), &found.source);
    };
    density("density", &grade.density_g_cm3);
    density("  molten", &grade.melt_density_g_cm3);
    if let Some(bulk) = &grade.bulk_density_g_cm3 {
        density("  as poured", bulk);
    }
    row("nozzle", &format!("{} °C", window(grade.nozzle_c.value)), &grade.nozzle_c.source);
    match &grade.drying {
        Some(Sourced { value, source }) => row("drying", &drying(*value), source),
        None => row("drying", "none", ""),
    }
    if let Some(Sourced { value, source }) = &grade.decomposition_c {
        row("spoilt from", &format!("{} °C", decimal(*value, 0)), source);
    }
    if let Some(Sourced { value, source }) = &grade.melt {
        let law = format!("K {} Pa·s^n, n {}", decimal(value.consistency_pa_s_n, 0), decimal(value.index, 2));
        row("melt", &format!("{law}, {} °C", shortest(value.at_c)), source);
    }
    let remarks = |title: &str, remarks: &[Sourced<String>]| {
        let lines: String = remarks.iter().map(|r| paragraph("  - ", &format!("{} ({})", r.value, r.source))).collect();
        if lines.is_empty() { lines } else { format!("\n{title}\n{lines}") }
    };
    text.push_str(&remarks("Notes", &grade.notes));
    text.push_str(&remarks("Hazards", family.map_or(&[], |family| &family.hazards)));
    text.push_str(&mind(&match family {
        Some(family) if family.food => {
            format!("{FOOD}, and keep hands out of the feed opening while the screw can turn.")
        }
        _ => "Barrel, nozzle and drying oven burn; melt sticks to skin: cool burns with water, do not peel it off. Never \
              PVC; POM only apart from everything else."
            .to_owned(),
    }));
    text
}

/// A hardness as it is spoken.
fn reading(hardness: Hardness) -> String {
    let (value, scale) = match hardness {
        Hardness::ShoreA(value) => (value, "A"),
        Hardness::ShoreD(value) => (value, "D"),
        Hardness::ShoreOo(value) => (value, "OO"),
    };
    format!("{}{scale}", decimal(value, 0))
}

/// A modulus with about two digits.
pub fn significant(mpa: f64) -> String {
    decimal(
        mpa,
        if mpa < 0.95 {
            2
        } else if mpa < 20.0 {
            1
        } else {
            0
        },
    )
}

/// A temperature without needless decimals.
pub fn shortest(value: f64) -> String {
    decimal(value, if value.fract().abs() < 0.05 { 0 } else { 1 })
}

/// Two temperatures with a dash.
pub fn window([least, most]: [f64; 2]) -> String {
    format!("{}-{}", shortest(least), shortest(most))
}

/// Drying in words.
pub fn drying(drying: Drying) -> String {
    format!("{} h at {} °C", shortest(drying.time_h), shortest(drying.temperature_c))
}

#[cfg(test)]
mod tests {
    use super::*;
    use insta::assert_snapshot;
    use meltwright::feedstock::library::Library;

    #[test]
    fn the_list() {
        let text = list(Library::embedded().grades());
        assert!(text.lines().all(|line| line.chars().count() <= 98));
        assert_snapshot!("feedstock_list", text);
    }

    #[test]
    fn grades_in_full() {
        let library = Library::embedded();
        for name in ["tpu-85a", "regrind-pla", "chocolate-dark"] {
            let grade = library.grade(name).unwrap();
            assert_snapshot!(format!("feedstock_{name}"), show(grade, library.family(&grade.family)));
        }
        for grade in library.grades() {
            let text = show(grade, library.family(&grade.family));
            assert!(text.lines().all(|line| line.chars().count() <= 98), "{text}");
        }
    }
}
