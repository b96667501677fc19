//! Every message a user can get for a wrong command line or a file that cannot be used, as it is shown.
//!
//! Faults of profiles are in `profile.rs`, those of sheets in `weigh.rs`, those of lines in `meaning.rs`; that each kind of
//! error has words is held beside them in `src/error.rs`.

mod support;

use support::{BROKEN, Bench, CALM, PADS, names};

/// A folder with one file of each sort.
fn bench() -> Bench {
    let bench = Bench::new();
    for (name, text) in [
        ("pads.gcode", PADS),
        ("calm.gcode", CALM),
        ("broken.gcode", BROKEN),
        ("empty.gcode", ""),
        ("prose.gcode", "once upon a time\n"),
        ("binary.gcode", "GCDE\u{1}\0\0\0"),
        ("packed.gcode", "PK\u{3}\u{4}"),
        ("travels.gcode", "G90\nM83\nG28\nG1 X10 Y10 F6000\n"),
        ("marked.gcode", "; rewritten by meltwright 0.1.0\nG90\nM83\nG1 X10 E1 F600\n"),
        ("shop.toml", "[nozzle]\ndiameter_mm = 1.0\n"),
        ("wrong.toml", "[nozzle]\ndiameter_mm = -1.0\n"),
        ("sheet.csv", "kind,rpm,seconds,mass_g\nrun,60,60,11.5\n"),
    ] {
        bench.file(name, text);
    }
    for folder in ["ready", "nothing", "below", "below/pads.gcode.d"] {
        bench.folder(folder);
    }
    bench.file("below/pads.gcode", PADS);
    bench
}

/// What is typed behind the name of the program, words parted by blanks.
const TYPED: &[&str] = &[
    // The command line itself.
    "",
    "polish pads.gcode",
    "rewrite",
    "rewrite pads.gcode --polish",
    "rewrite pads.gcode -q -v",
    "rewrite pads.gcode --threads 0",
    "rewrite pads.gcode --passes sand",
    "rewrite pads.gcode --passes none,capacity",
    "rewrite pads.gcode -o x --in-place",
    "rewrite pads.gcode --set screw",
    "rewrite pads.gcode --set =4",
    "rewrite pads.gcode --set screw.max_speed_rpm=",
    "rewrite pads.gcode --set screw.max_sped_rpm=4",
    "audit pads.gcode --jsonl a --json b",
    "completions cobol",
    // Files and places.
    "rewrite gone.gcode",
    "rewrite below",
    "rewrite below -o x.gcode",
    "rewrite below -o below",
    "rewrite pads.gcode below -o ready",
    "rewrite below/pads.gcode.d --in-place",
    "replay below",
    "rewrite pads.gcode pads.gcode -o ready",
    "rewrite pads.gcode calm.gcode",
    "rewrite pads.gcode calm.gcode -o -",
    "rewrite pads.gcode below/pads.gcode -o ready",
    "rewrite pads.gcode -o pads.gcode",
    "rewrite pads.gcode -o gone/pads.gcode",
    "rewrite pads.gcode --json -",
    "rewrite pads.gcode -o x.gcode --html -",
    "rewrite pads.gcode calm.gcode -o ready --html one.html",
    "rewrite pads.gcode -o x.gcode --html pads.gcode",
    "rewrite - -o ready",
    "rewrite - --in-place",
    "audit nothing",
    "audit pads.gcode below --html ready",
    "audit pads.gcode --jsonl shop.toml",
    "audit pads.gcode --jsonl gone/results.jsonl",
    "manual pads.gcode",
    // Content of files.
    "audit empty.gcode",
    "audit prose.gcode",
    "audit binary.gcode",
    "audit packed.gcode",
    "audit marked.gcode",
    "audit broken.gcode --set screw.virtual_diameter_mm=1.75",
    "audit calm.gcode",
    // The hook.
    "hook",
    "hook gone",
    "hook below",
    "hook pads.gcode --polish",
    "hook pads.gcode --keep pads.gcode",
    "hook pads.gcode --keep pads.gcode/x",
    "hook pads.gcode --report pads.gcode",
    "hook pads.gcode --report x --report-beside",
    "hook marked.gcode",
    "hook calm.gcode",
    // Profiles.
    "audit pads.gcode --profile gone.toml",
    "audit pads.gcode --profile below",
    "audit pads.gcode --profile wrong.toml",
    "profile new shop.toml",
    "profile check gone.toml",
    "profile check wrong.toml",
    // Replays.
    "replay - --against -",
    "replay pads.gcode --against calm.gcode --set screw.virtual_diameter_mm=1.75",
    // Weighings.
    "weigh plan -o x.csv",
    "weigh plan -o -",
    "weigh plan -o pads.gcode",
    "weigh plan -o new.gcode --speeds 0",
    "weigh plan -o new.gcode --speeds 9000",
    "weigh plan -o new.gcode --speeds 1,2,3,4,5,6,7,8,9,10,11,12,13,14,15,16,17,18,19,20,21",
    "weigh plan -o new.gcode --temperature 300",
    "weigh plan -o new.gcode --repeats 0",
    "weigh plan -o new.gcode --seconds 0",
    "weigh plan -o new.gcode --pause-command m0;x",
    "weigh plan -o new.gcode --set screw.output_e_unit=as-in-file",
    "weigh fit gone.csv",
    "weigh fit sheet.csv",
    "weigh fit sheet.csv -o - --json -",
    "weigh fit sheet.csv -o shop.toml",
    "weigh fit sheet.csv --plot x.png",
    // Findings, records, settings, schemas.
    "why peak-demant",
    "why zzz",
    "record",
    "record gone.gcode",
    "record - --rewritten -",
    "record pads.gcode --rewritten pads.gcode --set screw.virtual_diameter_mm=1.75",
    "record calm.gcode -o pads.gcode",
    "record pads.gcode",
    "audit pads.gcode --set audit.allow=[\"peak-demant\"]",
    "controller --passes polish",
    "controller --profile gone.toml",
    "schema",
    // Screws, blends, change-overs, reconciliation, grades.
    "screw --bore 16",
    "screw --bore -1 --depth 1.6 --length 60",
    "screw --bore 16 --depth 9 --length 60",
    "screw --bore 16 --depth 1.6 --length 60 --point 100:900",
    "screw --bore 16 --depth 1.6 --length 60 --feedstock tpe-30b",
    "screw --bore 16 --depth 1.6 --length 60 --nozzle-bore 0",
    "blend",
    "blend 70:tpe-30a 20:tpe-60a",
    "blend 70:tpe-30a 30:tpe-30a",
    "blend tpe-30a",
    "blend x:tpe-30a",
    "blend 100:tpe-30b",
    "blend 50:tpe-30a 50:chocolate-milk",
    "blend 50:tpe-30a 50:pvc",
    "blend 50:tpe-30a 50:own,name=pom,density=1.4",
    "blend 100:tpe-30a,densty=1",
    "changeover --melt-volume 0",
    "changeover --melt-volume 2 --granules-left -1",
    "changeover --melt-volume 2 --file pads.gcode",
    "changeover --melt-volume 2 --file pads.gcode --at-layer 9 --set screw.virtual_diameter_mm=1.75",
    "changeover --melt-volume 2 --file travels.gcode --at-layer 1 --set screw.virtual_diameter_mm=1.75",
    "reconcile",
    "reconcile pads.gcode --weighed 0",
    "feedstock show tpe-30b",
];

#[test]
fn every_message_says_what_is_wrong_and_what_to_do() {
    let (mut shown, mut faults) = (String::new(), Vec::new());
    for typed in TYPED {
        let bench = bench();
        let before = names(&bench.path(""));
        let ran = bench.run(&typed.split_whitespace().collect::<Vec<_>>());
        let text = &ran.stderr;
        let mut must = |holds: bool, what: &str| {
            if !holds {
                faults.push(format!("$ {typed}: {what}\n{}{text}", ran.stdout));
            }
        };
        must(matches!(ran.code, Some(1 | 2)), &format!("it ends with {:?}", ran.code));
        must(ran.stdout.is_empty(), "something stands on standard output");
        must(!["panicked", "Err(", "Some("].iter().any(|sign| text.contains(sign)), "it shows its inside");
        let advice = ["help: ", "--help", "tip: ", "Usage: ", "[possible values: ", "nothing was done"];
        // The first line of a hook says what to do behind what is wrong.
        let first_advises = typed.starts_with("hook") && text.lines().next().is_some_and(|line| line.contains("; "));
        must(first_advises || advice.iter().any(|sign| text.contains(sign)), "nothing tells what to do");
        // The first line of a hook goes into a dialog.
        let mut lines = text.lines().skip(usize::from(typed.starts_with("hook")));
        must(lines.all(|line| line.chars().count() <= 100), "a line is too wide");
        must(names(&bench.path("")) == before, "something was left");
        let text = text.replace("[folder]/", "").replace("meltwright.exe", "meltwright");
        shown.push_str(&format!("$ meltwright {typed}\n{text}exit {}\n\n", ran.code.unwrap_or(-1)));
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
    insta::assert_snapshot!(shown);
}
