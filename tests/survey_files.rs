//! The survey: what holds for every file, however it is read.

#[path = "support/corpus.rs"]
mod corpus;
#[path = "support/plate.rs"]
mod plate;
#[path = "support/reader.rs"]
mod reader;
#[path = "support/runs.rs"]
mod runs;

use std::fmt::Write as _;
use std::io::Cursor;
use std::time::{Duration, Instant};

use meltwright::pipeline::{Options, audit};
use meltwright::profile::Profile;
use plate::{Plate, close, profile, run, spiral};

/// A plate that has everything: islands, objects, arcs, a spiral, comments.
fn medley() -> String {
    let mut plate = Plate::new();
    for layer in 1..=6 {
        plate.layer(layer).line("; support").square(60.0, 3.0, 7.0).line("; outer perimeter");
        plate.solid(f64::from(layer) * 0.3, 0.0, 9).square(30.0, 0.0, 12.0);
        plate.travel(50.0, 40.0).line("G3 X40 Y50 I-10 J0 E7");
    }
    plate.layer(1).travel(0.0, 10.0).bead(20.0, 10.0);
    spiral(&mut plate, 6);
    plate.text
}

/// Short beads along a curve that hardly bends, among them one so long that cells get coarser.
fn far_apart() -> String {
    let mut plate = Plate::new();
    plate.layer(1).travel(140.0, 98.0);
    let places: [[f64; 2]; 21] = [
        [138.239, 100.868],
        [140.220, 98.098],
        [142.360, 94.756],
        [142.924, 94.260],
        [145.174, 92.191],
        [146.704, 90.305],
        [147.377, 89.599],
        [148.472, 88.613],
        [148.973, 88.086],
        [150.308, 87.369],
        [151.637, 87.146],
        [153.763, 85.810],
        [154.435, 85.457],
        [157.463, 84.112],
        [157.898, 83.800],
        [160.940, 81.717],
        [161.764, 81.323],
        [163.123, 80.576],
        [165.883, 79.194],
        [167.378, 78.869],
        [167.687, 78.710],
    ];
    for (k, [x, y]) in places.into_iter().enumerate() {
        plate.bead(if k == 6 { 4913.0 } else { x }, y);
    }
    plate.text
}

#[test]
fn records_depend_on_neither_blocks_nor_threads() {
    let demo = runs::fixture("demo/casting_pads.gcode");
    for (input, profile) in
        [(medley().into_bytes(), profile()), (far_apart().into_bytes(), profile()), (demo, runs::profile())]
    {
        let expected = run(&input, &profile, &Options::default()).expect("sound input");
        for block_size in [1, 64, 4096, 1 << 20] {
            for threads in [1, 2] {
                let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("threads start");
                let options = Options { block_size, ..Options::default() };
                let found = pool.install(|| run(&input, &profile, &options)).expect("sound input");
                assert!(found == expected, "blocks of {block_size}, {threads} threads");
            }
        }
    }
}

/// What holds for every file: sums are those of the audit, figures are numbers, things stand on things.
fn assert_sane(name: &str, input: &[u8], profile: &Profile, most_in_air: f64) {
    let (layers, account) = run(input, profile, &Options::default()).unwrap_or_else(|e| panic!("{name}: {e}"));
    let summary = audit(&mut Cursor::new(input), profile, &Options::default(), &mut |_| {}).expect("the same file");
    let within = |what: &str, value: f64, expected: f64| {
        let scale = expected.abs().max(1e-6);
        assert!((value - expected).abs() <= 1e-6 * scale, "{name}: {what} {value}, expected {expected}");
    };
    assert_eq!(u64::from(account.layers), summary.before.layers, "{name}");
    assert_eq!(account.records as usize, layers.len());
    within("volume", account.bead_volume_mm3 + account.loose_volume_mm3, summary.before.volume_mm3);
    within("time", account.time_s, summary.before.time_s);
    let (mut in_air, mut above) = (0.0, 0.0);
    for (index, layer) in layers.iter().enumerate() {
        assert_eq!(layer.index as usize, index);
        let islands: f64 = layer.islands.iter().map(|island| island.volume_mm3).sum();
        within("volume of a layer", islands + layer.outside_mm3 + layer.scattered_mm3, layer.volume_mm3);
        assert!(layer.height_mm > 0.0 && layer.slowest_mm_s <= layer.fastest_mm_s, "{name}: {layer:?}");
        for island in &layer.islands {
            assert!(island.area_mm2 > 0.0 && island.ixx_mm4 > 0.0 && island.iyy_mm4 > 0.0, "{name}: {island:?}");
            let inside = |axis: usize| {
                let range = island.low_mm[axis]..=island.high_mm[axis];
                range.contains(&island.centroid_mm[axis])
            };
            assert!(inside(0) && inside(1), "{name}: {island:?}");
            // Of moments about the centroid the mixed one is the least.
            let product = island.ixx_mm4 * island.iyy_mm4;
            assert!(island.ixy_mm4 * island.ixy_mm4 <= product * (1.0 + 1e-6), "{name}: {island:?}");
            assert!(!island.on_bed || island.stands_on.is_empty(), "{name}: {island:?}");
            for footing in &island.stands_on {
                let below = layers.get(footing.record as usize).expect("a layer before");
                assert!(footing.record < layer.index && (footing.island as usize) < below.islands.len(), "{name}");
            }
            if !island.on_bed {
                above += island.volume_mm3;
                in_air += if island.stands_on.is_empty() { island.volume_mm3 } else { 0.0 };
            }
        }
    }
    println!("{name}: {} layers, {:.3} % in the air", layers.len(), 100.0 * in_air / f64::max(above, 1e-9));
    assert!(in_air <= most_in_air * above, "{name}: {in_air} of {above} mm³ stand on nothing");
}

#[test]
fn the_demo_and_all_fixtures_are_sane() {
    assert_sane("demo", &runs::fixture("demo/casting_pads.gcode"), &runs::profile(), 0.0);
    for name in runs::fixtures_in("gcode/ok") {
        // Small pieces of files: most begin in the air.
        assert_sane(&name, &runs::fixture(&name), &runs::profile(), 1.0);
    }
}

#[test]
fn every_real_file_is_sane() {
    let Some(files) = corpus::files() else { return };
    for path in files {
        let name = runs::name_of(&path);
        // Coordinates computed by the controller: refused on purpose, see `tests/proof.rs`.
        if name == "cnc-oword-named-params-01.ngc" {
            continue;
        }
        let input = std::fs::read(&path).expect("a readable file");
        let mut profile = runs::profile();
        profile.nozzle.diameter_mm.value = 0.4;
        assert_sane(&name, &input, &profile, 0.01);
    }
}

/// A million beads in a layer, layers of few beads, dots in thousands, a kilometre: in time that goes with the beads.
#[test]
fn odd_plates_cost_no_more_than_their_beads() {
    let mut one_layer = String::from("M83\nG1 Z0.5 F1200\n");
    for index in 0..1_000_000u32 {
        let (x, y) = (f64::from(index % 1000) * 0.3, f64::from(index / 1000) * 0.3);
        writeln!(one_layer, "G1 X{x:.2} Y{y:.2} E0.1").expect("written");
    }
    let mut many_layers = String::from("M83\n");
    for layer in 1..=100_000u32 {
        let z = f64::from(layer) * 0.1;
        writeln!(many_layers, "G0 X0 Y0 Z{z:.1}\nG1 X3 E1\nG1 Y3 E1\nG0 X200 Y200\nG1 X203 E1\nG1 Y203 E1\nG1 X200 E1")
            .expect("written");
    }
    let mut dots = String::from("M83\nG1 Z0.5 F1200\n");
    for index in 0..200_000u32 {
        let (x, y) = (f64::from(index % 500) * 2.0, f64::from(index / 500) * 2.0);
        writeln!(dots, "G0 X{x} Y{y}\nG1 X{:.1} E0.02", x + 0.1).expect("written");
    }
    let mut far = String::from("M83\nG1 Z0.5 F1200\nG1 X10 E5\n");
    for index in 0..100_000u32 {
        let x = if index % 2 == 0 { 1e6 } else { 5000.0 };
        writeln!(far, "G1 X{x} Y{} E0.1", index % 7).expect("written");
    }
    far.push_str("G0 X0 Y5\nG1 X10 E5\n");
    for (name, text, layers_expected) in
        [("one layer", one_layer, 1), ("many layers", many_layers, 100_000), ("dots", dots, 1), ("far", far, 1)]
    {
        let begun = Instant::now();
        let (layers, account) = run(text.as_bytes(), &profile(), &Options::default()).expect("sound input");
        let time = begun.elapsed();
        println!(
            "{name}: {} islands, {:.2} s, cells of {} mm",
            layers[0].islands.len(),
            time.as_secs_f64(),
            account.cell_mm
        );
        assert!(time < Duration::from_secs(60), "{name}: {time:?}");
        assert_eq!(layers.len(), layers_expected, "{name}");
        assert!(layers[0].islands.len() <= 4096);
        let islands: f64 = layers.iter().flat_map(|layer| &layer.islands).map(|island| island.volume_mm3).sum();
        close(islands + account.outside_mm3 + account.scattered_mm3, account.bead_volume_mm3);
        match name {
            "one layer" => assert_eq!(layers[0].islands.len(), 1),
            "many layers" => assert!(layers.iter().all(|layer| layer.islands.len() == 2)),
            "dots" => assert!(account.scattered_mm3 > 0.9 * account.bead_volume_mm3),
            _ => {
                assert!(account.outside_mm3 > 4000.0, "{account:?}");
                assert_eq!(account.cell_mm, 0.5, "what does not fit anyway makes no cell larger");
            }
        }
    }
}

#[test]
fn refusals_are_those_of_a_rewrite() {
    let mut unread = profile();
    unread.screw.virtual_diameter_mm.value = None;
    for name in runs::fixtures_in("gcode/bad") {
        let input = runs::fixture(&name);
        let refused = runs::rewrite(&input, &unread, &Options::default()).map(|_| ()).map_err(|e| e.to_string());
        let Ok(()) = meltwright::source::sniff(&input[..input.len().min(meltwright::source::HEAD)]) else { continue };
        let found = run(&input, &unread, &Options::default()).map(|_| ()).map_err(|e| e.to_string());
        assert_eq!(found, refused, "{name}");
    }
}
