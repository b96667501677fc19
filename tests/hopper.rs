//! Hopper plan, stale calibrations and reconcile from outside.

mod support;

use serde_json::Value;
use support::{BROKEN, Bench, Ran};

fn json(ran: &Ran) -> Value {
    serde_json::from_str(&ran.stdout).unwrap_or_else(|error| panic!("{error}\n{}", ran.stdout))
}

/// Ten layers of 1000 mm³ each: at 1.12 g/cm³ 1.12 g a layer.
fn tower() -> String {
    let mut text = "G90\nM83\n".to_owned();
    for layer in 1..=10 {
        text.push_str(&format!(";LAYER_CHANGE\nG1 Z{layer} F600\nG1 X{} E1000 F300\n", layer % 2 * 100));
    }
    text
}

const MM3: [&str; 2] = ["--set", "screw.e_unit=mm3"];

fn with<'a>(start: &[&'a str], set: &[&'a str]) -> Vec<&'a str> {
    start.iter().copied().chain(MM3).chain(set.iter().flat_map(|set| ["--set", set])).collect()
}

#[test]
fn an_audit_and_a_rewrite_plan_refills() {
    let bench = Bench::new();
    bench.file("tower.gcode", tower());
    // 4 g of 5: three layers of 1.12 g each time, at lines 12, 21 and 30 (the move up to layers 4, 7 and 10).
    let set = ["hopper.usable_g=5", "hopper.margin_g=1", "hopper.bulk_density_g_cm3=0.56", "hopper.cost_per_kg=10"];
    let found = json(&bench.run(&with(&["audit", "tower.gcode", "--json", "-"], &set)));
    let plan = &found["hopper"];
    let refills: Vec<_> =
        plan["refills"].as_array().unwrap().iter().map(|r| (r["line"].as_u64(), r["layer"].as_u64())).collect();
    assert_eq!(refills, [(Some(13), Some(4)), (Some(22), Some(7)), (Some(31), Some(10))]);
    let number = |key: &str| plan[key].as_f64().unwrap();
    assert!((number("total_g") - 11.2).abs() < 1e-9 && (number("total_l") - 0.02).abs() < 1e-9);
    assert!((number("cost") - 0.112).abs() < 1e-9 && (number("left_at_end_g") - 1.64).abs() < 1e-9);
    assert_eq!(plan["refills"][0]["place"], "layer-change");
    assert!((plan["refills"][0]["refill_g"].as_f64().unwrap() - 3.36).abs() < 1e-9);
    // Path and mass are those of the output.
    let ran = bench.run(&with(&["rewrite", "tower.gcode", "-o", "out.gcode", "--json", "-"], &set)).code(0);
    assert_eq!(json(&ran)["hopper"]["refills"].as_array().unwrap().len(), 3);
    assert!(ran.stderr.contains("\nHopper\n") && ran.stderr.contains("3 refills"), "{}", ran.stderr);
}

#[test]
fn an_unknown_hopper_takes_one_line() {
    let bench = Bench::new();
    bench.file("tower.gcode", tower());
    let ran = bench.run(&with(&["rewrite", "tower.gcode", "--dry-run"], &[])).code(0);
    let lines: Vec<_> = ran.stdout.lines().filter(|line| line.contains("granules")).collect();
    let line = "11.2 g of granules, 0.018 l as poured (0.62 g/cm³, a guess); hopper.usable_g plans refills.";
    assert_eq!(lines, [line]);
    assert!(!ran.stdout.contains("Hopper\n"));
}

#[test]
fn ten_refills_are_listed_and_the_rest_counted() {
    let bench = Bench::new();
    let text: String =
        (1..=30).map(|n| format!(";LAYER_CHANGE\nG1 Z{n} F600\nG1 X{} E1000 F300\n", n % 2 * 100)).collect();
    bench.file("tall.gcode", format!("G90\nM83\n{text}"));
    let set = ["hopper.usable_g=2.2", "hopper.margin_g=1"];
    let normal = bench.run(&with(&["audit", "tall.gcode", "--lenient"], &set)).stdout;
    assert!(normal.contains("29 refills") && normal.contains("    and 19 more\n"), "{normal}");
    assert_eq!(normal.lines().filter(|line| line.ends_with("layer change")).count(), 10);
    let all = bench.run(&with(&["audit", "tall.gcode", "-v"], &set)).stdout;
    assert_eq!(all.lines().filter(|line| line.ends_with("layer change")).count(), 29);
}

#[test]
fn a_stale_calibration_is_a_warning() {
    let bench = Bench::new();
    bench.file("tower.gcode", tower());
    let note = "date=2026-11-20; lot=117; temperature_c=205; nozzle_mm=1; feed_mode=gravity; 15 weighings";
    let output = format!("specific_output_mm3_rev = {{ value = 15, provenance = \"measured\", note = \"{note}\" }}");
    bench.file("shop.toml", format!("[screw]\ne_unit = \"mm3\"\n{output}\n[feedstock]\nlot = \"118\"\n"));
    for command in [&["audit", "tower.gcode"][..], &["rewrite", "tower.gcode", "--dry-run"]] {
        let said = bench.run(&[command, &["--profile", "shop.toml"]].concat()).stdout;
        assert!(said.contains("warning: the output of the screw was weighed under other conditions"), "{said}");
        assert!(said.contains("weighed with lot 117, the profile names lot 118"), "{said}");
        let set = ["--profile", "shop.toml", "--set", "feedstock.lot=\"117\""];
        let said = bench.run(&[command, &set].concat()).stdout;
        assert!(!said.contains("other conditions"), "{said}");
        // Another nozzle on the command line counts as well.
        let set = ["--profile", "shop.toml", "--set", "feedstock.lot=none", "--set", "nozzle.diameter_mm=2"];
        let said = bench.run(&[command, &set].concat()).stdout;
        assert!(said.contains("weighed with a nozzle of 1 mm, the profile has 2 mm"), "{said}");
    }
}

#[test]
fn a_weighing_corrects_the_output() {
    let bench = Bench::new();
    bench.file("tower.gcode", tower());
    let ran = bench.run(&with(&["reconcile", "tower.gcode", "--weighed", "10.64"], &[])).code(0);
    assert!(ran.stderr.is_empty(), "{}", ran.stderr);
    // 10.64 / 11.2 = 0.95, and 15 times that is 14.25; 2 x 0.1 / sqrt(6) / 11.2 = 0.0073.
    for part in [
        "The print weighs 5.0 % less than predicted.",
        "0.9500  ± 0.0073",
        "specific_output_mm3_rev = { value = 14.25, provenance = \"assumed\", note = \"times 0.9500 +- 0.0073 by 10.64 g of tower.gcode\" }",
        "multiply its steps for a\n    unit of E by 1.0526",
    ] {
        assert!(ran.stdout.contains(part), "{part}\n{}", ran.stdout);
    }
    let found =
        json(&bench.run(&with(&["reconcile", "tower.gcode", "--weighed", "10.64", "--json", "-"], &[])).code(0));
    assert!((found["factor"].as_f64().unwrap() - 0.95).abs() < 1e-9 && found["verdict"] == "differs", "{found}");
    // The line is sound where it is put.
    let line = found["profile_line"].as_str().unwrap();
    bench.file("next.toml", format!("[screw]\n{line}\n"));
    bench.run(&["profile", "check", "next.toml"]).code(0);
}

#[test]
fn where_e_counts_turns_the_correction_is_a_measurement() {
    let bench = Bench::new();
    bench.file("tower.gcode", tower());
    let turns = ["screw.output_e_unit=screw-turns", "screw.lag_compensated_by=controller"];
    bench.run(&with(&["rewrite", "tower.gcode", "-o", "out.gcode"], &turns)).code(0);
    let again = with(&["reconcile", "out.gcode", "--weighed", "11.76"], &turns);
    let said = bench.run(&again).code(0).stdout;
    assert!(said.contains("{ value = 15.75, provenance = \"measured\", note = \"times 1.05"), "{said}");
    assert!(said.contains("E of this file counts turns: write it again"), "{said}");
    // An output curve is scaled point by point.
    let curve =
        with(&["reconcile", "tower.gcode", "--weighed", "11.76"], &["screw.output_curve=[[60, 16], [120, 30]]"]);
    let said = bench.run(&curve).code(0).stdout;
    assert!(said.contains("output_curve = { value = [[60.0, 16.8], [120.0, 31.5]]"), "{said}");
}

#[test]
fn what_agrees_or_cannot_be_is_said() {
    let bench = Bench::new();
    bench.file("tower.gcode", tower());
    let run = |weighed| bench.run(&with(&["reconcile", "tower.gcode", "--weighed", weighed], &[])).code(0).stdout;
    let said = run("11.25");
    assert!(said.contains("as far as this scale can tell") && !said.contains("What to change"), "{said}");
    let said = run("5.6");
    assert!(said.contains("Warning: the print weighs 50.0 % less") && said.contains("bridged"), "{said}");
    assert!(!said.contains("specific_output"), "no correction is offered: {said}");
    let stdin = bench.run_with(&with(&["reconcile", "-", "--weighed", "11.2"], &[]), tower()).code(0);
    assert!(stdin.stdout.starts_with("standard input\n"), "{}", stdin.stdout);
}

#[test]
fn bad_input_is_named() {
    let bench = Bench::new();
    bench.file("tower.gcode", tower());
    for (weighed, said) in [
        ("0", "above zero"),
        ("-3", "above zero"),
        ("nan", "out of all proportion"),
        ("inf", "out of all proportion"),
        ("1e99", "out of all proportion"),
        ("203,9", "write decimals with a point: 203.9"),
        ("a lot", "not a number"),
        ("", "not a number"),
    ] {
        for option in ["--weighed", "--resolution"] {
            let other = if option == "--weighed" { ["--resolution", "1"] } else { ["--weighed", "1"] };
            let ran = bench.run(&["reconcile", "tower.gcode", option, weighed, other[0], other[1]]).code(2);
            assert!(ran.stdout.is_empty() && ran.stderr.contains(said), "{option} {weighed}: {}", ran.stderr);
        }
    }
    assert!(bench.run(&["reconcile", "tower.gcode"]).code(2).stderr.contains("--weighed"));
    bench.file("broken.gcode", BROKEN);
    bench.file("empty.gcode", "G28\n");
    for (name, said) in
        [("broken.gcode", "not a number"), ("empty.gcode", "lays no melt"), ("none.gcode", "none.gcode")]
    {
        let ran = bench.run(&with(&["reconcile", name, "--weighed", "5"], &[])).code(1);
        assert!(ran.stderr.contains(said) && ran.stderr.contains(name), "{name}: {}", ran.stderr);
    }
    for (set, said) in [
        ("hopper.usable_g=-5", "must lie between 1 and"),
        ("hopper.usable_g=much", "number"),
        ("hopper.usable_g=20", "must leave at least 1 g"),
        ("hopper.margin_g=nan", "hopper.margin_g"),
        ("hopper.cost=1", "hopper.cost_per_kg"),
    ] {
        let ran = bench.run(&["audit", "tower.gcode", "--set", set]).code(2);
        assert!(ran.stderr.contains(said), "{set}: {}", ran.stderr);
    }
}

/// The blocks of README.md are what the commands print; lines may be left out.
#[test]
fn the_readme_shows_what_is_printed() {
    let readme = include_str!("../README.md");
    let bench = Bench::new();
    bench.folder("fixtures");
    bench.folder("fixtures/demo");
    bench.file("fixtures/demo/casting_pads.gcode", include_str!("../fixtures/demo/casting_pads.gcode"));
    for (command, first) in [
        (
            "meltwright audit fixtures/demo/casting_pads.gcode --set hopper.usable_g=80 --set hopper.margin_g=10",
            "Hopper\n",
        ),
        ("meltwright reconcile fixtures/demo/casting_pads.gcode --weighed 203.9", "fixtures/demo/casting_pads.gcode\n"),
    ] {
        assert!(readme.contains(command), "{command}");
        let typed: Vec<&str> = command.split(' ').skip(1).collect();
        let printed = bench.run(&typed).stdout;
        let start = readme.find(&format!("```text\n{first}")).unwrap_or_else(|| panic!("no block {first}"));
        let block: Vec<&str> = readme[start..].lines().skip(1).take_while(|line| *line != "```").collect();
        assert!(block.len() > 4, "{first}");
        for line in block {
            assert!(printed.lines().any(|other| other == line), "README shows {line:?}, printed is:\n{printed}");
        }
    }
}
