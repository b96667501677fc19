//! `meltwright weigh` from outside: the two files of a test, what a sheet is answered with, what is refused.

mod support;

use insta::assert_snapshot;
use support::{Bench, read};

/// The workshop's sheet; invented data.
const PADS: &str = include_str!("../fixtures/weigh/pads.csv");

const SETTINGS: &str = "date,2026-11-20\ntemperature_c,210\nnozzle_mm,1\nfeed_mode,gravity\n";

/// A sheet of these rows under the usual settings.
fn sheet(rows: &str) -> String {
    format!("{SETTINGS}kind,rpm,seconds,mass_g\n{rows}")
}

#[test]
fn a_plan_passes_the_audit_on_every_controller() {
    for unit in ["virtual-filament-mm", "screw-turns", "mm3", "as-in-file"] {
        for (preset, axis) in [("host", "E"), ("board", "E"), ("network", "E"), ("custom", "A")] {
            let bench = Bench::new();
            let (unit, preset) = (format!("screw.output_e_unit={unit}"), format!("controller.preset={preset}"));
            let axis = format!("screw.axis={axis}");
            let set = ["--set", &unit, "--set", &preset, "--set", &axis, "--set", "screw.virtual_diameter_mm=1.75"];
            let stops = ["--stops", "3", "--repeats", "2"];
            bench.run(&[&["weigh", "plan", "-o", "."][..], &stops, &set].concat()).code(0);
            let audit = bench.run(&[&["audit", "weigh.gcode", "--json", "-"][..], &set].concat()).code(0);
            let account: serde_json::Value = serde_json::from_str(&audit.stdout).expect("JSON");
            let findings = account["findings"].as_array().expect("a list");
            assert!(findings.iter().all(|finding| finding["level"] != "error"), "{unit} {preset}: {findings:?}");
            // All that the plan asks for by the profile, nothing lost to a mode: 2 rounds of runs at 15 mm³ a turn, each
            // as long as 12 g take, 716 turns at 24 rev/min and 720 at 48, 72, 96 and 120, a minute of purge at 72, three stops
            // of 20 s at 120.
            let turns = 2.0 * (716.0 + 4.0 * 720.0) + 72.0 + 3.0 * 40.0;
            let volume = account["before"]["volume_mm3"].as_f64().expect("a number");
            assert!((volume - 15.0 * turns).abs() < 1.0, "{unit} {preset} {axis}: {volume}");
        }
    }
}

/// On a strand of 10 mm, 78.540 mm² a unit, whatever the sliced files count on: at 15 mm³ a turn 5.2360 turns.
#[test]
fn a_plan_counts_e_as_the_controller_is_told() {
    let bench = Bench::new();
    let set = ["--set", "screw.virtual_diameter_mm=1.75"];
    let controller = bench.run(&[&["controller"][..], &set].concat()).code(0).stdout;
    let words = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words(&controller).contains("pushes 78.540 mm³, 5.2360 turns of the screw"), "{controller}");
    // As the help shows it: neither the folder nor a strand has to be there.
    for set in [&set[..], &[]] {
        let folder = if set.is_empty() { "bench/" } else { "other/bench/" };
        let told = bench.run(
            &[&["weigh", "plan", "-o", folder, "--speeds", "60", "--seconds", "30", "--stops", "1"], set].concat(),
        );
        let told = words(&told.code(0).stdout);
        assert!(told.contains("push 78.540 mm³, 5.2360 turns of the screw"), "{told}");
        let gcode = read(&bench.path(folder).join("weigh.gcode"));
        assert!(gcode.contains(" 1 E = 78.53981633974483 mm3\n"), "{gcode}");
        // 30 turns are 450 mm³, 5.72958 units.
        assert!(gcode.contains("\nG1 E5.72958 F11.459\n"), "{gcode}");
        // What the test asks for is told alike by audits, also of what a rewrite makes of it: 3 runs, the purge before
        // them and the 20 s before the stop, 170 turns.
        let volume = |name: &str, again: &[&str]| {
            let audit = [&["audit", name, "--json", "-"], again, set].concat();
            let account: serde_json::Value = serde_json::from_str(&bench.run(&audit).stdout).expect("JSON");
            account["before"]["volume_mm3"].as_f64().expect("a number")
        };
        let name = format!("{folder}weigh.gcode");
        assert!((volume(&name, &[]) - 170.0 * 15.0).abs() < 0.1, "{}", volume(&name, &[]));
        let output = format!("{folder}out.gcode");
        bench.run(&[&["rewrite", &name, "-o", &output, "--passes", "scale"], set].concat()).code(0);
        assert!((volume(&output, &["--again"]) - 170.0 * 15.0).abs() < 0.1);
    }
}

/// 72 rev/min at 15 mm³ a turn are 18 mm³/s, all that the default profile sustains; the purge runs as fast, and 48 do not
/// need bursts.
#[test]
fn a_plan_says_what_runs_in_bursts() {
    let bench = Bench::new();
    let told = bench.run(&["weigh", "plan", "-o", "."]).code(0).stdout;
    let row = |start: &[&str]| told.lines().find(|line| line.split_whitespace().take(2).eq(start.iter().copied()));
    let is_in_bursts = |start: &[&str]| row(start).is_some_and(|line| line.contains(" bursts"));
    assert_eq!(
        [["purge", "72.0"], ["weigh", "48.0"], ["weigh", "72.0"], ["weigh", "96.0"]].map(|row| is_in_bursts(&row)),
        [true, false, true, true],
        "{told}"
    );
    let told = told.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(told.contains("gives all that the profile says it can sustain (18.0 mm³/s), or more,"), "{told}");
}

/// Each run of the default profile takes as long as 12 g take: the sheet of a plan does not call its own weighings too light.
#[test]
fn a_plan_weighs_enough_for_its_own_sheet() {
    let bench = Bench::new();
    let told = bench.run(&["weigh", "plan", "-o", ".", "--json", "-"]).code(0);
    assert!(!told.stderr.contains("less than 10 g") && told.stderr.contains("--repeats 2"), "{}", told.stderr);
    let plan: serde_json::Value = serde_json::from_str(&told.stdout).expect("JSON");
    let expected = |run: &serde_json::Value| run["expected_g"].as_f64().expect("grams");
    let mut sheet = read(&bench.path("weigh.csv")).replace("date,,", "date,2026-11-20,");
    for run in plan["runs"].as_array().expect("runs") {
        sheet = sheet.replacen(",,,,\n", &format!(",,,{:.2},\n", expected(run)), 1);
    }
    bench.file("weigh.csv", sheet);
    let fitted = bench.run(&["weigh", "fit", "weigh.csv"]).code(0).stdout;
    assert!(!fitted.contains("below 10 g"), "{fitted}");
    // A screw too slow for that within half an hour a run is told.
    let slow = bench.run(&["weigh", "plan", "-o", "slow.gcode", "--speeds", "10"]).code(0).stdout;
    assert!(slow.contains("30 min") && slow.contains("less than 10 g"), "{slow}");
}

/// 78.540 mm³ at 10 mm³ a turn are 7.8540 turns; `controller` says 5.2360, and the plan does not say that it says otherwise.
#[test]
fn a_plan_with_another_turn_than_the_profile_says_so() {
    let bench = Bench::new();
    let told = bench.run(&["weigh", "plan", "-o", ".", "--turn-mm3", "10"]).code(0).stdout;
    let told = told.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(told.contains("7.8540 turns of the screw, as --turn-mm3 says"), "{told}");
    assert!(told.contains("has to make 5.2360"), "{told}");
}

#[test]
fn a_plan_is_told_cautions_first() {
    let bench = Bench::new();
    let set = ["--set", "screw.output_e_unit=screw-turns", "--set", "screw.specific_output_mm3_rev=400"];
    let set =
        [&set[..], &["--set", "screw.sustained_flow_mm3_s=none", "--set", "screw.melting_limit_mm3_s=none"]].concat();
    let ran = bench.run(
        &[&["weigh", "plan", "-o", "lot-118.gcode", "--speeds", "30,100,60", "--repeats", "2"][..], &set].concat(),
    );
    let ran = ran.code(0);
    assert!(ran.stdout.starts_with("Before you start\n") && ran.stderr.is_empty());
    assert_snapshot!("plan", ran.stdout);
    assert_snapshot!("plan_sheet", read(&bench.path("lot-118.csv")));
    let gcode = read(&bench.path("lot-118.gcode"));
    let first = gcode.lines().position(|line| !line.starts_with(';')).expect("a command");
    let cautions = gcode.lines().take(first).collect::<Vec<_>>().join(" ");
    for word in ["hot", "nip points", "Ventilate", "manual"] {
        assert!(cautions.contains(word), "{word}");
    }
    // Up through the speeds and down again, so that a drift does not look like speed.
    let speeds: Vec<&str> = gcode.lines().filter_map(|line| line.strip_prefix("; Run ")?.split(' ').nth(3)).collect();
    assert_eq!(speeds, ["30", "60", "100", "100", "60", "30"]);
}

#[test]
fn a_filled_in_plan_is_a_sound_sheet() {
    let bench = Bench::new();
    let set = ["--set", "screw.output_e_unit=screw-turns", "--set", "feedstock.lot=\"B, 7\""];
    bench.run(&[&["weigh", "plan", "-o", "."][..], &set].concat()).code(0);
    let empty = bench.run(&["weigh", "fit", "weigh.csv"]);
    assert_snapshot!("unfilled_sheet", empty.shown());
    let filled = read(&bench.path("weigh.csv")).replace("date,,", "date,2026-11-20,").replace(",,,,\n", ",,,11.5,\n");
    bench.file("weigh.csv", filled.replace(",8,,,\n", ",8,,0.3,\n"));
    let ran = bench.run(&["weigh", "fit", "weigh.csv", "--json", "-"]).code(0);
    let account: serde_json::Value = serde_json::from_str(&ran.stdout).expect("JSON");
    assert_eq!(
        (account["conditions"]["lot"].as_str(), account["runs"].as_array().map(Vec::len)),
        (Some("B, 7"), Some(15))
    );
    assert_eq!(account["melt_lag"]["collections"], 1);
}

#[test]
fn plans_that_cannot_be_are_refused() {
    let cases: [&[&str]; 13] = [
        &["--speeds", "60,130"],
        &["--speeds", "0"],
        &["--repeats", "0"],
        &["--seconds", "2"],
        &["--temperature", "260"],
        &["--pause-command", "m0 ; wait"],
        &["--pause-command", "G28"],
        &["--pause-command", "M0"],
        &["--pause-command", "REFILL", "--set", "controller.preset=board"],
        &["--set", "screw.output_e_unit=as-in-file"],
        &["--stops", "500"],
        &["--speeds", "0.5"],
        &["--turn-mm3", "0"],
    ];
    let mut said = String::new();
    for case in cases {
        let bench = Bench::new();
        let unit: &[&str] = if case[0] == "--set" { &[] } else { &["--set", "screw.output_e_unit=screw-turns"] };
        // Nothing is left behind by what is refused, not even the folder that it names.
        bench.run(&[&["weigh", "plan", "-o", "new/"], case, unit].concat()).code(2);
        assert!(!bench.path("new").exists(), "{case:?}");
        let ran = bench.run(&[&["weigh", "plan", "-o", "."], case, unit].concat()).code(2);
        assert!(bench.names().is_empty() && ran.stdout.is_empty());
        said.push_str(&format!("{}\n{}\n", case.join(" "), ran.stderr));
    }
    assert_snapshot!(said);
}

/// 0.20 and 0.05 g of ten stops each at 37.5 mm³/s and 1.12 g/cm³: 0.48 and 0.12 s, a mean of 0.30 s and, with Student's
/// 12.7 for two, 12.7 * 0.18 s more or less.
#[test]
fn a_lag_that_may_be_anything_is_not_measured() {
    let bench = Bench::new();
    bench.file("pads.csv", PADS);
    bench.file("apart.csv", PADS.replace("15,10,,0.19,", "15,10,,0.05,"));
    bench.file("none.csv", PADS.replace("15,10,,0.19,", "15,10,,0.00,").replace("15,10,,0.20,", "15,10,,0.00,"));
    let told = |name: &str| {
        let fit = bench.run(&["weigh", "fit", name, "--json", "-"]).code(0);
        let fit: serde_json::Value = serde_json::from_str(&fit.stdout).expect("JSON");
        let section = fit["profile_section"].as_str().expect("lines").to_owned();
        let lag = section.lines().find(|line| line.starts_with("melt_lag_s")).expect("a lag").to_owned();
        let what = fit["cautions"].as_array().expect("a list").iter().map(|one| one["what"].to_string());
        (section.matches("\"measured\"").count(), lag, what.collect::<String>())
    };
    let (measured, lag, said) = told("pads.csv");
    assert!(measured == 2 && lag.contains("\"measured\"") && !said.contains("melt lag"), "{lag} {said}");
    let (measured, lag, said) = told("apart.csv");
    assert!(measured == 1 && lag.contains("\"assumed\""), "{lag}");
    assert!(said.contains("the melt lag of 0.30 s is known to ± 2.2"), "{said}");
    // Where nothing drools there is no lag, and half of none is not asked for.
    let (measured, lag, said) = told("none.csv");
    assert!(measured == 2 && lag.starts_with("melt_lag_s = { value = 0"), "{lag}");
    assert!(!said.contains("the melt lag of"), "{said}");
}

#[test]
fn nothing_is_written_over() {
    let bench = Bench::new();
    let plan = ["weigh", "plan", "-o", "test.gcode", "--set", "screw.output_e_unit=mm3"];
    bench.file("test.csv", "filled in");
    assert!(bench.run(&plan).code(2).stderr.contains("test.csv exists already"));
    assert_eq!((bench.names(), read(&bench.path("test.csv"))), (vec!["test.csv".to_owned()], "filled in".to_owned()));
    for output in ["test.csv", "-"] {
        assert!(bench.run(&["weigh", "plan", "-o", output]).code(2).stderr.contains("two files"));
    }
    bench.file("pads.csv", PADS);
    bench.file("shop.toml", "[screw]\n");
    assert!(bench.run(&["weigh", "fit", "pads.csv", "-o", "shop.toml"]).code(2).stderr.contains("exists already"));
    assert_eq!(read(&bench.path("shop.toml")), "[screw]\n");
    bench.run(&["weigh", "fit", "pads.csv", "--plot", "pads.gcode"]).code(2);
    bench.run(&["weigh", "fit", "pads.csv", "-o", "-", "--json", "-"]).code(2);
}

#[test]
fn what_a_sheet_is_answered_with() {
    let bench = Bench::new();
    bench.file("pads.csv", PADS);
    let ran = bench.run(&["weigh", "fit", "pads.csv"]).code(0);
    assert_snapshot!("fit", ran.stdout);
    assert!(ran.stderr.is_empty());
    assert_snapshot!("fit_verbose", bench.run(&["weigh", "fit", "pads.csv", "-v"]).code(0).stdout);
    let quiet = bench.run(&["weigh", "fit", "pads.csv", "-q"]).code(0);
    assert_eq!(quiet.stdout.lines().count(), 1);
    // What makes it useless is told however little is asked for: 20.5 mm³ a turn are 49 times less than 1000.
    let set = ["--set", "screw.specific_output_mm3_rev=1000"];
    let useless = bench.run(&[&["weigh", "fit", "pads.csv", "-q"][..], &set].concat()).code(0).stdout;
    assert!(useless.contains("\nWarning: one turn gives 49 times less than the profile says"), "{useless}");
    assert!(!useless.contains("density"), "{useless}");
    assert!(ran.stdout.lines().all(|line| line.chars().count() < 100 || line.contains("provenance")));
}

#[test]
fn the_readme_shows_what_is_printed() {
    let bench = Bench::new();
    bench.folder("fixtures");
    bench.folder("fixtures/weigh");
    bench.file("fixtures/weigh/pads.csv", PADS);
    let printed = bench.run(&["weigh", "fit", "fixtures/weigh/pads.csv"]).code(0).stdout;
    let readme = include_str!("../README.md");
    let shown = readme.split("```").find(|block| block.starts_with("text\nThe output of a turn")).expect("the block");
    assert!(printed.starts_with(shown.trim_start_matches("text\n")), "{printed}");
}

#[test]
fn the_section_goes_where_it_was_asked_to() {
    let bench = Bench::new();
    bench.file("pads.csv", PADS);
    let alone = bench.run(&["weigh", "fit", "pads.csv", "-o", "-"]).code(0);
    let args = ["weigh", "fit", "pads.csv", "-o", "section.toml", "--plot", "pads.svg", "--json", "pads.json"];
    assert_eq!(bench.run(&args).code(0).stderr, "Drew pads.svg\nWrote section.toml\n");
    let quiet = ["weigh", "fit", "pads.csv", "-o", "again.toml", "-q"];
    assert!(bench.run(&quiet).code(0).stderr.is_empty());
    assert_eq!(read(&bench.path("section.toml")), alone.stdout);
    assert!(read(&bench.path("pads.svg")).starts_with("<svg "));
    bench.run(&["profile", "check", "section.toml"]).code(0);
    let shown = bench.run(&["profile", "show", "--profile", "section.toml"]).code(0).stdout;
    let lines: Vec<&str> = shown.lines().filter(|line| line.contains("# measured, profile")).collect();
    assert_eq!(lines.len(), 2, "{shown}");
    let from_pipe = bench.run_with(&["weigh", "fit", "-", "-o", "-"], PADS).code(0);
    assert_eq!(from_pipe.stdout, alone.stdout);
}

#[test]
fn the_account_as_json() {
    let bench = Bench::new();
    bench.file("pads.csv", PADS);
    let ran = bench.run(&["weigh", "fit", "pads.csv", "--json", "-"]).code(0);
    assert!(ran.stderr.starts_with("The output of a turn droops"));
    let account: serde_json::Value = serde_json::from_str(&ran.stdout).expect("JSON");
    let keys: Vec<&String> = account.as_object().expect("an object").keys().collect();
    assert_snapshot!("fit_json_keys", format!("{keys:#?}"));
    assert_eq!(
        (account["model"].as_str(), account["conditions"]["feed_mode"].as_str()),
        (Some("drooping"), Some("gravity"))
    );
    // The truth the data was made from: 23 and 0.035, and a lag of 0.45 s.
    let near =
        |value: &serde_json::Value, truth: f64, room: f64| (value.as_f64().expect("a number") - truth).abs() < room;
    assert!(near(&account["slow_mm3_rev"], 23.0, 0.3) && near(&account["fall_mm3_rev_per_rpm"], 0.035, 0.005));
    assert!(near(&account["melt_lag"]["seconds"], 0.45, 0.05));
    let plan =
        bench.run(&["weigh", "plan", "-o", "t.gcode", "--json", "-", "--set", "screw.output_e_unit=mm3"]).code(0);
    let plan: serde_json::Value = serde_json::from_str(&plan.stdout).expect("JSON");
    assert_eq!((plan["runs"].as_array().map(Vec::len), plan["turn_mm3"].as_f64()), (Some(15), Some(15.0)));
    assert!(plan["pause_s"].is_number() && plan["pause_s"] == plan["pause"]["dwell"], "{plan}");
    let waits = ["weigh", "plan", "-o", "w.gcode", "--json", "-", "--pause-command", "PAUSE"];
    let plan: serde_json::Value = serde_json::from_str(&bench.run(&waits).code(0).stdout).expect("JSON");
    assert!(plan["pause_s"].is_null() && plan["pause"]["command"] == "PAUSE", "{plan}");
}

/// Weighings that no curve fits give no measured value, and a drool that gives no lag is spoken of once.
#[test]
fn what_weighings_do_not_show_is_not_said() {
    let bench = Bench::new();
    let jumping = "run,20,60,10\nrun,20,60,10.1\nrun,40,60,8\nrun,40,60,8.1\nrun,60,60,27\nrun,60,60,27.1\n";
    bench.file("jumping.csv", sheet(jumping));
    let section = bench.run(&["weigh", "fit", "jumping.csv", "-o", "-"]).code(0).stdout;
    assert!(section.starts_with("# Weighed, but no curve fits") && section.contains("provenance = \"assumed\""));
    assert!(!section.contains("measured"), "{section}");

    let steady = "run,60,60,16.8\nrun,60,60,16.9\nrun,30,60,8.4\nrun,30,60,8.4\n";
    // 50 g at 1.12 g/cm³ are 44643 mm³, at 15 mm³/s nearly an hour.
    bench.file("drool.csv", sheet(&format!("{steady}drool,60,60,50\n")));
    let told = bench.run(&["weigh", "fit", "drool.csv"]).code(0).stdout;
    assert!(told.contains("it was left out") && !told.contains("five melt lags"), "{told}");
}

#[test]
fn spreadsheets_of_other_countries() {
    let bench = Bench::new();
    bench.file("pads.csv", PADS);
    let plain = bench.run(&["weigh", "fit", "pads.csv", "-o", "-"]).code(0).stdout;
    let rows: String = PADS.lines().filter(|line| !line.starts_with('#')).map(|line| format!("{line}\r\n")).collect();
    let german = format!("\u{feff}{}", rows.replace(',', ";").replace('.', ",").replace("2026-11-20", "20.11.2026"));
    bench.file("messung.csv", german);
    assert_eq!(bench.run(&["weigh", "fit", "messung.csv", "-o", "-"]).code(0).stdout, plain);
}

#[test]
fn bad_sheets_say_what_is_wrong() {
    let good = "run,60,60,11.5\nrun,60,60,11.6\n";
    let with = |row: &str| sheet(&format!("{good}{row}\n"));
    let cases: Vec<(&str, Vec<u8>)> = vec![
        ("empty", Vec::new()),
        ("blank", b"\n  \n".to_vec()),
        ("workbook", b"PK\x03\x04".to_vec()),
        ("wide", b"\xff\xfed\0a\0".to_vec()),
        ("wide-unmarked", sheet(good).encode_utf16().flat_map(u16::to_le_bytes).collect()),
        ("with-nothing", b"date,2026-11-20\n\0\0\0\n".to_vec()),
        ("prose", b"weighed on Friday\n12 g, then 13 g\n".to_vec()),
        ("no-mass-column", format!("{SETTINGS}kind,rpm,seconds,note\nrun,60,60,\n").into()),
        ("two-missing", format!("{SETTINGS}kind,mass_g\nrun,11.5\n").into()),
        ("unknown-column", format!("{SETTINGS}kind,rpm,seconds,mass_g,mass_kg\nrun,60,60,11.5,\n").into()),
        ("twice", format!("{SETTINGS}kind,rpm,seconds,mass_g,rpm\nrun,60,60,11.5,\n").into()),
        ("negative", with("run,60,60,-11.5").into()),
        ("zero-mass", with("run,60,60,0").into()),
        ("zero-speed", with("run,0,60,11.5").into()),
        ("zero-seconds", with("run,60,0,11.5").into()),
        ("no-speed", with("run,,60,11.5").into()),
        ("words", with("run,60,60,11.5 g").into()),
        ("thousands", with("run,60,60,\"1,100.5\"").into()),
        ("comma-decimal", with("run,60,60,11,5").into()),
        ("comma-decimal-quoted", with("run,60,60,\"11,5\"").into()),
        ("exponent", with("run,60,60,1e9").into()),
        ("too-fast", with("run,20000,60,11").into()),
        ("kind", with("purge,60,60,11.5").into()),
        ("open-quote", with("run,60,60,\"11.5").into()),
        ("one-point", sheet("run,60,60,11.5\n").into()),
        ("unfilled", sheet("run,60,60,\nrun,60,60,\n").into()),
        ("wrong-unit", sheet("run,0.01,0.01,900\nrun,0.01,0.01,910\n").into()),
        ("no-date", sheet(good).replace("date,2026-11-20\n", "").into()),
        ("date", sheet(good).replace("2026-11-20", "11/20/2026").into()),
        ("feed-mode", sheet(good).replace("gravity", "crammer").into()),
        ("nozzle", sheet(good).replace("nozzle_mm,1", "nozzle_mm,12").into()),
        ("setting-comma", sheet(good).replace("nozzle_mm,1", "nozzle_mm,1,2").into()),
        ("setting-unknown", format!("speed,12\n{}", sheet(good)).into()),
        ("setting-twice", format!("date,2026-11-21\n{}", sheet(good)).into()),
        ("run-number", format!("{SETTINGS}kind,run,rpm,seconds,mass_g\nrun,1,60,60,11\nrun,1,60,60,11\n").into()),
        ("cup", format!("{SETTINGS}kind,rpm,seconds,tare_g,mass_g\nrun,60,60,20,11\n").into()),
        ("umlaut", with("run,60,60,fünf").into()),
        ("too-many", sheet(&good.repeat(251)).into()),
    ];
    let mut said = String::new();
    for (name, content) in cases {
        let bench = Bench::new();
        let file = format!("{name}.csv");
        bench.file(&file, content);
        let ran = bench.run(&["weigh", "fit", &file]).code(1);
        assert!(ran.stdout.is_empty() && ran.stderr.contains("help: "), "{name}\n{}", ran.stderr);
        said.push_str(&format!("{}\n", ran.stderr));
    }
    assert_snapshot!(said);
}

#[test]
fn a_sheet_that_is_not_there() {
    let bench = Bench::new();
    bench.run(&["weigh", "fit", "none.csv"]).code(1);
    bench.folder("folder");
    bench.run(&["weigh", "fit", "folder"]).code(1);
    bench.run(&["weigh"]).code(2);
}
