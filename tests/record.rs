//! The record of a print, and what the controller has to be set to.

mod support;

use support::{Bench, PADS, read};

const E: [&str; 2] = ["--set", "screw.virtual_diameter_mm=1.75"];

const PROFILE: &str = "\
[screw]
max_speed_rpm = { value = 90.0, provenance = \"measured\", note = \"stalls at \\\"95\\\"\" }

[audit]
allow = [\"command-optional\"]
";

fn with_e<'a>(arguments: &[&'a str]) -> Vec<&'a str> {
    [arguments, &E].concat()
}

#[test]
fn a_record_reads_back() {
    let bench = Bench::new();
    bench.file("pads.gcode", PADS);
    bench.file("shop.toml", PROFILE);
    let profile = ["--profile", "shop.toml"];
    bench.run(&with_e(&[&["rewrite", "pads.gcode", "-o", "out.gcode"], &profile[..]].concat())).code(0);
    let run = with_e(&[&["record", "pads.gcode", "--rewritten", "out.gcode"], &profile[..]].concat());
    let text = bench.run(&run).code(0).stdout;
    assert_eq!(text, bench.run(&run).code(0).stdout, "the same print gives the same record");
    let record: toml::Table = text.parse().expect("TOML");
    // As `sha256sum` prints it for the same bytes.
    let sha256 = record["sliced"]["sha256"].as_str().expect("a hash");
    assert_eq!(sha256, meltwright::pipeline::digest(&mut PADS.as_bytes()).expect("a hash"));
    let written = std::fs::read(bench.path("out.gcode")).expect("the output");
    assert_eq!(
        record["rewritten"]["sha256"].as_str(),
        Some(&*meltwright::pipeline::digest(&mut &written[..]).expect("a hash"))
    );
    let screw = &record["profile"]["values"]["screw"]["max_speed_rpm"];
    assert_eq!(screw["value"].as_float(), Some(90.0));
    assert_eq!(screw["provenance"].as_str(), Some("measured"));
    assert_eq!((screw["origin"].as_str(), screw["note"].as_str()), (Some("profile"), Some("stalls at \"95\"")));
    let diameter = &record["profile"]["values"]["screw"]["virtual_diameter_mm"];
    assert_eq!(diameter["origin"].as_str(), Some("command line"));
    let assumed = record["profile"]["assumed"].as_array().expect("a list");
    assert!(!assumed.iter().any(|key| key.as_str() == Some("screw.max_speed_rpm")));
    assert!(assumed.iter().any(|key| key.as_str() == Some("feedstock.density_g_cm3")));
    // What a rewrite rests on as well, and the highest flow of the screw by which its output is judged: 15 mm³ with each of
    // 90 turns a minute.
    for key in ["screw.melt_lag_s", "screw.output_e_unit", "screw.output_diameter_mm"] {
        assert_eq!(assumed.iter().filter(|assumed| assumed.as_str() == Some(key)).count(), 1, "{key}");
    }
    assert_eq!(record["rewritten"]["peak_capacity_mm3_s"].as_float(), Some(22.5));
    assert!(record["sliced"]["peak_capacity_mm3_s"].as_float() < Some(22.5));
    assert_eq!(record["sliced"]["findings"]["peak-demand"].as_integer(), Some(1));
    assert_eq!(record["sliced"]["errors"].as_integer().map(|errors| errors > 0), Some(true));
    // Its E leads the flow, and asks what the melt needs, not what beads take.
    let found = record["rewritten"]["findings"].as_table().expect("findings");
    assert!(found.contains_key("rewritten") && !found.contains_key("peak-demand"), "{found:?}");
    assert_eq!(record["rewritten"]["written_with"], record["profile"]["fingerprint"]);
    assert!(record["sliced"].get("written_with").is_none());
    // The same as JSON.
    let json = bench.run(&[&run[..], &["--json", "-"]].concat()).code(0).stdout;
    let json: serde_json::Value = serde_json::from_str(&json).expect("JSON");
    assert_eq!(json["sliced"]["sha256"].as_str(), Some(sha256));
    assert_eq!(json["sliced"]["time_s"].as_f64(), record["sliced"]["time_s"].as_float());
    let values = json["profile"]["values"].as_array().expect("a list");
    let sections = record["profile"]["values"].as_table().expect("sections");
    let count: usize = sections.values().map(|section| section.as_table().map_or(0, |keys| keys.len())).sum();
    assert_eq!(values.len(), count);
}

/// What a file was made with is its own: another profile than the one of the record is told wherever figures hang on it.
#[test]
fn another_profile_than_that_of_the_file_is_told() {
    let bench = Bench::new();
    bench.file("pads.gcode", PADS);
    let set = ["--set", "screw.melt_lag_s=0.8"];
    bench.run(&with_e(&[&["rewrite", "pads.gcode", "-o", "out.gcode"], &set[..]].concat())).code(0);
    for (set, is_told) in [(&set[..], false), (&[], true)] {
        let run = |arguments: &[&str]| bench.run(&with_e(&[arguments, set].concat())).code(0);
        let record = run(&["record", "pads.gcode", "--rewritten", "out.gcode"]);
        assert_eq!(record.stderr.contains("another profile than this record"), is_told, "{}", record.stderr);
        let record: toml::Table = record.stdout.parse().expect("TOML");
        let is_same = record["rewritten"]["written_with"] == record["profile"]["fingerprint"];
        assert_eq!(is_same, !is_told);
        let audit = run(&["audit", "--again", "out.gcode"]).stdout;
        assert_eq!(audit.contains("[other-profile]"), is_told, "{audit}");
        let replay = run(&["replay", "out.gcode", "--against", "pads.gcode"]).stdout;
        assert_eq!(replay.contains("was rewritten with profile"), is_told, "{replay}");
        assert!(!replay.contains("E of this file leads"), "{replay}");
        assert!(run(&["replay", "out.gcode"]).stdout.contains("E of this file leads the flow"));
    }
}

#[test]
fn records_do_not_run_over_anything() {
    let bench = Bench::new();
    bench.file("pads.gcode", PADS);
    bench.file("old.toml", "kept");
    bench.run(&with_e(&["record", "pads.gcode", "-o", "old.toml"])).code(2);
    assert_eq!(read(&bench.path("old.toml")), "kept");
    // A file that was sliced, and one that was made from another.
    bench.file("other.gcode", PADS.replacen("X", "X1", 1));
    let unmarked = bench.run(&with_e(&["record", "pads.gcode", "--rewritten", "other.gcode"])).code(2);
    assert!(unmarked.stderr.contains("does not bear the mark"), "{}", unmarked.stderr);
    bench.run(&with_e(&["rewrite", "other.gcode", "-o", "of-other.gcode"])).code(0);
    let of_other = bench.run(&with_e(&["record", "pads.gcode", "--rewritten", "of-other.gcode"])).code(1);
    assert!(of_other.stdout.is_empty() && of_other.stderr.contains("of-other.gcode"), "{}", of_other.stderr);
    let same = bench.run(&with_e(&["record", "pads.gcode", "--rewritten", "pads.gcode"])).code(2);
    assert!(same.stderr.contains("is the same as"), "{}", same.stderr);
    bench.run(&with_e(&["record", "pads.gcode", "--rewritten", "-"])).code(2);
    let ran = bench.run(&with_e(&["record", "pads.gcode", "-o", "new.toml"])).code(0);
    assert_eq!((ran.stdout.as_str(), ran.stderr.as_str()), ("", "Wrote new.toml\n"));
    assert!(read(&bench.path("new.toml")).starts_with("[tool]\n"));
}

#[test]
fn settings_of_the_controller() {
    let bench = Bench::new();
    for preset in ["host", "board", "network", "custom"] {
        let preset = format!("controller.preset={preset}");
        for passes in ["all", "none"] {
            let ran = bench.run(&with_e(&["controller", "--passes", passes, "--set", &preset])).code(0);
            assert!(ran.stdout.lines().all(|line| line.chars().count() <= 100), "{}", ran.stdout);
            assert!(ran.stdout.contains("one unit of E  "), "{}", ran.stdout);
        }
    }
    // A rewrite counts E on a strand of 10 mm, 32.65 times as thick as one of 1.75 mm.
    let all = bench.run(&with_e(&["controller"])).code(0).stdout;
    assert!(all.contains("32.6531 times") && all.contains("off: the file does it"), "{all}");
    let none = bench.run(&with_e(&["controller", "--passes", "none"])).code(0).stdout;
    assert!(!none.contains("32.6531 times"), "{none}");
}
