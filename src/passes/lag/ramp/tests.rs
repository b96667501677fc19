use super::*;

fn melt() -> Melt {
    Melt { lag_s: 0.4, screw_mm3_s: 30.0, max_reverse_mm3: 7.5, window_s: 60.0 }
}

fn bounds() -> Bounds {
    Bounds { bore_mm: 1.0, shortest_mm: 0.1, max_area_mm2: f64::INFINITY, least_mm3: 0.0, rounding_mm3: 0.0 }
}

#[test]
fn what_is_off_is_shared_between_store_and_path() {
    let mut spring = Spring::default();
    let mut ramp = Ramp::new(melt(), bounds());
    // 0 to 50 mm/s at 400 mm/s2 (3.125 mm), then even, then back to 5: by hand tau A v = 0.4 * 0.1 * 50 = 2 mm3.
    let up = Section { length: 3.125, v0: 0.0, v1: 50.0, time: 0.125, ready: 50.0, fastest: 50.0, rights: false };
    let volume = ramp.push.piece(&up, 0.1, Marks::NONE, &mut spring);
    // The screw's 0.98 * 30 = 29.4 mm3/s cut it to 29.4 / 50 = 0.588 mm2: 1.8375 mm3, and S to
    // 0.588 * 400 (0.4 * 0.125 - 0.16 (1 - e^-0.3125)) = 1.660159.
    assert!((volume - 1.8375).abs() < 1e-9 && (spring.stored - 1.660_159).abs() < 1e-6, "{volume}, {spring:?}");
    // 0.135159 mm3 are missing, 1.3516 % of 2 s of flow: a store of 2.027032 takes 0.129628 mm3/mm, to lay 1.013516 mm3 takes
    // 0.169104; half of both leaves 1.660159 * 0.606531 + 0.149366 * 7.869387 = 2.182357.
    let even = Section { length: 10.0, v0: 50.0, v1: 50.0, time: 0.2, ready: 50.0, fastest: 50.0, rights: false };
    ramp.push.piece(&even, 0.1, Marks::NONE, &mut spring);
    assert!((spring.stored - 2.182_357).abs() < 1e-5, "{}", spring.stored);
    // Likewise -0.555777 and -0.432618: the screw turns back, to 2.182357 * 0.754840 - 0.494198 * 2.593440 = 0.365655.
    let down = Section { length: 3.09375, v0: 50.0, v1: 5.0, time: 0.1125, ready: 5.0, fastest: 50.0, rights: false };
    let volume = ramp.push.piece(&down, 0.1, Marks::NONE, &mut spring);
    assert!((volume + 0.494_198 * 3.09375).abs() < 1e-4, "{volume}");
    assert!((spring.stored - 0.365_655).abs() < 1e-4, "{}", spring.stored);
}

/// A store off by 0.4 mm³ is off by half of it the other way round after an even piece of any length, and so on.
#[test]
fn a_store_that_is_off_comes_back() {
    for time in [0.02, 0.2] {
        let even = Section { length: 50.0 * time, v0: 50.0, v1: 50.0, time, ready: 50.0, fastest: 50.0, rights: false };
        let mut spring = Spring { stored: 2.4, surplus: 0.0 };
        let mut ramp = Ramp::new(melt(), bounds());
        let off: Vec<f64> = (0..8)
            .map(|_| {
                spring.surplus = 0.0;
                ramp.push.piece(&even, 0.1, Marks::NONE, &mut spring);
                spring.stored - 2.0
            })
            .collect();
        // Half for short pieces, at half of the lag a little less.
        assert!(off[0] < -0.16 && off[0] > -0.22 && off[1] > 0.0 && off[7].abs() < 0.004, "{time}: {off:?}");
    }
}

/// What was missing is made good by 5 % of the flow; where the screw keeps up no more, what was missing long ago is not. At a
/// store of
/// τ A v = 0.4 · 0.1 · 50 = 2 mm³ 5 % more take 0.112708 mm³/mm by the store and 0.123467 by what is laid, half of both leaves
/// 2 · 0.606531 + 0.118087 · 7.869387; 5 % less 0.087293 and 0.076533.
#[test]
fn a_full_screw_makes_nothing_old_good() {
    let even = Section { length: 10.0, v0: 50.0, v1: 50.0, time: 0.2, ready: 50.0, fastest: 50.0, rights: false };
    let cases = [(Marks::NONE, -9.0, 2.142_335), (Marks::FULL, -9.0, 2.0), (Marks::FULL, 9.0, 1.857_665)];
    for (marks, surplus, stored) in cases {
        let mut spring = Spring { stored: 2.0, surplus };
        Ramp::new(melt(), bounds()).push.piece(&even, 0.1, marks, &mut spring);
        assert!((spring.stored - stored).abs() < 1e-5, "{marks:?}: {}", spring.stored);
    }
}

/// What a ramp leaves out, 0.135159 mm³ as in the first of these tests, is made good by a full screw as by any other; what
/// drools out meanwhile is not pushed in its place as well.
#[test]
fn a_full_screw_makes_good_what_it_has_just_left_out() {
    let up = Section { length: 3.125, v0: 0.0, v1: 50.0, time: 0.125, ready: 50.0, fastest: 50.0, rights: false };
    let even = Section { length: 10.0, v0: 50.0, v1: 50.0, time: 0.2, ready: 50.0, fastest: 50.0, rights: false };
    let pushed = |marks, drooled, owed: Option<f64>| {
        let mut spring = Spring::default();
        let mut ramp = Ramp::new(melt(), bounds());
        ramp.push.piece(&up, 0.1, marks, &mut spring);
        ramp.interrupt(drooled);
        spring.surplus = owed.map_or(spring.surplus, |owed| -owed);
        ramp.push.piece(&even, 0.1, marks, &mut spring)
    };
    let all = pushed(Marks::NONE, 0.0, None);
    assert!((all - 1.493_66).abs() < 1e-4, "{all}");
    assert_eq!(pushed(Marks::FULL, 0.0, None), all);
    // Of more that was missing before, no more than that.
    assert!((pushed(Marks::FULL, 0.0, Some(0.5)) - all).abs() < 1e-9);
    assert!(pushed(Marks::NONE, 0.0, Some(0.5)) > all + 0.01);
    for drooled in [0.135_16, 0.3] {
        assert_eq!(pushed(Marks::FULL, drooled, None), pushed(Marks::NONE, drooled, Some(0.0)));
    }
}

/// A store of nothing asks for more than 0.2 mm²; with 0.001 mm³ of rounding a piece of 1 mm is held to 0.199 mm³.
#[test]
fn rounding_makes_no_piece_too_thick() {
    let even = Section { length: 1.0, v0: 50.0, v1: 50.0, time: 0.02, ready: 50.0, fastest: 50.0, rights: false };
    for (rounding_mm3, pushed) in [(0.0, 0.2), (0.001, 0.199)] {
        let bounds = Bounds { max_area_mm2: 0.2, rounding_mm3, ..bounds() };
        let volume = Ramp::new(melt(), bounds).push.piece(&even, 0.1, Marks::NONE, &mut Spring::default());
        assert!((volume - pushed).abs() < 1e-12, "{volume}");
    }
}

/// Beads of 0.3 mm² are refused where 0.2 mm² are the most, whatever is in them: they keep what the file wants.
#[test]
fn beads_that_are_too_thick_as_they_come_keep_their_volume() {
    let even = Section { length: 1.0, v0: 50.0, v1: 50.0, time: 0.02, ready: 50.0, fastest: 50.0, rights: false };
    let mut ramp = Ramp::new(melt(), Bounds { max_area_mm2: 0.2, rounding_mm3: 0.001, ..bounds() });
    let mut spring = Spring { stored: 0.4 * 0.3 * 50.0, ..Spring::default() };
    assert!((ramp.push.piece(&even, 0.3, Marks::NONE, &mut spring) - 0.3).abs() < 1e-9);
}

/// A store that is far too full: the screw turns back until it may no further, and what it then pushes makes room again.
#[test]
fn reversals_are_bounded_as_a_whole() {
    let short = Section { length: 0.1, v0: 5.0, v1: 5.0, time: 0.02, ready: 5.0, fastest: 5.0, rights: false };
    let most = melt().max_reverse_mm3;
    let mut ramp = Ramp::new(melt(), bounds());
    let mut back = |stored: f64| {
        let mut spring = Spring { stored, ..Spring::default() };
        ramp.push.piece(&short, 0.1, Marks::NONE, &mut spring)
    };
    let turned: f64 = (0..40).map(|_| back(1e3)).sum();
    assert!((turned + most).abs() < 1e-9, "{turned}");
    let pushed = back(0.19);
    assert!(pushed > 0.0 && (back(1e3) + pushed).abs() < 1e-9, "{pushed}");
}

/// 0.5 mm up, 2 mm even, 0.5 mm down.
#[test]
fn pieces_at_corners_are_as_long_as_these_need() {
    let reach = |needed| {
        let mut sections = Sections::default();
        divide(10.0, 20.0, 300.0, 0.1, &mut sections);
        sections.push(Section {
            length: 2.0,
            v0: 20.0,
            v1: 20.0,
            time: 0.1,
            ready: 20.0,
            fastest: 20.0,
            rights: false,
        });
        divide(20.0, 10.0, 300.0, 0.1, &mut sections);
        sections.reach(needed, 0.1);
        let time: f64 = sections.list().iter().map(|section| section.time).sum();
        assert!((time - (0.1 + 2.0 / 30.0)).abs() < 1e-12, "{time}");
        let rounded = |length: f64| (length * 1e6).round() / 1e6;
        sections.list().iter().map(|section| rounded(section.length)).collect::<Vec<_>>()
    };
    assert_eq!(reach([0.5, 0.0]), [0.5, 2.0, 0.5]);
    assert_eq!(reach([0.8, 0.6]), [0.8, 1.6, 0.6]);
    // Nothing to spare is left: 0.5 mm are less than 0.65 mm, and 1 mm is enough.
    assert_eq!(reach([2.0, 1.0]), [2.0, 1.0]);
    // 2.5 mm are enough of 3 mm.
    assert_eq!(reach([3.0, 0.0]), [2.5, 0.5]);
    assert_eq!(reach([9.0, 9.0]), [3.0]);
}

#[test]
fn ramps_longer_than_the_bead_are_shortened_to_it() {
    let step = crate::moves::sample::bead(1.0, 0.1);
    // 0 to 40 mm/s and back to 30 at 1000 mm/s2 would take 0.8 + 0.35 mm.
    let timing = Timing { entry: 0.0, top: 40.0, exit: 30.0, accel: 1000.0, time: 0.05, by_length: [f32::INFINITY; 2] };
    let mut ramp = Ramp::new(melt(), bounds());
    ramp.cut(&step, &timing, 0.1, &Spring::default());
    let mut sections = ramp.sections;
    let length: f64 = sections.list().iter().map(|s| s.length).sum();
    assert!((length - 1.0).abs() < 1e-9 && sections.list().iter().all(|s| s.length >= 0.1), "{sections:?}");
}

/// A bead of 0.1 mm² from 50 down to 45 mm/s (1.1875 mm in 25 ms) at a store of 0.4 · 0.1 · 50 = 2 mm³ would need next to
/// nothing at the right store before; with a step of 0.01 mm³ it pushes that, and with one of 0.5 mm³ what it did.
#[test]
fn a_piece_has_a_motor_step_of_e_in_it() {
    let down = Section { length: 1.1875, v0: 50.0, v1: 45.0, time: 0.025, ready: 45.0, fastest: 50.0, rights: false };
    let pushed = |least_mm3: f64, stored: f64| {
        let mut spring = Spring { stored, ..Spring::default() };
        Ramp::new(melt(), Bounds { least_mm3, ..bounds() }).push.piece(&down, 0.1, Marks::NONE, &mut spring)
    };
    // Linear in the store, so that the one which asks for nothing is found from two.
    let (at_2, at_1_9) = (pushed(0.0, 2.0), pushed(0.0, 1.9));
    let nothing = 2.0 + at_2 * 0.1 / (at_1_9 - at_2);
    assert!(pushed(0.0, nothing).abs() < 1e-9);
    assert_eq!(pushed(0.01, nothing - 1e-6), 0.01);
    assert_eq!(pushed(0.01, nothing + 1e-6), -0.01);
    assert!(pushed(0.5, nothing).abs() < 1e-9, "coarse steps are left alone");
}

#[test]
fn a_ramp_is_cut_where_the_flow_would_stray() {
    let mut sections = Sections::default();
    divide(0.0, 50.0, 400.0, 0.1, &mut sections);
    // Half-way by ratio between a quarter and the whole: 25 mm/s, after 25^2 / 800 = 0.78125 mm.
    assert_eq!(sections.count(), 2);
    assert!((sections.all[0].length - 0.78125).abs() < 1e-12 && (sections.all[0].v1 - 25.0).abs() < 1e-12);
    sections = Sections::default();
    divide(30.0, 50.0, 400.0, 0.1, &mut sections);
    assert_eq!(sections.count(), 1);
    sections.push(Section { length: 0.05, v0: 50.0, v1: 50.0, time: 0.001, ready: 50.0, fastest: 50.0, rights: false });
    sections.join_short(0.1);
    assert_eq!(sections.count(), 1);
    assert!((sections.list()[0].length - 2.05).abs() < 1e-12, "(2500 - 900) / 800 + 0.05");
}
