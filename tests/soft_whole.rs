//! Whole prints through the built program: a part on a raft with a support of other layer heights beside it, and a plate
//! that is laid object after object. Islands, limits and times of layers against figures by hand and a second reader.

#[path = "support/planned.rs"]
mod planned;
#[path = "support/reader.rs"]
mod reader;
#[path = "support/runs.rs"]
mod runs;
#[path = "support/stack.rs"]
mod stack;
#[path = "support/mod.rs"]
mod support;

use std::fs::read_to_string as read;

use meltwright::profile::Profile;
use serde_json::Value;
use stack::{Stack, prism};
use support::Bench;

/// Width of a bead, mm, and the stuff, MPa.
const BEAD: f64 = 4.0;
const MODULUS: f64 = 0.5;
const PROFILE: &str = r#"
[machine]
part_moves = "y"
park_x_mm = 0.0
park_y_mm = 0.0
[nozzle]
diameter_mm = 4.0
[screw]
e_unit = "mm3"
peak_flow_mm3_s = 10000.0
sustained_flow_mm3_s = 10000.0
max_speed_rpm = 10000.0
[feedstock]
modulus_mpa = 0.5
density_g_cm3 = 1.12
[part]
solid_temperature_c = 110.0
least_accel_mm_s2 = 1.0
"#;

/// Acceleration that a prism bears, mm/s²: a fifth of a bead, half of it since it swings over.
fn bears(height: f64, [wide, deep]: [f64; 2]) -> f64 {
    let second = wide * deep.powi(3) / 12.0;
    0.2 * BEAD / (2.0 * prism(height, wide * deep, second, MODULUS, 1.12))
}

/// A plate of 48 x 32 mm, 4 mm high, that columns stand on, each with its height and its size.
const RAFT: [f64; 2] = [48.0, 32.0];
const RAFT_MM: f64 = 4.0;

/// The same of a prism on the plate, which also gives way under all that stands on it: as a cantilever of its own height
/// with a force and a moment at its upper face, whose turn goes up to the tip.
fn bears_on_raft(height: f64, size: [f64; 2], columns: &[(f64, [f64; 2])]) -> f64 {
    let prism_of =
        |height: f64, [wide, deep]: [f64; 2]| prism(height, wide * deep, wide * deep.powi(3) / 12.0, MODULUS, 1.12);
    let mass = |(height, [wide, deep]): &(f64, [f64; 2])| 1.12e-9 * wide * deep * height;
    let force: f64 = columns.iter().map(mass).sum();
    let moment: f64 = columns.iter().map(|column| mass(column) * column.0 / 2.0).sum();
    let ([wide, deep], h) = (RAFT, RAFT_MM);
    let bending = MODULUS * wide * deep.powi(3) / 12.0;
    let shear = 15.0 / 17.5 * MODULUS / 3.0 * wide * deep;
    let own = mass(&(h, RAFT));
    let moved = force * h.powi(3) / (3.0 * bending) + force * h / shear + moment * h.powi(2) / (2.0 * bending);
    let turned = (own * h.powi(2) / 6.0 + force * h.powi(2) / 2.0 + moment * h) / bending;
    0.2 * BEAD / (2.0 * (prism_of(h, RAFT) + moved + turned * height + prism_of(height, size)))
}

/// Time until a layer that was laid at 210 °C is at 110 °C in the mean, s: nothing passes its lower face, air of 25 °C
/// takes 60 W/m²K from the upper one. Small steps in time over 50 slices.
fn cooled_s(height_mm: f64) -> f64 {
    let (conductivity, film, capacity) = (0.2, 60.0, 1120.0 * 1700.0);
    let slice = 1e-3 * height_mm / 50.0;
    let step = 0.2 * slice * slice * capacity / conductivity;
    let mut heat = [210.0_f64; 50];
    let mut time = 0.0;
    while heat.iter().sum::<f64>() > 50.0 * 110.0 {
        let before = heat;
        for (index, heat) in heat.iter_mut().enumerate() {
            let below = if index > 0 { conductivity / slice * (before[index - 1] - before[index]) } else { 0.0 };
            // Half a slice and the film, one behind the other.
            let above = match before.get(index + 1) {
                Some(next) => conductivity / slice * (next - before[index]),
                None => (25.0 - before[index]) / (0.5 * slice / conductivity + 1.0 / film),
            };
            *heat += step * (below + above) / (capacity * slice);
        }
        time += step;
    }
    time
}

/// A layer as it was made: its height above the bed and its own, mm; islands; what it bears, mm/s², infinite for what
/// lies flat on the bed.
#[derive(Clone, Copy, Debug)]
struct Known {
    z: f64,
    height: f64,
    islands: u64,
    bears: f64,
    /// The next object begins behind it.
    is_last: bool,
}

/// What the program says of a file, and what it makes of it.
struct Ran {
    output: String,
    bands: Vec<Value>,
    codes: Vec<String>,
    profile: Profile,
}

fn run(text: &str, preset: &str) -> Ran {
    let bench = Bench::new();
    let profile = format!("[controller]\npreset = \"{preset}\"\n{PROFILE}");
    bench.file("shop.toml", &profile);
    bench.file("print.gcode", text);
    let passes = ["--passes", "softness,layer-time"];
    let rest = ["print.gcode", "-o", "out.gcode", "--profile", "shop.toml", "--json", "out.json"];
    bench.run(&[&["rewrite"], &rest[..], &passes[..]].concat()).code(0);
    let account: Value = serde_json::from_str(&read(bench.path("out.json")).expect("an account")).expect("JSON");
    let codes = account["findings"].as_array().expect("findings").iter();
    Ran {
        output: read(bench.path("out.gcode")).expect("an output"),
        bands: account["part"]["bands"].as_array().expect("bands").clone(),
        codes: codes.map(|finding| finding["code"].as_str().expect("a code").to_owned()).collect(),
        profile: Profile::load(&profile, "shop.toml").expect("a sound profile"),
    }
}

/// Time from the first bead at each height to the first at another, s, and the largest change of speed along Y that the
/// words in force let a move make in it, mm/s²: M204 S, P and T, M201 Y.
fn layers_of(text: &str, profile: &Profile) -> Vec<(f64, f64)> {
    let read = reader::read(text.as_bytes(), &runs::rules(profile));
    let plan = planned::plan(text.as_bytes(), profile);
    let mut waits = plan.waits(&read).into_iter().peekable();
    let lines: Vec<&str> = text.lines().collect();
    let (mut print, mut travel) = (profile.machine.max_accel_mm_s2.value, profile.machine.max_accel_mm_s2.value);
    let mut along_y = profile.machine.axis_accel_mm_s2.value.map_or(f64::INFINITY, |axes| axes[1]);
    let (mut layers, mut z, mut line): (Vec<(f64, f64)>, f64, usize) = (Vec::new(), 0.0, 0);
    for (index, m) in read.moves.iter().enumerate() {
        while let Some((_, wait)) = waits.next_if(|(at, _)| *at <= index) {
            layers.last_mut().into_iter().for_each(|layer| layer.0 += wait);
        }
        for text in &lines[line..m.line] {
            let value = |letter: char| -> Option<f64> {
                let word = text.split_whitespace().find_map(|word| word.strip_prefix(letter));
                word.map(|digits| digits.parse().expect("a number"))
            };
            if text.starts_with("M204") {
                print = value('S').or(value('P')).unwrap_or(print);
                travel = value('S').or(value('T')).unwrap_or(travel);
            } else if text.starts_with("M201") {
                along_y = value('Y').unwrap_or(along_y);
            }
        }
        line = m.line;
        if m.is_bead() && m.to[2] != z {
            z = m.to[2];
            layers.push((0.0, 0.0));
        }
        let share = if m.length > 0.0 { (m.to[1] - m.from[1]).abs() / m.length } else { 0.0 };
        if let Some((time, most)) = layers.last_mut() {
            *time += plan.of(m).time;
            if share > 0.0 {
                *most = most.max((share * if m.is_bead() { print } else { travel }).min(along_y));
            }
        }
    }
    layers
}

#[track_caller]
fn near(what: &str, got: f64, want: f64, share: f64) {
    assert!((got / want - 1.0).abs() <= share, "{what}: {got}, expected {want} within {} %", 100.0 * share);
}

/// All that is known of a print, beside what the program says of it and does to it.
fn holds(text: &str, known: &[Known]) {
    for preset in ["host", "board", "network"] {
        let Ran { output, bands, codes, profile } = run(text, preset);
        assert_eq!(bands.len(), known.len(), "one band for each layer: {bands:?}");
        let (before, after) = (layers_of(text, &profile), layers_of(&output, &profile));
        assert_eq!((before.len(), after.len()), (known.len(), known.len()));
        let mut waits = 0;
        for (index, (known, band)) in known.iter().zip(&bands).enumerate() {
            let what = |name: &str| format!("{preset}, layer {}, {name}: {known:?} {band}", index + 1);
            let figure = |name: &str| band[name].as_f64().unwrap_or_else(|| panic!("{}", what(name)));
            near(&what("z"), figure("z_mm"), known.z, 1e-9);
            assert_eq!(band["islands"].as_u64(), Some(known.islands), "{}", what("islands"));
            match known.bears {
                bears if bears.is_finite() => near(&what("bears"), figure("accel_y_mm_s2"), bears, 0.02),
                _ => assert!(band.get("accel_y_mm_s2").is_none(), "{}", what("bears")),
            }
            // What is laid last has all the time there is.
            let least = if known.is_last { 0.0 } else { cooled_s(known.height) };
            assert!((figure("least_time_s") - least).abs() <= 0.01 * least, "{} by steps {least}", what("needs"));
            near(&what("before"), figure("time_before_s"), before[index].0, 1e-3);
            let (time, accel) = after[index];
            assert!(time > 0.96 * least && time >= 0.999 * before[index].0, "{}: {time}", what("takes"));
            assert!(time < f64::max(1.05 * least, 4.0 * before[index].0), "{}: {time} too long", what("takes"));
            near(&what("time in the account"), figure("time_after_s"), time, 0.01);
            let own = profile.machine.max_accel_mm_s2.value;
            assert!(accel <= 1.02 * known.bears.min(own), "{}: {accel} is allowed", what("sways"));
            waits += u64::from(band["waits_s"].as_f64().expect("waits") > 0.0);
        }
        assert!(waits as usize >= known.iter().filter(|known| !known.is_last).count() - 2, "{waits} layers wait");
        for code in ["layer-hurried", "part-numbered", "part-sags", "part-sways"] {
            assert!(!codes.iter().any(|found| found == code), "{preset}: {codes:?}");
        }
    }
}

#[test]
fn a_part_on_a_raft_beside_a_support_of_other_heights() {
    // At heights that both have, one of them tells the height of the layer.
    for is_part_first in [true, false] {
        let (text, known) = on_a_raft(is_part_first);
        assert_eq!(known.len(), 18);
        holds(&text, &known);
    }
}

fn on_a_raft(is_part_first: bool) -> (String, Vec<Known>) {
    let mut stack = Stack::new(2.0, BEAD);
    for z in [2.0, 4.0] {
        stack.line(&format!("G1 Z{}\nG1 Z{z}", z + 2.0)).line("; raft").block([30.0, 34.0], RAFT);
    }
    // Loops and plates around and below a part are not judged.
    let raft = |z: f64| Known { z, height: 2.0, islands: 1, bears: f64::INFINITY, is_last: false };
    let mut known = vec![raft(2.0), raft(4.0)];
    // Nine layers of 4 mm of a part 8 mm deep, and nine of 3 mm of a support 12 mm deep; on the raft both.
    let (part, props) = ([8.0, 8.0], [8.0, 12.0]);
    let levels = |height: f64| (1..=9).map(move |layer| 4.0 + height * f64::from(layer));
    let mut all: Vec<f64> = levels(4.0).chain(levels(3.0)).collect();
    all.sort_by(f64::total_cmp);
    all.dedup();
    for z in all {
        let has = |height: f64| levels(height).any(|level| level == z).then_some(height);
        let (laid, propped) = (has(4.0), has(3.0));
        stack.line(&format!("G1 Z{}\nG1 Z{z}", z + 2.0));
        let mut lay = |height: Option<f64>, note: &str, at: [f64; 2], size| {
            if let Some(height) = height {
                stack.height = height;
                stack.line(note).block(at, size);
            }
        };
        if is_part_first {
            lay(laid, "; perimeter", [50.0, 46.0], part);
        }
        lay(propped, "; support", [66.0, 44.0], props);
        if !is_part_first {
            lay(laid, "; perimeter", [50.0, 46.0], part);
        }
        let reached = |height: f64| levels(height).filter(|level| *level <= z).count() as f64 * height;
        let columns = [(reached(4.0), part), (reached(3.0), props)];
        let of = |column: usize| bears_on_raft(columns[column].0, columns[column].1, &columns);
        let bears = match (laid, propped) {
            (Some(_), None) => of(0),
            (None, _) => of(1),
            (Some(_), Some(_)) => of(0).min(of(1)),
        };
        known.push(Known {
            z,
            height: laid.or(propped).expect("one of them"),
            islands: u64::from(laid.is_some()) + u64::from(propped.is_some()),
            bears,
            is_last: z == 40.0,
        });
    }
    (stack.text, known)
}

#[test]
fn objects_one_after_the_other() {
    let mut stack = Stack::new(4.0, BEAD);
    let mut known = Vec::new();
    let objects =
        [(10_u32, [30.0, 50.0], [8.0, 8.0]), (6, [70.0, 50.0], [12.0, 12.0]), (4, [110.0, 50.0], [16.0, 8.0])];
    for (layers, at, size) in objects {
        for layer in 1..=layers {
            stack.up().block(at, size);
            let z = 4.0 * f64::from(layer);
            known.push(Known { z, height: 4.0, islands: 1, bears: bears(z, size), is_last: layer == layers });
        }
        stack.down_to_bed();
    }
    assert_eq!(known.len(), 20);
    holds(&stack.text, &known);
}
