//! Hand figures, and the plain slow way.

use super::*;
use proptest::prelude::*;

const GRANULES: Granules = Granules { bulk_g_cm3: 0.625, is_bulk_assumed: false, cost_per_kg: None };
const KINDS: [PlaceKind; 3] = [PlaceKind::LayerChange, PlaceKind::Hidden, PlaceKind::Visible];

fn spot(line: u64, kind: PlaceKind) -> Spot {
    Spot { line, layer: line, z_mm: line as f64, kind, purge_g: 0.0 }
}

/// A print of places, each followed by so many grams at 1 g/s; lines count from 1.
fn plan(usable_g: f64, margin_g: f64, moves: &[(PlaceKind, f64)]) -> HopperPlan {
    let mut planner = Planner::new(Some(Cup { usable_g, margin_g, purge_g: 0.0 }));
    for (index, (kind, grams)) in moves.iter().enumerate() {
        planner.place(planner.now(), spot(index as u64 + 1, *kind));
        planner.feed(*grams, *grams);
    }
    planner.finish(&GRANULES)
}

fn lines(plan: &HopperPlan) -> Vec<u64> {
    plan.refills.iter().map(|refill| refill.line).collect()
}

#[test]
fn a_small_print_needs_no_refill() {
    let plan = plan(100.0, 20.0, &[(PlaceKind::Visible, 50.0), (PlaceKind::Visible, 30.0)]);
    assert_eq!((plan.refills.len(), plan.left_at_end_g), (0, Some(20.0)));
    assert_eq!((plan.total_g, plan.total_l), (80.0, 0.128));
    assert!(plan.shortages().is_empty());
}

#[test]
fn layer_changes_come_first_where_they_cost_no_further_refill() {
    use PlaceKind::{Hidden, LayerChange, Visible};
    // 80 g of 100 may go. At 60 g a layer begins, at 75 g there is infill: 130 g need one refill, at the layer.
    let moves = [(Visible, 60.0), (LayerChange, 15.0), (Hidden, 55.0)];
    let found = plan(100.0, 20.0, &moves);
    assert_eq!(lines(&found), [2]);
    let refill = found.refills[0];
    assert_eq!((refill.time_s, refill.used_g, refill.left_g), (60.0, 60.0, 40.0));
    // It is filled up again, 60 g = 0.096 l at 0.625 g/cm3, and 130 - 60 are left to go: 100 - 70.
    assert_eq!((refill.refill_g, refill.refill_l, found.left_at_end_g), (60.0, 0.096, Some(30.0)));
    // With 150 g the layer change would take a second refill: the infill does with one.
    let moves = [(Visible, 60.0), (LayerChange, 15.0), (Hidden, 75.0)];
    assert_eq!(lines(&plan(100.0, 20.0, &moves)), [3]);
}

#[test]
fn a_visible_bead_is_kept_clear_of_even_at_the_price_of_a_refill() {
    use PlaceKind::{Hidden, LayerChange, Visible};
    // 146 g, 80 at a time: from the visible bead at 70 g one refill would do. The layer at 10 g and the infill at 81 g
    // do without touching it.
    let moves = [(LayerChange, 10.0), (LayerChange, 60.0), (Visible, 11.0), (Hidden, 60.0), (Hidden, 5.0)];
    let found = plan(100.0, 20.0, &moves);
    assert_eq!(lines(&found), [2, 4]);
    // Without the layer there is no other way.
    let moves = [(Visible, 70.0), (Visible, 11.0), (Hidden, 60.0), (Hidden, 5.0)];
    let found = plan(100.0, 20.0, &moves);
    assert_eq!(found.refills.iter().map(|refill| refill.place).collect::<Vec<_>>(), [Visible]);
    assert!(found.shortages().is_empty());
}

#[test]
fn what_no_cup_holds_is_named() {
    // A purge of 120 g in one go from a cup of 100: 10 g before it are refilled, then it runs empty.
    let found = plan(100.0, 20.0, &[(PlaceKind::Hidden, 10.0), (PlaceKind::Hidden, 120.0), (PlaceKind::Hidden, 5.0)]);
    assert_eq!(lines(&found), [2, 3]);
    assert_eq!((found.refills[0].left_g, found.refills[1].left_g), (90.0, -20.0));
    // The last 5 g and the margin are filled into the empty cup.
    assert_eq!((found.refills[1].refill_g, found.left_at_end_g), (25.0, Some(20.0)));
    assert_eq!(found.shortages(), [Some(found.refills[1])]);
    // At the end of the print as well.
    let found = plan(100.0, 20.0, &[(PlaceKind::Hidden, 10.0), (PlaceKind::Hidden, 90.0)]);
    assert_eq!((lines(&found), found.shortages()), (vec![2], vec![None]));
}

#[test]
fn a_purge_is_taken_from_the_hopper_that_was_just_filled() {
    use PlaceKind::Hidden;
    // 80 g of 100 may go; behind each refill 20 g are purged, so that 60 g are left for the next stretch. Places every
    // 20 g of 160: at 80 g (left 20), and at 140 g: 100 - 20 - 60 = 20 left again.
    let mut planner = Planner::new(Some(Cup { usable_g: 100.0, margin_g: 20.0, purge_g: 20.0 }));
    for line in 1..=8 {
        planner.place(planner.now(), Spot { purge_g: 20.0, ..spot(line, Hidden) });
        planner.feed(20.0, 1800.0);
    }
    let found = planner.finish(&GRANULES);
    assert_eq!(lines(&found), [5, 8]);
    let rows: Vec<_> = found.refills.iter().map(|r| (r.used_g, r.left_g, r.refill_g, r.purge_g)).collect();
    // The second takes the last 20 g of print and its own purge.
    assert_eq!(rows, [(80.0, 20.0, 80.0, 20.0), (160.0, 20.0, 40.0, 20.0)]);
    assert_eq!((found.total_g, found.left_at_end_g), (200.0, Some(20.0)));
    assert!(found.shortages().is_empty());
    // 40 g an hour, and 20 g more from the refill at two hours on.
    let used: Vec<_> = found.hourly.iter().map(|mark| mark.used_g).collect();
    assert_eq!(used, [40.0, 100.0, 140.0, 200.0]);
    // Where a spot bears no purge, none is counted.
    let mut planner = Planner::new(Some(Cup { usable_g: 100.0, margin_g: 20.0, purge_g: 20.0 }));
    for line in 1..=8 {
        planner.place(planner.now(), spot(line, Hidden));
        planner.feed(20.0, 20.0);
    }
    assert_eq!(planner.finish(&GRANULES).total_g, 160.0);
}

#[test]
fn grams_at_full_hours() {
    let mut planner = Planner::new(None);
    // 60 g in half an hour, a pause of two hours, 30 g in one hour: 1 h 60 g, 2 h 60 g, 3 h 75 g.
    planner.feed(60.0, 1800.0);
    planner.feed(0.0, 7200.0);
    planner.feed(30.0, 3600.0);
    planner.feed(f64::NAN, f64::INFINITY);
    let found = planner.finish(&GRANULES);
    let marks: Vec<_> = found.hourly.iter().map(|mark| (mark.hour, mark.used_g)).collect();
    assert_eq!(marks, [(1, 60.0), (2, 60.0), (3, 75.0)]);
    assert_eq!((found.total_g, found.usable_g, found.left_at_end_g), (90.0, None, None));
}

#[test]
fn long_prints_keep_few_marks() {
    let mut planner = Planner::new(None);
    planner.feed(1000.0, 1000.0 * 3600.0);
    planner.feed(0.0, 1e18);
    let found = planner.finish(&GRANULES);
    assert!(found.hourly.len() <= MOST_MARKS && found.hourly.len() >= MOST_MARKS / 2 - 1, "{}", found.hourly.len());
    let even = found.hourly.windows(2).all(|pair| pair[1].hour - pair[0].hour == found.hourly[0].hour);
    assert!(even && found.hourly[0].used_g <= 1000.0);
}

/// 48 hours are kept; with the next one every second goes.
#[test]
fn two_days_are_told_hour_by_hour() {
    let hours = |hours: u32| {
        let mut planner = Planner::new(None);
        (0..hours).for_each(|_| planner.feed(10.0, 3600.0));
        let marks = planner.finish(&GRANULES).hourly;
        (marks.len(), marks[0].hour, marks[marks.len() - 1].hour, marks[marks.len() - 1].used_g)
    };
    assert_eq!([hours(48), hours(49)], [(48, 1, 48, 480.0), (24, 2, 48, 480.0)]);
}

/// Three times 0.1 g is a little more than the 0.3 g that may go, in the last digit of a sum: one refill of 0.6 g, and no
/// margin is touched.
#[test]
fn last_digits_of_a_sum_cost_no_refill() {
    let found = plan(0.5, 0.2, &[(PlaceKind::LayerChange, 0.1); 6]);
    assert_eq!((lines(&found), found.shortages()), (vec![4], vec![]));
}

#[test]
fn very_many_refills_do_not_use_up_the_stack() {
    let mut planner = Planner::new(Some(Cup { usable_g: 1.0, margin_g: 0.0, purge_g: 0.0 }));
    for line in 1..=300_000 {
        planner.place(planner.now(), spot(line, PlaceKind::Hidden));
        planner.feed(1.0, 1.0);
    }
    drop(planner.clone());
    assert_eq!(planner.finish(&GRANULES).refills.len(), 299_999);
}

#[test]
fn few_places_are_kept() {
    let mut planner = Planner::new(Some(Cup { usable_g: 1000.0, margin_g: 100.0, purge_g: 0.0 }));
    let mut most = 0;
    for line in 0..200_000_u64 {
        let kind = if line % 5000 == 0 { PlaceKind::LayerChange } else { KINDS[1 + (line / 300 % 2) as usize] };
        planner.place(planner.now(), spot(line, kind));
        planner.feed(0.1, 1.0);
        most = most.max(planner.cup.as_ref().map_or(0, |(_, places)| places.kept()));
    }
    assert!(most <= 16, "{most}");
}

/// Short stretches, visible places, refills, refills within layers.
type Cost = [u32; 4];

/// The least cost by trying every place before every place.
fn cheapest(allowance: f64, moves: &[(PlaceKind, f64)]) -> Cost {
    let mut at = vec![0.0];
    for (_, grams) in moves {
        at.push(at.last().unwrap() + grams);
    }
    // A plan ends with a refill at place `i`, 0 for the start; the last "place" is the end of the print.
    let mut costs: Vec<Cost> = vec![[0; 4]];
    for i in 0..=moves.len() {
        let own = match moves.get(i).map(|step| step.0) {
            None => [0; 4],
            Some(PlaceKind::LayerChange) => [0, 0, 1, 0],
            Some(PlaceKind::Hidden) => [0, 0, 1, 1],
            Some(PlaceKind::Visible) => [0, 1, 1, 1],
        };
        let before = |j: usize| if j == 0 { 0.0 } else { at[j - 1] };
        let from = (0..costs.len()).map(|j| {
            let mut cost = costs[j];
            // A stretch is beyond help only where no place lies inside it.
            let short = at[i] - before(j) > allowance + 1e-9;
            cost[0] += u32::from(short);
            if short && j + 1 < costs.len() { [u32::MAX; 4] } else { cost }
        });
        let best = from.min().unwrap();
        costs.push(std::array::from_fn(|k| best[k].saturating_add(own[k])));
    }
    *costs.last().unwrap()
}

/// Fewest refills, by going as far as the cup lasts each time; what is purged behind one is gone at once.
fn fewest(allowance: f64, purge: f64, moves: &[(PlaceKind, f64)]) -> usize {
    let (mut refills, mut since, mut last) = (0, 0.0, 0.0);
    let mut at = 0.0;
    for (_, grams) in moves {
        last = if at > since { at } else { last };
        let purged = if refills > 0 { purge } else { 0.0 };
        if at + grams - since + purged > allowance + 1e-9 && last > since {
            refills += 1;
            since = last;
        }
        at += grams;
    }
    refills
}

proptest! {
    #[test]
    fn no_plan_is_cheaper(
        moves in prop::collection::vec((prop::sample::select(&KINDS), 0_u32..60), 0..40),
        margin in 0_u32..30,
    ) {
        let moves: Vec<_> = moves.iter().map(|(kind, grams)| (*kind, f64::from(*grams))).collect();
        let usable = 100.0;
        let found = plan(usable, f64::from(margin), &moves);
        let visible = found.refills.iter().filter(|refill| refill.place == PlaceKind::Visible).count() as u32;
        let within = found.refills.iter().filter(|refill| refill.place != PlaceKind::LayerChange).count() as u32;
        let cost = [found.shortages().len() as u32, visible, found.refills.len() as u32, within];
        prop_assert_eq!(cost, cheapest(usable - f64::from(margin), &moves));
        let filled: f64 = found.refills.iter().map(|refill| refill.refill_g).sum();
        let kept = (found.left_at_end_g.unwrap() - (usable + filled - found.total_g)).abs() < 1e-9;
        prop_assert!(kept || !found.shortages().is_empty());
    }

    #[test]
    fn the_cup_never_falls_under_its_margin_and_refills_are_as_few_as_can_be(
        grams in prop::collection::vec(0.01_f64..40.0, 1..200),
        margin in 0.0_f64..40.0,
        purge in prop::sample::select(&[0.0, 5.0, 20.0][..]),
    ) {
        let moves: Vec<_> = grams.iter().map(|grams| (PlaceKind::Hidden, *grams)).collect();
        let mut planner = Planner::new(Some(Cup { usable_g: 100.0, margin_g: margin, purge_g: purge }));
        for (index, grams) in grams.iter().enumerate() {
            planner.place(planner.now(), Spot { purge_g: purge, ..spot(index as u64 + 1, PlaceKind::Hidden) });
            planner.feed(*grams, *grams);
        }
        let found = planner.finish(&GRANULES);
        let purged = purge * found.refills.len() as f64;
        prop_assert!((found.total_g - grams.iter().sum::<f64>() - purged).abs() < 1e-6);
        // Played back: the content just before each refill and at the end.
        let (mut content, mut at, mut lowest) = (100.0, 0.0, f64::INFINITY);
        for refill in &found.refills {
            content -= refill.used_g - at;
            lowest = f64::min(lowest, content);
            content += refill.refill_g;
            prop_assert!(content <= 100.0 + 1e-6);
            at = refill.used_g;
        }
        lowest = lowest.min(content - (found.total_g - at));
        prop_assert!(found.shortages().is_empty() && lowest >= margin - 1e-6, "{lowest} of {margin}");
        prop_assert_eq!(found.refills.len(), fewest(100.0 - margin, purge, &moves));
    }
}
