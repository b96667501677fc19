use super::*;
use crate::physics::column::shear_factor_of_rectangle;
use crate::units::{Density, Modulus};

fn solid() -> Solid {
    Solid::new(Modulus::from_mpa(1.0), 0.5, Density::from_g_cm3(1.1)).unwrap()
}

/// A square of this side.
fn square(side: f64, on: &[u32]) -> Footing<'_> {
    let moment = side.powi(4) / 12.0;
    Footing {
        area_mm2: side * side,
        second_moment_x_mm4: moment,
        second_moment_y_mm4: moment,
        shear_factor: shear_factor_of_rectangle(0.5),
        on,
        is_laid: true,
        height_mm: None,
    }
}

fn slice(height: f64, side: f64) -> Slice {
    Slice::new(height, side * side, side.powi(4) / 12.0, shear_factor_of_rectangle(0.5)).unwrap()
}

fn column(slices: &[(f64, f64)]) -> Column {
    let mut column = Column::clamped();
    for (height, side) in slices {
        column.grow(&slice(*height, *side), &solid());
    }
    column
}

#[track_caller]
fn near(got: f64, known: f64) {
    assert!((got / known - 1.0).abs() < 1e-9, "{got} is not {known}");
}

#[track_caller]
fn answers_as(response: &Response, column: &Column) {
    for sway in [response.x, response.y] {
        near(sway.per_accel, column.tip_per_accel());
        near(sway.give_mm_per_n, column.give_mm_per_n());
        near(sway.frequency_hz, column.frequency_hz());
    }
    near(response.mass_g, column.mass_g());
    near(response.height_mm, column.height_mm());
}

#[test]
fn towers_far_apart_answer_each_for_itself() {
    let mut stand = Stand::new(solid());
    stand.layer(2.0, &[square(10.0, &[]), square(20.0, &[])]).unwrap();
    // The survey may list them in another order from layer to layer.
    let responses = stand.layer(3.0, &[square(15.0, &[1]), square(8.0, &[0])]).unwrap();
    answers_as(&responses[0], &column(&[(2.0, 20.0), (3.0, 15.0)]));
    answers_as(&responses[1], &column(&[(2.0, 10.0), (3.0, 8.0)]));
}

#[test]
fn each_direction_has_its_own_second_moment() {
    let mut stand = Stand::new(solid());
    let wall = Footing { second_moment_y_mm4: 1000.0, second_moment_x_mm4: 10.0, ..square(10.0, &[]) };
    let response = stand.layer(50.0, &[wall]).unwrap()[0];
    assert!(response.x.per_accel > 10.0 * response.y.per_accel && response.x.frequency_hz < response.y.frequency_hz);
}

#[test]
fn legs_that_meet_share_the_load() {
    let mut stand = Stand::new(solid());
    stand.layer(30.0, &[square(5.0, &[]), square(9.0, &[])]).unwrap();
    let response = stand.layer(4.0, &[square(12.0, &[0, 1, 1])]).unwrap()[0];
    let mut known = Column::join(&[column(&[(30.0, 5.0)]), column(&[(30.0, 9.0)])]);
    known.grow(&slice(4.0, 12.0), &solid());
    answers_as(&response, &known);
}

/// A trunk of 40 mm and two arms: the trunk bears both, each arm only itself.
#[test]
fn fork_by_hand() {
    let mut stand = Stand::new(solid());
    stand.layer(40.0, &[square(10.0, &[])]).unwrap();
    let responses = stand.layer(20.0, &[square(4.0, &[0]), square(6.0, &[0])]).unwrap();
    let (trunk, arms) = (column(&[(40.0, 10.0)]), [column(&[(20.0, 4.0)]), column(&[(20.0, 6.0)])]);
    // Masses of the arms in t, at 10 mm above the fork.
    let mass = 1.1e-9 * 20.0 * (16.0 + 36.0);
    let (bend, shear) = (40.0 / (10_000.0 / 12.0), 40.0 / (6.0 / 7.0 / 3.0 * 100.0));
    let own = 1.1e-9 * 4000.0;
    let moved = own * (bend * 200.0 + shear / 2.0) + mass * (bend * 1600.0 / 3.0 + shear) + mass * 10.0 * bend * 20.0;
    let turned = own * bend * 40.0 / 6.0 + mass * bend * 20.0 + mass * 10.0 * bend;
    for (response, arm) in responses.iter().zip(&arms) {
        near(response.x.per_accel, moved + 20.0 * turned + arm.tip_per_accel());
        // A push at one tip: the trunk feels it with its lever of 20 mm.
        let give = bend * 1600.0 / 3.0 + shear + 2.0 * 20.0 * bend * 20.0 + 400.0 * bend + arm.give_mm_per_n();
        near(response.x.give_mm_per_n, give);
        assert!(response.x.frequency_hz < arm.frequency_hz() && response.x.frequency_hz < trunk.frequency_hz());
        near(response.mass_g, (own + mass) * 1e6);
    }
    // With arms of no mass, the trunk answers as if it were alone.
    assert!(responses[0].x.per_accel > responses[1].x.per_accel);
}

/// Two halves side by side of twice the second moment each are the whole: splitting in thought changes nothing.
#[test]
fn branches_that_grow_together_have_one_trunk() {
    let mut stand = Stand::new(solid());
    stand.layer(40.0, &[square(10.0, &[])]).unwrap();
    stand.layer(20.0, &[square(5.0, &[0]), square(5.0, &[0])]).unwrap();
    let response = stand.layer(10.0, &[square(8.0, &[0, 1])]).unwrap()[0];
    let arm = column(&[(20.0, 5.0)]);
    let mut known = column(&[(40.0, 10.0)]);
    known.stack(&Column::join(&[arm, arm]));
    known.grow(&slice(10.0, 8.0), &solid());
    answers_as(&response, &known);
    assert_eq!(stand.limbs.len() - stand.free.len(), 1, "one limb is left");
}

#[test]
fn an_island_nobody_builds_on_stays_as_mass() {
    let mut stand = Stand::new(solid());
    stand.layer(40.0, &[square(10.0, &[])]).unwrap();
    stand.layer(20.0, &[square(5.0, &[0]), square(9.0, &[0])]).unwrap();
    let response = stand.layer(10.0, &[square(5.0, &[0])]).unwrap()[0];
    let mut known = column(&[(40.0, 10.0)]);
    known.carry(slice(20.0, 9.0).lump(&solid()));
    known.stack(&column(&[(20.0, 5.0), (10.0, 5.0)]));
    answers_as(&response, &known);
    assert_eq!(stand.limbs.len() - stand.free.len(), 1);
}

#[test]
fn what_stands_on_nothing_is_no_stiffer_than_the_softest() {
    let mut stand = Stand::new(solid());
    stand.layer(40.0, &[square(10.0, &[]), square(4.0, &[])]).unwrap();
    let responses = stand.layer(1.0, &[square(10.0, &[0]), square(4.0, &[1]), square(30.0, &[])]).unwrap();
    assert!(responses[2].x.per_accel > column(&[(40.0, 4.0), (1.0, 4.0)]).tip_per_accel());
    // Places that are not in the list count as nothing.
    let responses = stand.layer(1.0, &[square(10.0, &[0, 77])]).unwrap();
    answers_as(&responses[0], &column(&[(40.0, 10.0), (1.0, 10.0), (1.0, 10.0)]));
}

/// A tree that forks at every layer, and one that forks, joins across trunks and drops branches as it likes.
#[test]
fn any_tree_has_finite_answers_and_bounded_memory() {
    let mut stand = Stand::new(solid());
    stand.layer(1.0, &[square(30.0, &[])]).unwrap();
    let mut height = 1.0;
    for layer in 0..60 {
        let side = 20.0 - 0.2 * f64::from(layer);
        let responses = stand.layer(1.0, &[square(side, &[0]), square(1.0 + side / 40.0, &[0]), square(2.0, &[1])]);
        let responses = responses.unwrap().to_vec();
        height += 1.0;
        for response in &responses {
            near(response.height_mm, height);
            assert!(response.x.per_accel > 0.0 && response.x.per_accel.is_finite() && response.x.frequency_hz > 0.0);
        }
        assert!(stand.limbs.len() - stand.free.len() <= 2 * responses.len());
        assert!(stand.tips.iter().all(|tip| stand.trunks(*tip).len() <= MOST_FORKS));
    }
    let mut seed = 7_u64;
    let mut below = 3_u64;
    for _ in 0..3000 {
        let mut draw = |most: u64| {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (seed >> 33) % most
        };
        let now = 1 + draw(6);
        let on: Vec<Vec<u32>> = (0..now).map(|_| (0..draw(4)).map(|_| draw(below) as u32).collect()).collect();
        let footings: Vec<Footing<'_>> = on.iter().map(|on| square(3.0 + on.len() as f64, on)).collect();
        let responses = stand.layer(0.2, &footings).unwrap().to_vec();
        height += 0.2;
        for response in &responses {
            near(response.height_mm, height);
            assert!(response.x.per_accel.is_finite() && response.x.frequency_hz > 0.0);
        }
        assert!(stand.limbs.len() - stand.free.len() <= 2 * responses.len() && stand.limbs.len() < 60);
        below = now;
    }
}

/// Forks as deep as they are followed, against one fork more: the copy must not change the answer of the moment.
#[test]
fn a_copy_answers_as_what_it_was_copied_from() {
    let mut stand = Stand::new(solid());
    stand.layer(2.0, &[square(12.0, &[])]).unwrap();
    for _ in 0..MOST_FORKS + 4 {
        stand.layer(2.0, &[square(10.0, &[0]), square(3.0, &[0]), square(3.0, &[1])]).unwrap();
    }
    for tip in stand.tips.clone() {
        let known = stand.response(tip).unwrap();
        let [x, _] = stand.copied(tip, None);
        near(x.tip_per_accel(), known.x.per_accel);
        near(x.give_mm_per_n(), known.x.give_mm_per_n);
    }
}

#[test]
fn nothing_is_laid_of_a_wrong_layer() {
    let mut stand = Stand::new(solid());
    assert!(stand.layer(0.0, &[square(5.0, &[])]).is_err());
    stand.layer(10.0, &[square(5.0, &[])]).unwrap();
    assert!(stand.layer(1.0, &[square(5.0, &[0]), square(f64::NAN, &[0])]).is_err());
    assert_eq!(stand.layer(1.0, &[]), Ok(&[][..]));
    answers_as(&stand.layer(1.0, &[square(5.0, &[0])]).unwrap()[0], &column(&[(10.0, 5.0), (1.0, 5.0)]));
}

#[test]
fn an_island_that_waits_goes_on_as_if_nothing_had_been_between() {
    let (mut waits, mut alone) = (Stand::new(solid()), Stand::new(solid()));
    alone.layer(1.0, &[square(10.0, &[])]).unwrap();
    let alone = alone.layer(2.0, &[square(8.0, &[0])]).unwrap().to_vec();
    waits.layer(1.0, &[square(10.0, &[]), square(4.0, &[])]).unwrap();
    let stays = Footing { is_laid: false, ..square(1.0, &[0]) };
    let between = waits.layer(0.5, &[square(4.0, &[1]), stays]).unwrap().to_vec();
    assert_eq!(between[1].height_mm, 1.0, "nothing was laid on it");
    let after = waits.layer(2.0, &[square(8.0, &[1])]).unwrap();
    assert_eq!(after, alone);
}
