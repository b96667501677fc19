//! The survey: figures by hand for made plates, and what holds for every file.

#[path = "support/corpus.rs"]
mod corpus;
#[path = "support/reader.rs"]
#[allow(dead_code, reason = "the profiles of the tests need its rules")]
mod reader;
#[path = "support/runs.rs"]
#[allow(dead_code, reason = "each test file uses a part of it")]
mod runs;

use std::fmt::Write as _;
use std::io::Cursor;
use std::time::{Duration, Instant};

use meltwright::error::Result;
use meltwright::pipeline::survey::survey;
use meltwright::pipeline::{Options, audit};
use meltwright::profile::{EUnit, Profile};
use meltwright::survey::{Footing, Island, LayerRecord, SurveyAccount};

/// Height of a layer of the made plates, mm.
const HEIGHT: f64 = 0.5;

/// E in mm³, a nozzle of 1 mm: cells of 0.5 mm.
fn profile() -> Profile {
    let mut profile = runs::profile();
    profile.screw.e_unit.value = EUnit::Mm3;
    profile.nozzle.diameter_mm.value = 1.0;
    profile
}

fn run(input: &[u8], profile: &Profile, options: &Options) -> Result<(Vec<LayerRecord>, SurveyAccount)> {
    let (mut input, mut layers) = (Cursor::new(input), Vec::new());
    let account = survey(&mut input, profile, options, &mut |_| {}, &mut |layer| layers.push(layer))?;
    assert_eq!(input.position(), 0, "left at its start");
    Ok((layers, account))
}

/// A text that is written bead by bead.
struct Plate {
    text: String,
    /// Volume of a millimetre of bead, mm³.
    per_mm: f64,
    at: [f64; 2],
}

impl Plate {
    /// Beads 1 mm wide.
    fn new() -> Self {
        Self { text: "G90\nM83\nG1 F1200\n".to_owned(), per_mm: HEIGHT, at: [0.0; 2] }
    }

    fn line(&mut self, text: &str) -> &mut Self {
        self.text.push_str(text);
        self.text.push('\n');
        self
    }

    /// To the height of a layer, counted from 1, and a lift above it before.
    fn layer(&mut self, number: u32) -> &mut Self {
        let z = f64::from(number) * HEIGHT;
        writeln!(self.text, "G1 Z{:.3}\nG1 Z{z:.3}", z + 2.0).expect("written");
        self
    }

    fn travel(&mut self, x: f64, y: f64) -> &mut Self {
        writeln!(self.text, "G0 X{x:.4} Y{y:.4}").expect("written");
        self.at = [x, y];
        self
    }

    fn bead(&mut self, x: f64, y: f64) -> &mut Self {
        let volume = (x - self.at[0]).hypot(y - self.at[1]) * self.per_mm;
        writeln!(self.text, "G1 X{x:.4} Y{y:.4} E{volume:.6}").expect("written");
        self.at = [x, y];
        self
    }

    /// Four beads around a square with its corner at `x`, `y`.
    fn square(&mut self, x: f64, y: f64, side: f64) -> &mut Self {
        self.travel(x, y).bead(x + side, y).bead(x + side, y + side).bead(x, y + side).bead(x, y)
    }

    /// Beads beside each other over a whole square, along X.
    fn solid(&mut self, x: f64, y: f64, side: u32) -> &mut Self {
        for line in 0..side {
            let (y, end) = (y + f64::from(line) + 0.5, x + f64::from(side));
            self.travel(x, y).bead(end, y);
        }
        self
    }

    fn run(&self) -> (Vec<LayerRecord>, SurveyAccount) {
        let (layers, account) = run(self.text.as_bytes(), &profile(), &Options::default()).expect("sound input");
        let from_records = |value: fn(&LayerRecord) -> f64| layers.iter().map(value).sum::<f64>();
        close(from_records(|l| l.volume_mm3), account.bead_volume_mm3);
        close(from_records(|l| l.islands.iter().map(|i| i.volume_mm3).sum()), account.bead_volume_mm3);
        close(from_records(|l| l.time_s) + account.before_s, account.time_s);
        (layers, account)
    }

    fn layers(&self) -> Vec<LayerRecord> {
        self.run().0
    }
}

#[track_caller]
fn close(value: f64, expected: f64) {
    assert!((value - expected).abs() <= 1e-6 * expected.abs().max(1.0), "{value}, expected {expected}");
}

#[track_caller]
fn close_to(value: f64, expected: f64, within: f64) {
    assert!((value - expected).abs() <= within, "{value}, expected {expected} within {within}");
}

fn footings(island: &Island) -> Vec<(u32, u32)> {
    island.stands_on.iter().map(|Footing { record, island, .. }| (*record, *island)).collect()
}

/// Four beads of 20 x 1 mm around a square of 20 mm. Area 4 * 20 = 80 mm². About its centroid two of them have
/// 20 * 1³ / 12 + 20 * 10² and two 1 * 20³ / 12: 2 * (5 / 3 + 2000 + 2000 / 3) = 16010 / 3 mm⁴ both ways.
#[test]
fn a_square_ring_by_hand() {
    let mut plate = Plate::new();
    plate.layer(1).square(100.0, 50.0, 20.0);
    let layers = plate.layers();
    assert_eq!(layers.len(), 1);
    let layer = &layers[0];
    assert_eq!((layer.index, layer.number, layer.object, layer.storey), (0, 1, 1, 1));
    close(layer.z_mm, 0.5);
    close(layer.height_mm, 0.5);
    close(layer.volume_mm3, 40.0);
    close(layer.bead_length_mm, 80.0);
    let [island] = &layer.islands[..] else { panic!("one island, not {}", layer.islands.len()) };
    close(island.area_mm2, 80.0);
    close(island.centroid_mm[0], 110.0);
    close(island.centroid_mm[1], 60.0);
    close(island.ixx_mm4, 16010.0 / 3.0);
    close(island.iyy_mm4, 16010.0 / 3.0);
    close_to(island.ixy_mm4, 0.0, 1e-6);
    close(island.volume_mm3, 40.0);
    close(island.bead_width_mm, 1.0);
    close(island.bead_width_least_mm, 1.0);
    assert!(island.on_bed && island.stands_on.is_empty());
    for axis in [0, 1] {
        close(island.low_mm[axis], [99.5, 49.5][axis]);
        close(island.high_mm[axis], [120.5, 70.5][axis]);
    }
}

/// A bead of 24 x 1 mm at 45 degrees: along itself 24³ / 12 = 1152, across 2; turned, the half sum both ways and
/// half the difference mixed.
#[test]
fn a_slanting_bead_by_hand() {
    let reach = 24.0 * 0.5f64.sqrt();
    let mut plate = Plate::new();
    plate.layer(1).travel(0.0, 0.0).bead(reach, reach);
    let island = plate.layers()[0].islands[0].clone();
    close_to(island.ixx_mm4, 577.0, 0.02);
    close_to(island.iyy_mm4, 577.0, 0.02);
    close_to(island.ixy_mm4, 575.0, 0.02);
}

#[test]
fn two_towers_far_apart_are_two_islands() {
    let mut plate = Plate::new();
    for layer in 1..=4 {
        plate.layer(layer).square(0.0, 0.0, 10.0).square(110.0, 0.0, 20.0);
    }
    let layers = plate.layers();
    assert_eq!(layers.len(), 4);
    for (index, layer) in layers.iter().enumerate() {
        let [small, large] = &layer.islands[..] else { panic!("two islands, not {}", layer.islands.len()) };
        close(small.area_mm2, 40.0);
        close(large.area_mm2, 80.0);
        close(small.centroid_mm[0], 5.0);
        close(large.centroid_mm[0], 120.0);
        close(layer.height_mm, 0.5);
        // 2 * (10 / 12 + 10 * 25) + 2 * 1000 / 12.
        close(small.iyy_mm4, 2.0 * (10.0 / 12.0 + 250.0) + 2000.0 / 12.0);
        if index > 0 {
            let below = index as u32 - 1;
            assert_eq!((footings(small), footings(large)), (vec![(below, 0)], vec![(below, 1)]));
            assert!(!small.on_bed);
            // The rings in whole cells of 0.5 mm, a quarter of a cell wider on each side.
            close_to(small.stands_on[0].overlap_mm2, 40.0, 20.0);
        }
    }
}

#[test]
fn a_bar_merges_two_legs_and_a_fork_parts() {
    let mut plate = Plate::new();
    plate.layer(1).square(0.0, 0.0, 8.0).square(30.0, 0.0, 8.0);
    plate.layer(2).travel(0.0, 4.0).bead(38.0, 4.0);
    plate.layer(3).square(0.0, 0.0, 8.0).square(30.0, 0.0, 8.0);
    let layers = plate.layers();
    let [bar] = &layers[1].islands[..] else { panic!("one bar") };
    assert_eq!(footings(bar), [(0, 0), (0, 1)]);
    // It crosses two walls of 1 mm of each leg, or ends on them.
    assert!(bar.stands_on.iter().all(|footing| (1.0..4.5).contains(&footing.overlap_mm2)), "{bar:?}");
    assert_eq!(layers[2].islands.iter().map(footings).collect::<Vec<_>>(), [[(1, 0)], [(1, 0)]]);
}

#[test]
fn a_leaning_tower_stands_on_the_layer_below_each_time() {
    let mut plate = Plate::new();
    for layer in 1..=60 {
        plate.layer(layer).solid(f64::from(layer) * 0.4, 0.0, 6);
    }
    let layers = plate.layers();
    assert_eq!(layers.len(), 60);
    for (below, layer) in layers.iter().skip(1).enumerate() {
        let [island] = &layer.islands[..] else { panic!("one island in layer {}", layer.number) };
        assert_eq!(footings(island), [(below as u32, 0)]);
        close(island.centroid_mm[0], f64::from(layer.number) * 0.4 + 3.0);
        close(island.area_mm2, 36.0);
        // 6 mm less 0.4, times 6; a cell of 0.5 mm more or less around.
        close_to(island.stands_on[0].overlap_mm2, 33.6, 13.0);
    }
}

#[test]
fn a_step_in_the_air_stands_on_the_nearest_and_far_ones_on_nothing() {
    let mut plate = Plate::new();
    plate.layer(1).solid(0.0, 0.0, 6);
    plate.layer(2).solid(0.0, 0.0, 6);
    // 1.2 mm of air between the outlines, and 20 mm.
    plate.layer(3).solid(0.0, 0.0, 6).travel(7.7, 0.0).bead(7.7, 6.0).travel(30.0, 0.0).bead(30.0, 6.0);
    let mut islands = plate.layers()[2].islands.clone();
    islands.sort_by(|a, b| a.centroid_mm[0].total_cmp(&b.centroid_mm[0]));
    assert_eq!(islands.len(), 3);
    assert_eq!(islands.iter().map(footings).collect::<Vec<_>>(), [vec![(1, 0)], vec![(1, 0)], vec![]]);
    assert!(islands[0].stands_on[0].overlap_mm2 > 30.0);
    assert_eq!(islands[1].stands_on[0].overlap_mm2, 0.0);
    assert!(islands.iter().all(|island| !island.on_bed));
}

#[test]
fn objects_one_after_the_other_start_on_the_bed() {
    let mut plate = Plate::new();
    for object in 0..3 {
        for layer in 1..=4 {
            plate.layer(layer).square(f64::from(object) * 40.0, 0.0, 10.0);
        }
    }
    let (layers, account) = plate.run();
    let places: Vec<_> = layers.iter().map(|l| (l.index, l.number, l.object, l.storey)).collect();
    assert_eq!(places, (0..12).map(|i| (i, i + 1, i / 4 + 1, i % 4 + 1)).collect::<Vec<_>>());
    assert_eq!((account.objects, account.layers, account.records), (3, 12, 12));
    for layer in &layers {
        close(layer.height_mm, 0.5);
        let [island] = &layer.islands[..] else { panic!("one island") };
        assert_eq!(island.on_bed, layer.storey == 1);
        assert_eq!(footings(island), if layer.storey == 1 { vec![] } else { vec![(layer.index - 1, 0)] });
    }
}

/// Turns of 16 beads that climb a layer height each, above a solid layer.
fn spiral(plate: &mut Plate, turns: u32) {
    plate.travel(20.0, 10.0);
    for step in 1..=turns * 16 {
        let (sin, cos) = (f64::from(step) / 16.0 * std::f64::consts::TAU).sin_cos();
        let (x, y) = (10.0 + 10.0 * cos, 10.0 + 10.0 * sin);
        let length = (x - plate.at[0]).hypot(y - plate.at[1]);
        let z = HEIGHT + f64::from(step) / 16.0 * HEIGHT;
        writeln!(plate.text, "G1 X{x:.4} Y{y:.4} Z{z:.5} E{:.6}", length * plate.per_mm).expect("written");
        plate.at = [x, y];
    }
}

/// 16 chords of a circle of 10 mm: 2 * 10 * sin(pi / 16) each, 62.43 mm in all, and so 62.43 mm² of beads 1 mm wide.
#[test]
fn a_spiral_wall_is_closed_at_each_layer_height() {
    for marks in [false, true] {
        let mut plate = Plate::new();
        if marks {
            // Marks its first layer, and goes on without marks.
            plate.line(";LAYER_CHANGE");
        }
        plate.layer(1).travel(0.0, 10.0).bead(20.0, 10.0);
        spiral(&mut plate, 12);
        let (layers, account) = plate.run();
        assert_eq!(account.layers, if marks { 1 } else { 13 });
        // The last bead but one, or the last, reaches the end of the last turn.
        assert!((12..=13).contains(&layers.len()), "{}", layers.len());
        for layer in &layers[1..layers.len() - 1] {
            close_to(layer.height_mm, 0.5, 1e-4);
            let [wall] = &layer.islands[..] else { panic!("one wall") };
            close_to(wall.area_mm2, 62.43, 5.0);
            assert_eq!(footings(wall), [(layer.index - 1, 0)]);
        }
    }
}

#[test]
fn a_part_stands_on_its_raft_and_a_support_beside_it_too() {
    let mut plate = Plate::new();
    plate.layer(1).line(";TYPE:SKIRT").solid(0.0, 0.0, 30);
    plate.layer(2).line(";TYPE:WALL-OUTER").square(2.0, 2.0, 10.0);
    // The support begins beside the part, on the raft, one layer later.
    plate.layer(3).square(2.0, 2.0, 10.0).line(";TYPE:SUPPORT").square(18.0, 18.0, 8.0);
    plate.layer(4).line(";TYPE:WALL-OUTER").square(2.0, 2.0, 10.0).line(";TYPE:SUPPORT").square(18.0, 18.0, 8.0);
    let layers = plate.layers();
    let [raft] = &layers[0].islands[..] else { panic!("one raft") };
    close(raft.area_mm2, 900.0);
    close(raft.skirt_mm3, raft.volume_mm3);
    // A solid square of 30 mm: 30⁴ / 12.
    close(raft.ixx_mm4, 67_500.0);
    close(raft.iyy_mm4, 67_500.0);
    assert_eq!(footings(&layers[1].islands[0]), [(0, 0)]);
    let [part, support] = &layers[2].islands[..] else { panic!("a part and a support") };
    assert_eq!((footings(part), footings(support)), (vec![(1, 0)], vec![(0, 0)]));
    close(support.support_mm3, support.volume_mm3);
    close(part.support_mm3, 0.0);
    assert_eq!(layers[3].islands.iter().map(footings).collect::<Vec<_>>(), [[(2, 0)], [(2, 1)]]);
}

#[test]
fn a_brim_belongs_to_its_part_and_a_skirt_is_an_island() {
    let mut plate = Plate::new();
    plate.layer(1).line(";TYPE:SKIRT").square(0.0, 0.0, 40.0);
    // Loops 1 mm apart around a square of 10 mm.
    plate.square(13.0, 13.0, 14.0).square(14.0, 14.0, 12.0).line(";TYPE:WALL-OUTER").square(15.0, 15.0, 10.0);
    let islands = plate.layers()[0].islands.clone();
    let [skirt, part] = &islands[..] else { panic!("two islands, not {}", islands.len()) };
    close(skirt.skirt_mm3, skirt.volume_mm3);
    close(skirt.area_mm2, 160.0);
    close(part.area_mm2, 4.0 * (14.0 + 12.0 + 10.0));
    close(part.skirt_mm3, 4.0 * 26.0 * HEIGHT);
}

/// The part is laid every 0.5 mm, its support every 0.75 mm, as some files do; one comment form states such heights.
#[test]
fn supports_at_other_heights_stand_on_themselves() {
    for stated in [true, false] {
        let mut plate = Plate::new();
        let mut heights: Vec<(f64, bool)> = (1..=12).map(|n| (f64::from(n) * 0.5, false)).collect();
        heights.extend((1..=8).map(|n| (f64::from(n) * 0.75, true)));
        heights.sort_by(|a, b| a.partial_cmp(b).expect("numbers"));
        for (z, is_support) in heights {
            if stated {
                plate.line(if is_support { ";HEIGHT:0.75" } else { ";HEIGHT:0.5" });
            }
            plate.per_mm = if is_support { 0.75 } else { 0.5 };
            plate.line(if is_support { ";TYPE:SUPPORT" } else { ";TYPE:WALL-OUTER" });
            plate.line(&format!("G1 Z{z:.2}"));
            if is_support {
                plate.square(20.0, 0.0, 8.0)
            } else {
                plate.square(0.0, 0.0, 8.0)
            };
        }
        let (layers, account) = plate.run();
        assert_eq!(account.objects, 1);
        for layer in &layers {
            for island in &layer.islands {
                let is_support = island.support_mm3 > 0.0;
                let on_bed = layer.z_mm < if is_support { 0.8 } else { 0.6 };
                assert_eq!(island.on_bed, on_bed, "stated {stated}: {layer:?}");
                for footing in &island.stands_on {
                    let below = &layers[footing.record as usize].islands[footing.island as usize];
                    assert_eq!(below.support_mm3 > 0.0, is_support);
                    assert!(footing.overlap_mm2 > 20.0);
                }
                assert_eq!(island.stands_on.len(), usize::from(!on_bed), "{island:?}");
                // Without comments, the two cannot be told apart where both begin a layer at one height.
                if stated || layer.islands.len() == 1 {
                    close(island.bead_width_mm, 1.0);
                    close(island.area_mm2, 32.0);
                }
            }
        }
    }
}

#[test]
fn layers_of_varying_height_keep_the_width_of_their_beads() {
    let mut plate = Plate::new();
    let mut z = 0.0;
    for height in [0.4, 0.2, 0.3, 0.15, 0.15, 0.5] {
        z += height;
        plate.per_mm = height;
        plate.line(&format!("G1 Z{z:.3}")).square(0.0, 0.0, 10.0);
    }
    let layers = plate.layers();
    assert_eq!(layers.len(), 6);
    for (layer, height) in layers.iter().zip([0.4, 0.2, 0.3, 0.15, 0.15, 0.5]) {
        close(layer.height_mm, height);
        close(layer.islands[0].area_mm2, 40.0);
    }
}

/// By hand, on a machine without inertia: 4 beads of 10 mm at 20 mm/s are 2 s, a lift and a way between layers belong
/// to the layer before.
#[test]
fn times_of_layers_by_hand() {
    let mut text = String::from("G90\nM83\nG1 Z0.5 F600\n");
    for (mark, z) in [("first", 1.0), ("second", 1.5)] {
        let square = "G1 X10 E5 F1200\nG1 Y10 E5\nG1 X0 E5\nG1 Y0 E5";
        writeln!(text, "; {mark}\n{square}\nG4 P500\nG1 Z{z} F60").expect("written");
    }
    let mut profile = runs::without_inertia(profile());
    profile.controller.dwell.value = meltwright::profile::DwellWords::POnly;
    let (layers, account) = run(text.as_bytes(), &profile, &Options::default()).expect("sound input");
    // 0.5 mm at 10 mm/s before; 2 s of beads, 0.5 s of waiting, 0.5 mm at 1 mm/s.
    close_to(account.before_s, 0.05, 1e-4);
    for layer in &layers {
        close_to(layer.bead_time_s, 2.0, 1e-4);
        close_to(layer.time_s, 3.0, 1e-3);
        close_to(layer.slowest_mm_s, 20.0, 1e-6);
        close_to(layer.fastest_mm_s, 20.0, 1e-6);
    }
}

/// A circle of 10 mm as two arcs: area 2 pi 10 * 1. As many short rectangles it has pi r (r² + w² / 12), 3144.2 mm⁴; as
/// a ring pi / 4 (10.5⁴ - 9.5⁴), 3149.4. Chords of 0.1 rad are 0.1² / 6 below.
#[test]
fn arcs_are_laid_as_their_chords() {
    let volume = std::f64::consts::PI * 10.0 * HEIGHT;
    let arcs = format!("G3 X-10 Y0 I-10 J0 E{volume:.6}\nG3 X10 Y0 I10 J0 E{volume:.6}");
    let mut plate = Plate::new();
    plate.layer(1).travel(10.0, 0.0).line(&arcs);
    let islands = plate.layers()[0].islands.clone();
    let [ring] = &islands[..] else { panic!("one ring") };
    close_to(ring.area_mm2, 62.8319, 1e-3);
    close_to(ring.ixx_mm4, 3144.2 * (1.0 - 0.01 / 6.0), 0.6);
    close_to(ring.iyy_mm4, 3144.2 * (1.0 - 0.01 / 6.0), 0.6);
    close_to(ring.ixy_mm4, 0.0, 1e-3);
}

/// A plate that has everything: islands, objects, arcs, a spiral, comments.
fn medley() -> String {
    let mut plate = Plate::new();
    for layer in 1..=6 {
        plate.layer(layer).line(";TYPE:SUPPORT").square(60.0, 3.0, 7.0).line(";TYPE:WALL-OUTER");
        plate.solid(f64::from(layer) * 0.3, 0.0, 9).square(30.0, 0.0, 12.0);
        plate.travel(50.0, 40.0).line("G3 X40 Y50 I-10 J0 E7");
    }
    plate.layer(1).travel(0.0, 10.0).bead(20.0, 10.0);
    spiral(&mut plate, 6);
    plate.text
}

#[test]
fn records_depend_on_neither_blocks_nor_threads() {
    let demo = runs::fixture("demo/casting_pads.gcode");
    for (input, profile) in [(medley().into_bytes(), profile()), (demo, runs::profile())] {
        let expected = run(&input, &profile, &Options::default()).expect("sound input");
        for block_size in [64, 4096, 1 << 20] {
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
            assert!(!(island.on_bed && !island.stands_on.is_empty()), "{name}: {island:?}");
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
