//! Lines as nobody means them.

use proptest::prelude::*;

fn number() -> impl Strategy<Value = String> {
    const ODD: &[&str] = &[
        "",
        "0",
        "-0",
        "+0",
        "-0.0",
        "+5",
        ".5",
        "-.5",
        "5.",
        ".",
        "-",
        "+",
        "1e308",
        "1e-320",
        "1e5",
        "1E5",
        "nan",
        "NaN",
        "inf",
        "-inf",
        "1_000",
        "0x10",
        "1,5",
        "--1",
        "1.2.3",
        "1e",
        "99999999",
        "-99999999",
        "1000000",
        "-1000000",
        "0.000000001",
        "0.00001",
        "[#1]",
        "#5",
        "{x}",
        "(a)1",
        "1(a)",
    ];
    prop_oneof![
        8 => (-500..500_i32, 0..1000_u32).prop_map(|(whole, part)| format!("{whole}.{part:03}")),
        4 => (0..4000_u32).prop_map(|n| n.to_string()),
        2 => prop::sample::select(ODD).prop_map(str::to_owned),
        1 => (1..400_usize, 0..10_u32).prop_map(|(n, digit)| digit.to_string().repeat(n)),
        1 => (1..400_usize, 1..10_u32).prop_map(|(n, digit)| format!("0.{}{digit}", "0".repeat(n))),
        1 => any::<f64>().prop_map(|n| format!("{n}")),
    ]
}

fn word() -> impl Strategy<Value = String> {
    let letter = prop_oneof![
        6 => prop::sample::select(b"XYZEF".as_slice()),
        2 => prop::sample::select(b"IJKRPS".as_slice()),
        1 => 33..127_u8,
    ];
    let space = prop::sample::select([" ", " ", " ", "", "", "\t", "  "].as_slice());
    let gap = prop::sample::select(["", "", "", "", " "].as_slice());
    (space, letter, gap, number())
        .prop_map(|(space, letter, gap, number)| format!("{space}{}{gap}{number}", letter as char))
}

/// A line: a motion with odd words, a plain one or a command, with some end.
pub fn line() -> impl Strategy<Value = String> {
    const COMMANDS: &[&str] = &[
        "G20",
        "G21",
        "G28",
        "G28 X",
        "G80",
        "G90",
        "G91",
        "G90.1",
        "G91.1",
        "M82",
        "M83",
        "G92",
        "G92 E0",
        "G92 X Y",
        "G92.1",
        "G17",
        "G18",
        "G19",
        "G10",
        "G11",
        "G4 P100",
        "G4 S-5",
        "G4",
        "M101",
        "M103",
        "T0",
        "T1",
        "T999",
        "T-1",
        "T",
        "T1.5",
        "M6 T1",
        "M220 S0",
        "M220 S50",
        "M220 B",
        "M220 R",
        "M220 S1000000",
        "M221 S-5",
        "M221 S0",
        "M221 S95",
        "M221 S99999999",
        "M200 D0",
        "M200 D1.75",
        "M200 S1",
        "M200",
        "M204 S-1",
        "M117 G1 X5",
        "M98 P\"a\"",
        "M600",
        "M30",
        "O100",
        "%",
        "G1.5",
        "G-1",
        "G99999999999",
        "M",
        "G",
        "N5",
        "N5 G1 X1*99",
        "G53 G1 X5",
        "G38.2 Z-5 F100",
        "SET_VELOCITY_LIMIT ACCEL=1e999",
        "EXCLUDE_OBJECT NAME=a",
        ";LAYER_CHANGE",
        ";Z:nan",
        ";HEIGHT:1e999",
        ";TYPE:WALL-OUTER",
        ";LAYER:-5",
        "; filament_diameter = 1e-9",
        "; nozzle_diameter = inf",
        ";",
        "(a (b) c)",
        "((((",
        "))",
        "\u{feff}G1 X1",
        "{\"a\": 1}",
        "\0",
        "\u{b0}",
        "G1 X1 (a) Y1 (b",
    ];
    let end =
        prop::sample::select(["\n", "\n", "\n", "\n", "\n", "\r\n", "\r\r\n", "\r", "", "\n\n", "\n\r"].as_slice());
    let motion =
        prop::sample::select(["G0", "G1", "G1", "G1", "g1", "G01", "G2", "G3", "G5", "G1 G91", "G2 R5", ""].as_slice());
    let tail = prop::sample::select(
        ["", "", "", "", "", " ; F600", " (F9)", "*71", " *0 ; x", " junk", "\0", " $", ";"].as_slice(),
    );
    let numbered = prop::sample::select(["", "", "", "", "N1 ", "N"].as_slice());
    let moving = (numbered, motion, prop::collection::vec(word(), 0..7), tail)
        .prop_map(|(numbered, motion, words, tail)| format!("{numbered}{motion}{}{tail}", words.concat()));
    let plain = (-50..50_i32, -50..50_i32, 0..400_u32, 1..9000_u32)
        .prop_map(|(x, y, e, f)| format!("G1 X{x} Y{y} E{}.{:02} F{f}", e / 100, e % 100));
    let text = prop_oneof![
        4 => moving,
        2 => plain,
        3 => prop::sample::select(COMMANDS).prop_map(str::to_owned),
    ];
    (text, end).prop_map(|(text, end)| text + end)
}

/// An assignment to a key of the profile, with a number or a word that is in its range now and then.
pub fn assignment() -> impl Strategy<Value = String> {
    let keys: Vec<&'static str> =
        meltwright::profile::Profile::embedded().entries().iter().map(|entry| entry.key).collect();
    let value = prop_oneof![
        4 => (-3..9_i32, 0..1000_u32).prop_map(|(power, part)| format!("{}", f64::from(part) * 10_f64.powi(power - 3))),
        1 => Just("none".to_owned()),
        1 => prop::sample::select(["true", "false", "\"xy\"", "board", "network", "host", "file", "[0, 0]", "1e-300"].as_slice())
            .prop_map(str::to_owned),
        1 => number(),
    ];
    (prop::sample::select(keys), value).prop_map(|(key, value)| format!("{key}={value}"))
}

/// A row of a sheet of weighings.
pub fn row() -> impl Strategy<Value = String> {
    let good = (1..200_u32, 1..600_u32, 1..9000_u32)
        .prop_map(|(rpm, seconds, mass)| format!("run,{rpm},{seconds},{}.{:02}", mass / 100, mass % 100));
    let cell = prop_oneof![
        number(),
        prop::sample::select(["run", "drool", "", "\"", "note", "1;2", "#", "rpm", "date", "lot"].as_slice())
            .prop_map(str::to_owned),
    ];
    let odd = prop::collection::vec(cell, 0..9).prop_map(|cells| cells.join(","));
    let end = prop::sample::select(["\n", "\n", "\r\n", "\r", ""].as_slice());
    (prop_oneof![6 => good, 1 => odd], end).prop_map(|(row, end)| row + end)
}
