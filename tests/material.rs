//! Screw, blend, changeover and feedstock from outside: reports, JSON, files, and what is said to bad input.

mod support;

use insta::assert_snapshot;
use serde_json::Value;
use support::{BROKEN, Bench, Ran, read};

/// A small screw.
const SCREW: [&str; 9] = ["screw", "--bore", "8", "--depth", "0.6", "--length", "30", "--feedstock", "tpe-30a"];

fn screw<'a>(more: &[&'a str]) -> Vec<&'a str> {
    [&SCREW, more].concat()
}

fn json(ran: &Ran) -> Value {
    serde_json::from_str(&ran.stdout).unwrap_or_else(|error| panic!("{error}\n{}", ran.stdout))
}

/// Ten layers of 1000 mm³ each, in mm³.
fn tower() -> String {
    let mut text = "G90\nM83\n".to_owned();
    for layer in 1..=10 {
        text.push_str(&format!(";LAYER_CHANGE\nG1 Z{layer} F600\nG1 X{} E1000 F300\n", layer % 2 * 100));
    }
    text
}

const MM3: [&str; 2] = ["--set", "screw.e_unit=mm3"];

#[test]
fn reports_are_narrow_and_defer_to_the_manual() {
    let bench = Bench::new();
    bench.file("tower.gcode", tower());
    let commands: [&[&str]; 6] = [
        &SCREW,
        &["blend", "70:tpe-30a", "30:tpe-60a", "--part-grams", "240", "--purge", "30"],
        &["blend", "80:pla", "20:tpu-85a", "--by", "volume", "--part-volume", "100"],
        &["changeover", "--melt-volume", "1", "--file", "tower.gcode", "--at-layer", "6", MM3[0], MM3[1]],
        &["feedstock", "show", "chocolate-milk"],
        &["feedstock", "list"],
    ];
    for command in commands {
        let ran = bench.run(command).code(0);
        assert!(ran.stderr.is_empty(), "{command:?}: {}", ran.stderr);
        // Lines for a profile are to be copied and stay whole.
        let prose = ran.stdout.lines().filter(|line| !line.contains(" = "));
        assert!(prose.clone().all(|line| line.chars().count() <= 100), "{command:?}\n{}", ran.stdout);
        assert!(prose.clone().all(|line| line.trim_end() == line), "{command:?}\n{}", ran.stdout);
        if command != ["feedstock", "list"] {
            assert!(ran.stdout.contains("\nMind\n") && ran.stdout.contains("licensed practice"), "{command:?}");
        }
    }
}

#[test]
fn a_screw_in_full() {
    let bench = Bench::new();
    let ran = bench.run(&screw(&["--plot", "screw.svg", "--max-pressure", "20"])).code(0);
    assert_snapshot!("screw_report", ran.shown());
    let svg = read(&bench.path("screw.svg"));
    assert!(svg.starts_with("<svg ") && svg.contains("screw at 120 rev/min") && svg.contains("MPa"));
}

/// Groover's example 13.2 with a small screw's options: no land, no gap; edges and a power law of index 1.
#[test]
fn a_screw_as_json() {
    let bench = Bench::new();
    let options =
        ["--viscosity", "500", "--clearance", "0", "--set", "screw.melting_limit_mm3_s=\"none\"", "--json", "-"];
    let ran = bench.run(&screw(&options)).code(0);
    let found = json(&ran);
    let number = |key: &str| found[key].as_f64().unwrap_or_else(|| panic!("{key} in {found}"));
    // Q = K dP for a Newtonian melt: pi d^4 / (128 eta L) = 24.5437 mm³/(s MPa) at 1 mm, 2 mm and 500 Pa s.
    assert!((number("melt_flow_mm3_s") / number("pressure_mpa") - 24.5437).abs() < 1e-4);
    assert_eq!(found["basis"], "estimated from geometry");
    assert_eq!(found["index"], 1.0);
    assert!(number("lowest_limit_mm3_s") > number("capacity_mm3_s"));
    assert!(ran.stderr.contains("Estimated from geometry"), "the text makes room for the JSON");
}

/// Pressures are proportional to the viscosity of a Newtonian melt: 2.5 MPa at 500 Pa s are 100 at 20 000.
#[test]
fn pressures_that_heads_may_not_bear_are_told() {
    let bench = Bench::new();
    let told = |viscosity: &str, more: &[&str]| {
        let base = ["--viscosity", viscosity, "--set", "screw.melting_limit_mm3_s=\"none\""];
        let told = bench.run(&screw(&[&base[..], more].concat())).code(0).stdout;
        let told = told.split_whitespace().collect::<Vec<_>>().join(" ");
        [
            " MPa before the nozzle: few heads",
            " MPa with the nozzle blocked: few heads",
            "with the nozzle blocked the pressure",
        ]
        .map(|words| told.contains(words))
    };
    assert_eq!(told("500", &[]), [false, false, false]);
    assert_eq!(told("20000", &[]), [true, false, false]);
    assert_eq!(told("1500", &[]), [false, true, false]);
    assert_eq!(told("1500", &["--max-pressure", "20"]), [false, false, true]);
    assert_eq!(told("500", &["--max-pressure", "1000"]), [false, false, false]);
    let refused = bench.run(&screw(&["--mfr", "12", "--load", "2160"])).code(2).stderr;
    assert!(refused.contains("2160 g are 2.16 kg"), "{refused}");
}

#[test]
fn lines_for_the_profile_load() {
    let bench = Bench::new();
    let found = json(&bench.run(&screw(&["--json", "-"])).code(0));
    let line = found["profile_line"].as_str().unwrap();
    bench.file("screw.toml", format!("[screw]\n{line}\n"));
    bench.run(&["profile", "check", "screw.toml"]).code(0);
    let shown = bench.run(&["profile", "show", "--profile", "screw.toml"]).code(0);
    assert!(shown.stdout.contains("estimated from geometry") && shown.stdout.contains("provenance = \"assumed\""));

    let blend = ["blend", "80:tpu-85a,density=1.19,output=14.5", "20:own,name=say \"hi\",density=1.1,family=tpu"];
    let ran = bench.run(&[&blend[..], &["--write", "blend.toml"]].concat()).code(0);
    assert!(ran.stderr.contains("blend.toml"));
    bench.run(&["profile", "check", "blend.toml"]).code(0);
    let shown = bench.run(&["profile", "show", "--profile", "blend.toml"]).code(0).stdout;
    assert!(shown.contains("80 % tpu-85a + 20 % say"), "{shown}");
    // It is used like any profile, and not overwritten.
    bench.file("tower.gcode", tower());
    bench.run(&["audit", "tower.gcode", "--profile", "blend.toml", MM3[0], MM3[1]]);
    let before = read(&bench.path("blend.toml"));
    let again = bench.run(&[&blend[..], &["--write", "blend.toml"]].concat()).code(2);
    assert!(again.stderr.contains("exists already") && again.stdout.is_empty());
    assert_eq!(read(&bench.path("blend.toml")), before);
}

#[test]
fn a_blend_as_json() {
    let bench = Bench::new();
    let run = ["blend", "50:tpe-5a", "50:tpu-85a", "--by", "volume", "--part-grams", "100", "--json", "-"];
    let found = json(&bench.run(&run).code(0));
    // 5A and 85A in equal volumes: 24.6A to 68.5A; the mean of the readings is 45A.
    let shore = &found["stiffness"]["shore_a"];
    assert!((shore["low"].as_f64().unwrap() - 24.6).abs() < 0.05, "{shore}");
    assert!((shore["high"].as_f64().unwrap() - 68.5).abs() < 0.05, "{shore}");
    // Grams: 0.87 and 1.12 g/cm³ in equal volumes.
    assert!((found["weighings"][0]["mass_g"].as_f64().unwrap() - 100.0 * 0.87 / 1.99).abs() < 1e-9);
    assert_eq!(found["output"]["separates"], true);
    assert_eq!(found["cautions"][0]["caution"], "separates");
    assert!(found["section"].as_str().unwrap().contains("[feedstock]"));
}

/// One tank of 1 cm³ of melt, a tenth lighter than its solid: 95 % at 2.9957 · 900 mm³. Layer 6 begins at 5000 mm³, so the
/// hopper is changed at 2303.84.
#[test]
fn a_change_at_a_layer() {
    let bench = Bench::new();
    bench.file("tower.gcode", tower());
    let run = ["changeover", "--melt-volume", "1", "--tanks", "1", "--file", "tower.gcode", "--at-layer", "6"];
    let found = json(&bench.run(&[&run[..], &MM3, &["--json", "-"]].concat()).code(0));
    let placed = &found["placement"];
    assert!((placed["change"]["laid_mm3"].as_f64().unwrap() - 2303.84).abs() < 0.01, "{placed}");
    assert_eq!((&placed["change"]["layer"], &placed["layers_before"]), (&Value::from(3), &Value::from(3)));
    assert_eq!((&placed["ends"]["layer"], &placed["fit"]["fit"]), (&Value::from(6), &Value::from("fits")));
    // 2.69616 cm³ of 1.12 g/cm³, and at 15 mm³/rev.
    let to_95 = &found["purge"][2];
    assert!((to_95["mass_g"].as_f64().unwrap() - 3.0197).abs() < 1e-4, "{to_95}");
    assert!((to_95["turns"].as_f64().unwrap() - 179.744).abs() < 1e-3, "{to_95}");
    // The same from standard input.
    let piped = ["changeover", "--melt-volume", "1", "--tanks", "1", "--file", "-", "--at-layer", "6", "--json", "-"];
    let same = json(&bench.run_with(&[&piped[..], &MM3].concat(), tower()).code(0));
    assert_eq!(&same["placement"], placed);
}

/// An output counts in the unit it was written in, and what it was planned by may be another screw.
#[test]
fn a_change_in_an_output_of_another_profile_is_told() {
    let bench = Bench::new();
    bench.file("tower.gcode", tower());
    bench.run(&[&["rewrite", "tower.gcode", "-o", "out.gcode"], &MM3[..]].concat()).code(0);
    let run = |name: &str, more: &[&str]| {
        let run = ["changeover", "--melt-volume", "1", "--file", name, "--at-layer", "6"];
        let told = bench.run(&[&run[..], &MM3, more].concat()).code(0).stdout;
        let account = json(&bench.run(&[&run[..], &MM3, more, &["--json", "-"]].concat()).code(0));
        (told.contains("rewritten with another profile than"), account["other_profile"].clone())
    };
    let other = ["--set", "screw.melt_lag_s=1"];
    assert_eq!(run("out.gcode", &other), (true, Value::from(true)));
    for (name, more) in [("out.gcode", &[][..]), ("tower.gcode", &other)] {
        assert_eq!(run(name, more), (false, Value::from(false)), "{name}");
    }
}

/// The table of the purge and the placement weigh the same: what passes until 95 % are new, each with its own density.
#[test]
fn a_change_weighs_the_same_in_purge_and_print() {
    let bench = Bench::new();
    bench.file("tower.gcode", tower());
    let run = ["changeover", "--melt-volume", "2", "--to", "tpe-60a", "--file", "tower.gcode", "--at-layer", "9"];
    let found = json(&bench.run(&[&run[..], &MM3, &["--json", "-"]].concat()).code(0));
    let (purge, lead) = (&found["purge"][2], &found["masses"]["lead_g"]);
    assert!((purge["mass_g"].as_f64().unwrap() - lead.as_f64().unwrap()).abs() < 1e-9, "{purge} {lead}");
    let text = bench.run(&[&run[..], &MM3].concat()).code(0).stdout;
    assert!(
        text.contains(&format!("{:.1} g and", lead.as_f64().unwrap())) && text.contains("each with its own"),
        "{text}"
    );
}

/// Who changes over to food, or asks what a screw gives of it, is told what a machine for plastic is not.
#[test]
fn food_is_cautioned_everywhere() {
    let bench = Bench::new();
    let grade = "chocolate-milk";
    let share = format!("100:{grade}");
    let commands: [&[&str]; 4] = [
        &["blend", &share],
        &["feedstock", "show", grade],
        &["changeover", "--melt-volume", "2", "--to", grade],
        &["screw", "--bore", "8", "--depth", "0.6", "--length", "30", "--feedstock", grade],
    ];
    for command in commands {
        let told = bench.run(command).code(0).stdout.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(told.contains("A machine that carried plastic is not fit for food"), "{command:?}: {told}");
    }
    let plastic = bench.run(&["changeover", "--melt-volume", "2"]).code(0).stdout;
    assert!(!plastic.contains("food"), "{plastic}");
}

/// At 9 mm³/s, half-way between 5 and 13, a curve from 20 to 60 rev/min turns at 40: 13.5 mm³ a turn, so that turns and time
/// belong together.
#[test]
fn a_purge_turns_at_the_speed_of_its_flow() {
    let bench = Bench::new();
    let set = ["--set", "screw.output_curve=[[20, 5], [60, 13]]", "--set", "screw.sustained_flow_mm3_s=9"];
    let found = json(&bench.run(&[&["changeover", "--melt-volume", "9", "--json", "-"][..], &set].concat()).code(0));
    assert!((found["specific_output_mm3_rev"].as_f64().unwrap() - 13.5).abs() < 1e-9, "{found}");
    for step in found["purge"].as_array().expect("steps") {
        let [turns, time] = ["turns", "time_s"].map(|key| step[key].as_f64().expect("a number"));
        assert!((turns / time * 60.0 - 40.0).abs() < 1e-9, "{step}");
    }
}

#[test]
fn changes_that_do_not_fit_say_what_to_do() {
    let bench = Bench::new();
    bench.file("tower.gcode", tower());
    let at = |layer: &'static str, melt: &'static str, share: &'static str| {
        let run = ["changeover", "--melt-volume", melt, "--file", "tower.gcode", "--at-layer", layer, "--share", share];
        bench.run(&[&run[..], &MM3].concat()).code(0).stdout
    };
    assert_snapshot!("changeover_fits", at("9", "2", "95"));
    // Lines are broken where they are full.
    let flat = |text: String| text.split_whitespace().collect::<Vec<_>>().join(" ");
    // 2.0986 melt volumes of 1800 mm³ less one layer: 2777.5 mm³.
    let early = flat(at("2", "2", "95"));
    assert!(early.contains("Change it, purge 3.1 g, then start"), "{early}");
    // Three tanks: 50 % at 0.8914 and 95 % at 2.0986 melt volumes, so 1172.9 mm³ are missing.
    let late = flat(at("10", "2", "50"));
    assert!(late.contains("the print ends 1.3 g before the transition is over"), "{late}");
}

/// A fraction is no percentage; what was asked for is shown as it was asked for.
#[test]
fn shares_that_look_like_fractions_are_told() {
    let bench = Bench::new();
    bench.file("tower.gcode", tower());
    for (share, meant) in
        [("0.95", Some("95")), ("0.5", Some("50")), ("1", Some("99.9")), ("1.5", None), ("95.25", None)]
    {
        let run = ["changeover", "--melt-volume", "1", "--file", "tower.gcode", "--at-layer", "9", "--share", share];
        let ran = bench.run(&[&run[..], &MM3].concat()).code(0);
        assert!(
            ran.stdout.contains(&format!("\n{share} % of the new recipe where layer 9")),
            "{share}: {}",
            ran.stdout
        );
        let said = meant.is_some_and(|meant| ran.stderr.contains(&format!("--share {meant}\n")));
        assert_eq!((said, ran.stderr.is_empty()), (meant.is_some(), meant.is_none()), "{share}: {}", ran.stderr);
    }
}

#[test]
fn the_library_as_json() {
    let bench = Bench::new();
    let list = json(&bench.run(&["feedstock", "list", "--json", "-"]).code(0));
    assert!(list.as_array().unwrap().len() >= 20);
    let run = ["feedstock", "show", "tpu-95a", "--json", "tpu.json"];
    assert!(bench.run(&run).code(0).stdout.starts_with("tpu-95a: "));
    let grade: Value = serde_json::from_str(&read(&bench.path("tpu.json"))).unwrap();
    assert_eq!(grade["hardness"]["value"]["scale"], "A");
    // 95A is 43.8292 MPa by Gent.
    assert!((grade["stiffness_by_hardness"]["modulus_mpa"].as_f64().unwrap() - 43.8292).abs() < 5.1e-5);
    assert!(grade["hazards"].to_string().contains("isocyanates"));
    assert!(grade["density_g_cm3"]["source"].as_str().unwrap().contains("82A"));
}

#[test]
fn bad_input_exits_2_and_names_the_cure() {
    let bench = Bench::new();
    bench.file("tower.gcode", tower());
    let tower = |more: &[&'static str]| {
        [&["changeover", "--melt-volume", "1", "--file", "tower.gcode", MM3[0], MM3[1]], more].concat()
    };
    let cases: Vec<(Vec<&str>, &str)> = vec![
        (vec!["screw"], "--bore"),
        (screw(&["--lead", "0"]), "above zero"),
        (screw(&["--lead", "-4"]), "-4"),
        (screw(&["--lead", "4,5"]), "write decimals with a point: 4.5"),
        (screw(&["--lead", "nan"]), "it is not a number"),
        (screw(&["--lead", "inf"]), "out of all proportion"),
        (screw(&["--flights", "0"]), "--flights"),
        (screw(&["--flight-width", "30"]), "left between the flights"),
        (screw(&["--clearance", "0.7"]), "must be below the depth"),
        (screw(&["--compression", "0.5"]), "depth at the feed"),
        (screw(&["--compression", "9"]), "below half the bore"),
        (screw(&["--screw-length", "20"]), "before the metering zone"),
        (screw(&["--viscosity", "100", "--mfr", "5"]), "cannot be used with"),
        (screw(&["--point", "100:500"]), "give --point twice"),
        (screw(&["--point", "100:500", "--point", "100:400"]), "differ from the first"),
        (screw(&["--point", "100;500"]), "with a colon between"),
        (screw(&["--mfr", "5", "--index", "3"]), "between 0.05 and 1.5"),
        (screw(&["--mfr", "5", "--index", "1.2"]), "would thicken under shear"),
        (screw(&["--point", "100:300", "--point", "1000:900"]), "K 33.33 Pa·s^n, n 1.48 would thicken"),
        (screw(&["--speed", "1e9"]), "10000 rev/min at most"),
        (screw(&["--plot", "x.png"]), "does not end in .svg"),
        (screw(&["--load", "5"]), "--mfr"),
        (screw(&["--cone-from", "0.5"]), "be wider than the bore"),
        (screw(&["--bulk-density", "2"]), "bulk density"),
        (
            vec!["screw", "--bore", "8", "--depth", "0.6", "--length", "30", "--feedstock", "tpe-30"],
            "did you mean `tpe-30a`?",
        ),
        (vec!["blend"], "SHARE:GRADE"),
        (vec!["blend", "60:tpe-30a", "30:tpe-60a"], "add up to 90, not to 100"),
        (vec!["blend", "--", "-60:tpe-30a", "160:tpe-60a"], "must be above 0 and at most 100"),
        (vec!["blend", "100:tpe-3"], "did you mean"),
        (vec!["blend", "100:tpe-30a,shor-a=3"], "did you mean `shore-a`?"),
        (vec!["blend", "50:tpe-30a", "50:chocolate-dark"], "they are not mixed"),
        (vec!["blend", "50:pla", "50:own,density=1.4,name=pvc"], "PVC and POM must never"),
        (vec!["blend", "100:pla", "--part-grams", "0"], "above zero"),
        (vec!["blend", "100:pla", "--part-grams", "5", "--part-volume", "5"], "cannot be used with"),
        (vec!["blend", "80:petg", "20:tpe-5a", "--write", "x.toml"], "no nozzle temperature suits all"),
        (vec!["blend", "100:pla", "--purge", "20", "--write", "x.toml"], "give --part-grams or --part-volume"),
        (
            vec!["blend", "100:own,density=0.95,nozzle-min=70,nozzle-max=90", "--write", "x.toml"],
            "no profile takes it: feedstock.drying_temperature_c must be below",
        ),
        (vec!["changeover"], "--melt-volume"),
        (vec!["changeover", "--melt-volume", "0"], "above zero"),
        (vec!["changeover", "--melt-volume", "1", "--tanks", "0"], "--tanks"),
        (vec!["changeover", "--melt-volume", "1", "--to", "tpu85a"], "did you mean `tpu-85a`?"),
        (vec!["changeover", "--melt-volume", "1", "--at-layer", "3"], "--file"),
        (tower(&[]), "--at-layer"),
        (tower(&["--at-layer", "0"]), "there is no layer 0: the print has 10"),
        (tower(&["--at-layer", "11"]), "there is no layer 11: the print has 10"),
        (tower(&["--at-layer", "5", "--share", "100"]), "between 0.1 and 99.9"),
        (vec!["feedstock"], "list"),
        (vec!["feedstock", "show", "choclate-dark"], "did you mean `chocolate-dark`?"),
    ];
    for (case, said) in &cases {
        let ran = bench.run(case);
        assert_eq!(ran.code, Some(2), "{case:?}\n{}{}", ran.stdout, ran.stderr);
        // Wide messages are broken somewhere.
        let words: Vec<&str> = ran.stderr.split_whitespace().collect();
        assert!(ran.stdout.is_empty() && words.join(" ").contains(said), "{case:?}: {said}\n{}", ran.stderr);
    }
    assert_eq!(bench.names(), ["tower.gcode"], "nothing was written");
    assert_snapshot!("blend_shares", bench.run(&["blend", "2:tpe-30a", "1:tpe-60a"]).shown());
    assert_snapshot!("blend_unknown_grade", bench.run(&["blend", "100:tpu85"]).shown());
    assert_snapshot!("screw_no_channel", bench.run(&screw(&["--flight-width", "30"])).shown());
}

#[test]
fn files_that_cannot_be_read_exit_1() {
    let bench = Bench::new();
    bench.file("broken.gcode", BROKEN);
    bench.file("empty.gcode", "G28\n");
    bench.file("binary.gcode", b"GCDE\x01\0\0\0");
    for (name, said) in [
        ("broken.gcode", "not a number"),
        ("empty.gcode", "lays no melt"),
        ("binary.gcode", "binary"),
        ("none.gcode", "none.gcode"),
    ] {
        let run = ["changeover", "--melt-volume", "1", "--file", name, "--at-layer", "1"];
        let ran = bench.run(&[&run[..], &MM3].concat()).code(1);
        assert!(ran.stderr.contains(said) && ran.stderr.contains(name), "{name}: {}", ran.stderr);
    }
    let lenient = ["changeover", "--melt-volume", "1", "--file", "broken.gcode", "--at-layer", "1", "--lenient"];
    assert!(bench.run(&[&lenient[..], &MM3].concat()).code(1).stderr.contains("lays no melt"));
}

/// The blocks of README.md, each found by its first line, are what the commands print; lines may be left out.
#[test]
fn the_readme_shows_what_is_printed() {
    let readme = include_str!("../README.md");
    let bench = Bench::new();
    bench.file("pads.gcode", include_str!("../fixtures/demo/casting_pads.gcode"));
    let commands: [(&str, &[&str]); 4] = [
        (
            "Estimated from geometry",
            &["--bore", "8", "--depth", "0.6", "--length", "30", "--compression", "2.5", "--screw-length", "96"],
        ),
        ("The blend", &["70:tpe-30a,output=14.2", "30:tpe-60a,output=16.8", "--part-grams", "215", "--purge", "20"]),
        ("Purge until", &["--melt-volume", "2", "--granules-left", "6", "--file", "pads.gcode", "--at-layer", "40"]),
        ("  grade  ", &["list"]),
    ];
    let names: [&[&str]; 4] = [&["screw", "--feedstock", "tpe-30a"], &["blend"], &["changeover"], &["feedstock"]];
    for ((first, options), name) in commands.iter().zip(names) {
        let printed = bench.run(&[name, options].concat()).code(0).stdout;
        let start = readme.find(&format!("```text\n{first}")).unwrap_or_else(|| panic!("no block {first}"));
        let block = readme[start..].lines().skip(1).take_while(|line| *line != "```");
        let mut shown = 0;
        for line in block {
            assert!(printed.lines().any(|other| other == line), "README shows {line:?}, printed is:\n{printed}");
            shown += 1;
        }
        assert!(shown > 4, "{first}");
        // The command is shown as well.
        let typed = options.iter().filter(|option| !option.contains("pads.gcode"));
        typed.for_each(|option| assert!(readme.contains(option), "{option}"));
    }
}
