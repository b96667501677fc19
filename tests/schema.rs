//! What is written as JSON has the shape that `meltwright schema` publishes, judged by a validator of JSON Schema.

#[path = "support/corpus.rs"]
mod corpus;
mod support;

use serde_json::Value;
use support::{BROKEN, Bench, PADS};

const E: &[&str] = &["--set", "screw.virtual_diameter_mm=1.75"];
const SHEET: &str = include_str!("../fixtures/weigh/pads.csv");
const DEMO: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/fixtures/demo/casting_pads.gcode");

/// The published schema of one kind.
fn published(bench: &Bench, kind: &str) -> Value {
    serde_json::from_str(&bench.run(&["schema", kind]).code(0).stdout).expect("JSON")
}

/// The same, and no key that it does not name.
fn strict(mut schema: Value) -> Value {
    /// `whole`: it says all of an object, rather than a part of it.
    fn close(value: &mut Value, whole: bool) {
        match value {
            Value::Object(members) => {
                for (key, member) in members.iter_mut() {
                    close(member, !matches!(key.as_str(), "oneOf" | "allOf" | "anyOf"));
                }
                if whole && members.contains_key("properties") && members.get("type") == Some(&"object".into()) {
                    members.insert("unevaluatedProperties".to_owned(), false.into());
                }
            }
            Value::Array(items) => items.iter_mut().for_each(|item| close(item, whole)),
            _ => {}
        }
    }
    close(&mut schema, true);
    schema
}

/// All that is wrong with a document, each with its place.
fn faults(schema: &Value, document: &Value) -> Vec<String> {
    let validator = jsonschema::draft202012::new(schema).expect("a sound schema");
    validator.iter_errors(document).map(|error| format!("{}: {error}", error.instance_path())).collect()
}

fn check(bench: &Bench, kind: &str, text: &str) {
    let schema = published(bench, kind);
    assert!(jsonschema::draft202012::meta::is_valid(&schema), "{kind}: no schema");
    let document: Value = serde_json::from_str(text).unwrap_or_else(|error| panic!("{kind}: {error}\n{text}"));
    assert_eq!(faults(&schema, &document), Vec::<String>::new(), "{kind}");
    assert_eq!(faults(&strict(schema), &document), Vec::<String>::new(), "{kind}, strictly");
}

/// Audits and rewrites of real files, whatever they hold; those that are refused say so in the same form.
#[test]
fn real_files() {
    let bench = Bench::new();
    let schemas = ["audit", "rewrite"].map(|kind| {
        let schema = published(&bench, kind);
        [schema.clone(), strict(schema)].map(|schema| jsonschema::draft202012::new(&schema).expect("a sound schema"))
    });
    for path in corpus::files().into_iter().flatten() {
        bench.file("real.gcode", std::fs::read(&path).expect("a readable file"));
        let commands = [
            &["audit", "real.gcode", "--lenient", "--json", "-"][..],
            &["rewrite", "real.gcode", "--dry-run", "--json", "-"],
        ];
        for (command, validators) in commands.into_iter().zip(&schemas) {
            let text = bench.run(&[command, E].concat()).stdout;
            // A single file that is refused has no account.
            if text.is_empty() {
                continue;
            }
            let document: Value = serde_json::from_str(&text).expect("JSON");
            for validator in validators {
                let faults: Vec<String> = validator
                    .iter_errors(&document)
                    .map(|error| format!("{}: {error}", error.instance_path()))
                    .collect();
                assert_eq!(faults, Vec::<String>::new(), "{} of {}", command[0], path.display());
            }
        }
    }
}

#[test]
fn audits_rewrites_replays_and_records() {
    let bench = Bench::new();
    bench.file("pads.gcode", PADS);
    bench.file("broken.gcode", BROKEN);
    let run = |arguments: &[&str]| bench.run(&[arguments, E].concat());
    let allow = ["--set", r#"audit.allow=["peak-demand", "command-optional"]"#];
    check(&bench, "audit", &run(&["audit", "pads.gcode", "--json", "-"]).stdout);
    check(&bench, "audit", &run(&[&["audit", "pads.gcode", "--json", "-"], &allow[..]].concat()).stdout);
    let hopper = ["--set", "hopper.usable_g=80", "--set", "hopper.margin_g=10", "--set", "hopper.cost_per_kg=12"];
    check(&bench, "audit", &run(&[&["audit", DEMO, "--json", "-"], &hopper[..]].concat()).stdout);
    let lines = run(&["audit", "pads.gcode", "broken.gcode", "--json", "-"]).stdout;
    assert_eq!(lines.lines().count(), 2);
    lines.lines().for_each(|line| check(&bench, "audit", line));
    let lines = run(&["audit", "pads.gcode", "broken.gcode", "--jsonl", "-"]).stdout;
    assert_eq!(lines.lines().count(), 2);
    lines.lines().for_each(|line| check(&bench, "results", line));
    let rewrite = ["rewrite", DEMO, "-o", "out.gcode", "--replay", "--json", "-"];
    check(&bench, "rewrite", &run(&[&rewrite[..], &hopper[..]].concat()).code(0).stdout);
    check(&bench, "rewrite", &run(&["rewrite", "pads.gcode", "--dry-run", "--passes", "none", "--json", "-"]).stdout);
    check(&bench, "replay", &run(&["replay", "out.gcode", "--against", DEMO, "--json", "-"]).code(0).stdout);
    check(&bench, "replay", &run(&["replay", "pads.gcode", "--json", "-"]).code(0).stdout);
    check(&bench, "record", &run(&["record", DEMO, "--rewritten", "out.gcode", "--json", "-"]).code(0).stdout);
    check(&bench, "reconcile", &run(&["reconcile", DEMO, "--weighed", "200", "--json", "-"]).code(0).stdout);
    for preset in ["host", "board", "network", "custom"] {
        let preset = format!("controller.preset={preset}");
        check(&bench, "controller", &run(&["controller", "--set", &preset, "--json", "-"]).code(0).stdout);
    }
}

#[test]
fn weighings_screws_and_feedstock() {
    let bench = Bench::new();
    bench.file("pads.csv", SHEET);
    let run = |arguments: &[&str]| bench.run(arguments).code(0).stdout;
    check(&bench, "weigh-plan", &run(&["weigh", "plan", "-o", "t.gcode", "--json", "-"]));
    check(&bench, "weigh-fit", &run(&["weigh", "fit", "pads.csv", "--json", "-"]));
    let screw = ["screw", "--bore", "16", "--depth", "1.6", "--length", "60", "--feedstock", "tpe-30a", "--json", "-"];
    check(&bench, "screw", &run(&screw));
    check(&bench, "screw", &run(&[&screw[..], &["--max-pressure", "10"]].concat()));
    check(&bench, "blend", &run(&["blend", "70:tpe-30a", "30:tpe-60a", "--part-grams", "240", "--json", "-"]));
    check(&bench, "changeover", &run(&["changeover", "--melt-volume", "9", "--json", "-"]));
    let file = ["changeover", "--melt-volume", "9", "--file", DEMO, "--at-layer", "40", "--json", "-"];
    check(&bench, "changeover", &run(&file));
    check(&bench, "feedstock", &run(&["feedstock", "list", "--json", "-"]));
    check(&bench, "feedstock", &run(&["feedstock", "show", "tpu-95a", "--json", "-"]));
}

/// The checks above can fail.
#[test]
fn what_does_not_fit_is_seen() {
    let bench = Bench::new();
    bench.file("pads.gcode", PADS);
    let text = bench.run(&[&["audit", "pads.gcode", "--json", "-"], E].concat()).stdout;
    let schema = published(&bench, "audit");
    let mut document: Value = serde_json::from_str(&text).expect("JSON");
    document["before"]["time_s"] = "long".into();
    assert!(!faults(&schema, &document).is_empty());
    let mut document: Value = serde_json::from_str(&text).expect("JSON");
    document.as_object_mut().expect("an object").remove("findings");
    assert!(!faults(&schema, &document).is_empty());
    let mut document: Value = serde_json::from_str(&text).expect("JSON");
    document["before"]["colour"] = "red".into();
    assert!(faults(&schema, &document).is_empty(), "keys may be added");
    assert!(!faults(&strict(schema), &document).is_empty());
}

/// Each key is told of, so that the schema can be read as the documentation it is.
#[test]
fn keys_are_described() {
    let bench = Bench::new();
    for kind in ["audit", "results", "rewrite", "replay"] {
        let schema = published(&bench, kind);
        let told = |value: &Value| value.get("description").is_some() || value.get("$ref").is_some();
        for (name, shape) in schema["$defs"].as_object().into_iter().flatten() {
            for (key, value) in shape["properties"].as_object().into_iter().flatten() {
                assert!(told(value), "{kind}: {name}.{key}");
            }
        }
    }
}
