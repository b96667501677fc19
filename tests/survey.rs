//! The survey: figures by hand for made plates.

#[path = "support/plate.rs"]
mod plate;
#[path = "support/reader.rs"]
mod reader;
#[path = "support/runs.rs"]
mod runs;

use std::fmt::Write as _;

use meltwright::pipeline::Options;
use meltwright::survey::{Footing, Island};
use plate::{HEIGHT, Plate, close, close_to, profile, run, spiral};

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
    plate.layer(1).line("; skirt").solid(0.0, 0.0, 30);
    plate.layer(2).line("; outer perimeter").square(2.0, 2.0, 10.0);
    // The support begins beside the part, on the raft, one layer later.
    plate.layer(3).square(2.0, 2.0, 10.0).line("; support").square(18.0, 18.0, 8.0);
    plate.layer(4).line("; outer perimeter").square(2.0, 2.0, 10.0).line("; support").square(18.0, 18.0, 8.0);
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
    plate.layer(1).line("; skirt").square(0.0, 0.0, 40.0);
    // Loops 1 mm apart around a square of 10 mm.
    plate.square(13.0, 13.0, 14.0).square(14.0, 14.0, 12.0).line("; outer perimeter").square(15.0, 15.0, 10.0);
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
            plate.line(if is_support { "; support" } else { "; outer perimeter" });
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
        close_to(layer.bead_pace.time_s(), 2.0, 1e-4);
        close_to(layer.time_s, 3.0, 1e-3);
        close_to(layer.slowest_mm_s, 20.0, 1e-6);
        close_to(layer.fastest_mm_s, 20.0, 1e-6);
    }
}

/// A circle of 10 mm as two arcs: area 2 pi 10 * 1. As many short rectangles it has pi r (r² + w² / 12), 3144.2 mm⁴; as
/// a ring pi / 4 (10.5⁴ - 9.5⁴), 3149.4.
#[test]
fn arcs_are_laid_as_their_chords() {
    let volume = std::f64::consts::PI * 10.0 * HEIGHT;
    let arcs = format!("G3 X-10 Y0 I-10 J0 E{volume:.6}\nG3 X10 Y0 I10 J0 E{volume:.6}");
    let mut plate = Plate::new();
    plate.layer(1).travel(10.0, 0.0).line(&arcs);
    let islands = plate.layers()[0].islands.clone();
    let [ring] = &islands[..] else { panic!("one ring") };
    close_to(ring.area_mm2, 62.8319, 1e-3);
    close_to(ring.ixx_mm4, 3144.2, 0.6);
    close_to(ring.iyy_mm4, 3144.2, 0.6);
    close_to(ring.ixy_mm4, 0.0, 1e-3);
}

/// The screw begins at 1.5 mm on two layers of another tool, and lays two of its own: 0.5 mm each, the first on firm ground.
#[test]
fn layers_on_another_tool_have_their_own_height() {
    let mut plate = Plate::new();
    plate.line("T1");
    for n in 1..=2 {
        plate.layer(n).square(0.0, 0.0, 20.0);
    }
    plate.line("T0");
    for n in 3..=4 {
        plate.layer(n).square(0.0, 0.0, 20.0);
    }
    let mut profile = plate::profile();
    profile.screw.tools.value = vec![0];
    let (layers, _) = plate::run(plate.text.as_bytes(), &profile, &Options::default()).expect("a survey");
    assert_eq!(layers.len(), 2, "{layers:?}");
    for layer in &layers {
        close(layer.height_mm, HEIGHT);
    }
    assert!(layers[0].islands[0].on_bed && !layers[1].islands[0].on_bed);
}
