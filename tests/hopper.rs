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

/// Beads of 10 mm², which a nozzle has to be wide for.
const MM3: [&str; 4] = ["--set", "screw.e_unit=mm3", "--set", "nozzle.diameter_mm=5"];

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
    assert!(
        ran.stderr.contains("\nHopper, by lines of the file as it came\n") && ran.stderr.contains("3 refills"),
        "{}",
        ran.stderr
    );
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

/// 11.2 g by turns of 15 mm³, as the file was written; to a profile with 16.5 a factor of 0.95 says nothing.
#[test]
fn an_output_of_another_profile_is_told_first_and_corrects_nothing() {
    let bench = Bench::new();
    bench.file("tower.gcode", tower());
    let turns = ["screw.output_e_unit=screw-turns", "screw.lag_compensated_by=controller"];
    bench.run(&with(&["rewrite", "tower.gcode", "-o", "turns.gcode"], &turns)).code(0);
    bench.run(&with(&["rewrite", "tower.gcode", "-o", "mm3.gcode"], &["screw.output_e_unit=mm3"])).code(0);
    let said = |name: &str, weighed: &str, output: &str| {
        let unit = if name == "mm3.gcode" { &["screw.output_e_unit=mm3"][..] } else { &turns };
        let set = [unit, &[output]].concat();
        let run = |json: &[&str]| bench.run(&with(&[&["reconcile", name, "--weighed", weighed], json].concat(), &set));
        let told = run(&[]).code(0).stdout.split_whitespace().collect::<Vec<_>>().join(" ");
        (told, json(&run(&["--json", "-"]).code(0)))
    };
    let notice = "note: the file was rewritten with another profile than it is judged with:";
    let (told, account) = said("turns.gcode", "10.64", "screw.specific_output_mm3_rev=15");
    assert!(!told.contains(notice) && account["prediction"]["other_profile"] == false, "{told}");
    assert!(told.contains("What to change") && account["profile_line"].is_string(), "{told}");
    let (told, account) = said("turns.gcode", "10.64", "screw.specific_output_mm3_rev=16.5");
    assert!(told.contains("5.0 % less") && told.contains(notice) && !told.contains("What to change"), "{told}");
    assert!(told.contains("Look for - another profile: E of this file counts turns"), "{told}");
    assert!(account["profile_line"].is_null() && account["prediction"]["other_profile"] == true, "{account}");
    let (told, account) = said("turns.gcode", "5.6", "screw.specific_output_mm3_rev=16.5");
    assert!(told.contains("no matter of calibration. Look for - another profile: E of this file counts"), "{told}");
    assert!(account["profile_line"].is_null(), "{account}");
    // Volume is volume in every profile.
    let (told, account) = said("mm3.gcode", "10.64", "screw.specific_output_mm3_rev=16.5");
    assert!(told.contains(notice) && told.contains("What to change") && account["profile_line"].is_string(), "{told}");
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
        ("nan", "it is not a number"),
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
        ("hopper.bulk_density_g_cm3=1.5", "must not be above feedstock.density_g_cm3"),
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

const DEMO: &str = include_str!("../fixtures/demo/casting_pads.gcode");

/// X and Y words of a line.
fn place(line: &str) -> Vec<&str> {
    line.split(';').next().unwrap_or("").split(' ').filter(|word| word.starts_with(['X', 'Y', 'Z'])).collect()
}

#[test]
fn pauses_stand_at_the_refills_and_nothing_else_changes() {
    let bench = Bench::new();
    bench.file("pads.gcode", DEMO);
    let cup = ["hopper.usable_g=80", "hopper.margin_g=10", "hopper.pause_command=REFILL NOW=1"];
    for lag in ["file", "none", "controller"] {
        let lag = format!("screw.lag_compensated_by={lag}");
        let run = |name: &str, set: &[&str]| {
            let set: Vec<&str> = set.iter().flat_map(|set| ["--set", set]).collect();
            let ran = bench.run(&[&["rewrite", "pads.gcode", "-o", name, "--json", "-"][..], &set].concat()).code(0);
            (json(&ran), support::read(&bench.path(name)))
        };
        let (_, plain) = run("plain.gcode", &[&lag, cup[0], cup[1]]);
        let (account, paused) = run("paused.gcode", &[&lag, cup[0], cup[1], cup[2]]);
        let plan = &account["hopper"];
        assert_eq!((plan["refills"].as_array().unwrap().len(), plan["pauses_written"].as_u64()), (3, Some(3)), "{lag}");
        let (input, lines): (Vec<&str>, Vec<&str>) = (DEMO.lines().collect(), paused.lines().collect());
        let at: Vec<usize> = (0..lines.len()).filter(|i| lines[*i] == "REFILL NOW=1").collect();
        assert_eq!(at.len(), 3, "{lag}");
        for (at, refill) in at.iter().zip(plan["refills"].as_array().unwrap()) {
            // The line behind is the one the plan names; a feed is stated before the head moves again.
            let wanted = input[refill["line"].as_u64().unwrap() as usize - 1];
            let next = lines[at + 1..].iter().find(|line| !line.starts_with("M204")).unwrap();
            let moves = at + 1 + lines[at + 1..].iter().position(|line| !place(line).is_empty()).unwrap();
            let states_feed = lines[at + 1..=moves].iter().any(|line| line.contains(" F"));
            if !place(wanted).is_empty() {
                assert_eq!(place(next), place(wanted), "{lag}");
            }
            assert!(states_feed, "{lag}: {}", lines[moves]);
        }
        // Without the pauses, what is left differs by turns at rest, feeds and where beads are cut alone, and E adds up to the
        // same.
        let corners: std::collections::HashSet<String> = input.iter().map(|line| place(line).join(" ")).collect();
        let path = |text: &str| {
            let places = text.lines().map(place).filter(|words| !words.is_empty()).map(|words| words.join(" "));
            places.filter(|words| corners.contains(words)).collect::<Vec<_>>()
        };
        assert_eq!(path(&plain), path(&paused), "{lag}");
        let weighed = |name: &str| {
            let ran = bench.run(&["reconcile", name, "--weighed", "200", "--json", "-"]).code(0);
            json(&ran)["predicted_g"].as_f64().unwrap()
        };
        assert!((weighed("plain.gcode") / weighed("paused.gcode") - 1.0).abs() < 1e-3, "{lag}");
    }
}

#[test]
fn within_a_run_of_beads_the_screw_is_relieved_and_charged_again() {
    let bench = Bench::new();
    let bead = |n: i32| format!("G1 X{} E20\n", n % 2 * 40);
    let text: String = (1..=12).map(bead).collect();
    bench.file("pad.gcode", format!("G90\nM83\nG1 Z1 F600\n;TYPE:Internal infill\nG1 F600\n{text}"));
    // 12 beads of 0.1 g, 1.05 g at a time: one pause, before the eleventh.
    let set = [
        "feedstock.density_g_cm3=5",
        "hopper.usable_g=1.5",
        "hopper.margin_g=0.45",
        "hopper.pause_command=M400",
        "screw.lag_compensated_by=none",
        "screw.output_e_unit=mm3",
        "screw.melt_lag_s=0.4",
    ];
    let ran = bench.run(&with(&["rewrite", "pad.gcode", "-o", "out.gcode"], &set)).code(0);
    assert!(ran.stdout.contains("1 pause written into the output."), "{}", ran.stdout);
    let text = support::read(&bench.path("out.gcode"));
    let lines: Vec<&str> = text.lines().collect();
    let at = lines.iter().position(|line| *line == "M400").unwrap();
    let e = |line: &str| -> f64 {
        assert!(line.starts_with("G1 E"), "{line}\n{text}");
        line.split(' ').nth(1).unwrap()[1..].parse().unwrap()
    };
    // Beads of 20 mm³ at 5 mm³/s hold 2 mm³. The screw gives 30 mm³/s: back by 12 ln(14/12) = 1.8498, forward by
    // 2, less or more by at most 5 % of it for what was laid too much.
    let (back, forward) = (e(lines[at - 2]), e(lines[at + 1]));
    assert_eq!(lines[at - 1], "G1 F600", "the command runs at the feed of the file");
    assert!((back + 1.8498).abs() < 0.12 && (forward - 2.0).abs() < 0.12, "{back} {forward}\n{text}");
    assert!(lines[at + 2].starts_with("G1 X") && lines[at + 2].contains(" F600"), "{text}");
}

#[test]
fn pauses_need_the_pass_and_a_known_hopper() {
    let bench = Bench::new();
    bench.file("tower.gcode", tower());
    let set = ["hopper.usable_g=5", "hopper.margin_g=1", "hopper.pause_command=REFILL"];
    let lines = |command: &[&str], set: &[&str], said: &str| {
        let ran = bench.run(&with(command, set)).code(0);
        assert_eq!(ran.stderr.contains("[pause-left-out]"), !said.is_empty(), "{}", ran.stderr);
        assert!(ran.stderr.split_whitespace().collect::<Vec<_>>().join(" ").contains(said), "{said}: {}", ran.stderr);
        ran.stdout.lines().filter(|line| *line == "REFILL").count()
    };
    assert_eq!(lines(&["rewrite", "tower.gcode"], &set, ""), 3);
    let off = "3 of 3: the pass starts, which writes them, did not run";
    assert_eq!(lines(&["rewrite", "tower.gcode", "--passes", "capacity"], &set, off), 0);
    assert_eq!(lines(&["rewrite", "tower.gcode"], &set[2..], "hopper.usable_g is not set"), 0);
    // An audit counts the purges of the plan as a rewrite does; where nothing is purged, neither counts any, and it is said.
    let parked = ["hopper.purge_mm3=70", "machine.park_x_mm=-10", "machine.park_y_mm=5"];
    let all = [&set[..], &parked].concat();
    let plan = |command: &[&str], set: &[&str]| {
        let found = json(&bench.run(&with(command, set)))["hopper"].clone();
        [&found["purged_mm3"], &found["total_g"]].map(|value| value.as_f64().expect("a number"))
    };
    bench.file("homed.gcode", format!("G28\n{}", tower()));
    let rewrite = ["rewrite", "homed.gcode", "--dry-run", "--json", "-"];
    let audited = ["audit", "homed.gcode", "--json", "-"];
    assert_eq!(plan(&rewrite, &all)[0], 210.0);
    assert_eq!(plan(&audited, &all)[0], 210.0);
    let without = [&rewrite[..], &["--passes", "capacity"]].concat();
    for (none, same) in
        [(plan(&without, &all), plan(&without, &set)), (plan(&rewrite, &all[..4]), plan(&rewrite, &set))]
    {
        assert_eq!(none, same);
        assert_eq!(none[0], 0.0);
    }
    let ran = bench.run(&with(&["rewrite", "tower.gcode"], &all[..4])).code(0);
    assert!(ran.stderr.contains("70 mm³ are not purged"), "{}", ran.stderr);
    // A file with line numbers bears no lines between them.
    let numbered: String = tower()
        .lines()
        .enumerate()
        .map(|(n, line)| if line.starts_with(';') { format!("{line}\n") } else { format!("N{n} {line}\n") })
        .collect();
    bench.file("numbered.gcode", numbered);
    assert_eq!(lines(&["rewrite", "numbered.gcode"], &set, "3 of 3: the lines there are numbered"), 0);
    for (command, said) in [
        ("", "must not be blank"),
        ("M0 ; note", "without a comment"),
        ("M600 ø", "plain ASCII"),
        ("G28", "moves the head"),
    ] {
        let set = format!("hopper.pause_command=\"{command}\"");
        let ran = bench.run(&["audit", "tower.gcode", "--set", &set]).code(2);
        assert!(ran.stderr.contains("hopper.pause_command") && ran.stderr.contains(said), "{command}: {}", ran.stderr);
    }
}
