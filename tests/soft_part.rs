//! Columns against finite elements that share no code with them, solved by a general-purpose library.

use meltwright::physics::buckling::Tower;
use meltwright::physics::column::{Column, Slice, Solid};
use meltwright::physics::stand::{Footing, Stand};
use meltwright::units::{Density, Modulus};
use nalgebra::{DMatrix, DVector};

/// MPa, g/cm³.
const MODULUS: f64 = 0.8;
const DENSITY: f64 = 1.15;
const POISSON: f64 = 0.48;
const SHEAR_FACTOR: f64 = 0.85;

fn solid() -> Solid {
    Solid::new(Modulus::from_mpa(MODULUS), POISSON, Density::from_g_cm3(DENSITY)).expect("a sound solid")
}

/// Height, depth along the sway, width across it, mm.
type Block = (f64, f64, f64);

/// Blocks made up from a seed.
fn blocks(mut seed: u64, count: usize) -> Vec<Block> {
    let mut draw = |low: f64, high: f64| {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        low + (high - low) * ((seed >> 11) as f64 / (1_u64 << 53) as f64)
    };
    (0..count).map(|_| (draw(3.0, 25.0), draw(4.0, 30.0), draw(4.0, 30.0))).collect()
}

fn column(blocks: &[Block]) -> Column {
    let mut column = Column::clamped();
    for (height, deep, wide) in blocks {
        let slice = Slice::new(*height, deep * wide, wide * deep.powi(3) / 12.0, SHEAR_FACTOR).expect("a sound slice");
        column.grow(&slice, &solid());
    }
    column
}

/// Timoshenko elements between nodes, two unknowns each (deflection and rotation), mass lumped halfway to both ends.
struct Frame {
    stiffness: DMatrix<f64>,
    mass: DVector<f64>,
}

impl Frame {
    fn new(nodes: usize) -> Self {
        Self { stiffness: DMatrix::zeros(2 * nodes, 2 * nodes), mass: DVector::zeros(2 * nodes) }
    }

    /// An element between two nodes; node 0 is the clamped bed and has no unknowns.
    fn add(&mut self, from: usize, to: usize, (h, deep, wide): Block) {
        let (area, second) = (deep * wide, wide * deep.powi(3) / 12.0);
        let ei = MODULUS * second;
        let phi = 12.0 * ei / (SHEAR_FACTOR * MODULUS / (2.0 * (1.0 + POISSON)) * area * h * h);
        let f = ei / (h.powi(3) * (1.0 + phi));
        let (a, b, c, d) = (12.0 * f, 6.0 * h * f, (4.0 + phi) * h * h * f, (2.0 - phi) * h * h * f);
        let local = [[a, b, -a, b], [b, c, -b, d], [-a, -b, a, -b], [b, d, -b, c]];
        let place = |index: usize| {
            let node = if index < 2 { from } else { to };
            (node > 0).then(|| 2 * (node - 1) + index % 2)
        };
        for (i, row) in local.iter().enumerate() {
            for (j, value) in row.iter().enumerate() {
                if let (Some(i), Some(j)) = (place(i), place(j)) {
                    self.stiffness[(i, j)] += value;
                }
            }
        }
        for end in [0, 2] {
            if let Some(at) = place(end) {
                self.mass[at] += 0.5 * DENSITY * 1e-9 * area * h;
            }
        }
    }

    /// Displacements under unit acceleration.
    fn swayed(&self) -> DVector<f64> {
        self.stiffness.clone().lu().solve(&self.mass).expect("a structure that stands")
    }

    /// Lowest frequency, Hz: the largest eigenvalue of M^(1/2) K⁻¹ M^(1/2).
    fn frequency(&self) -> f64 {
        let flexibility = self.stiffness.clone().try_inverse().expect("a structure that stands");
        let root = DMatrix::from_diagonal(&self.mass.map(f64::sqrt));
        let most = (&root * flexibility * &root).symmetric_eigenvalues().max();
        most.sqrt().recip() / std::f64::consts::TAU
    }
}

/// A stack of elements; each block in pieces.
fn frame(blocks: &[Block], pieces: usize) -> Frame {
    let mut frame = Frame::new(blocks.len() * pieces);
    let mut node = 0;
    for (height, deep, wide) in blocks {
        for _ in 0..pieces {
            frame.add(node, node + 1, (height / pieces as f64, *deep, *wide));
            node += 1;
        }
    }
    frame
}

#[test]
fn random_stacks_as_by_finite_elements() {
    for seed in 0..12 {
        let blocks = blocks(seed, 2 + seed as usize % 6);
        let column = column(&blocks);
        let frame = frame(&blocks, 16);
        let nodes = frame.mass.len();
        let tip = frame.swayed()[nodes - 2];
        assert!((column.tip_per_accel() / tip - 1.0).abs() < 2e-3, "{seed}: {} {tip}", column.tip_per_accel());
        let mut push = DVector::zeros(nodes);
        push[nodes - 2] = 1.0;
        let give = frame.stiffness.clone().lu().solve(&push).expect("a stack that stands")[nodes - 2];
        assert!((column.give_mm_per_n() / give - 1.0).abs() < 1e-9, "{seed}");
        // From above; how far depends on the shape: a wide foot under a thin tower is the worst.
        let (got, known) = (column.frequency_hz(), frame.frequency());
        assert!(got > known * 0.998 && got < known * 1.12, "{seed}: {got} {known}");
    }
}

/// A trunk with two arms of different height and strength, in one solve.
#[test]
fn a_tree_as_by_finite_elements() {
    let (trunk, thin, thick): (Block, Block, Block) = ((30.0, 12.0, 10.0), (40.0, 4.0, 6.0), (40.0, 9.0, 8.0));
    let pieces = 40;
    let mut frame = Frame::new(3 * pieces);
    let cut = |(height, deep, wide): Block| (height / pieces as f64, deep, wide);
    for (start, block, first) in [(0, trunk, 0), (pieces, thin, pieces), (2 * pieces, thick, pieces)] {
        for piece in 0..pieces {
            frame.add(if piece == 0 { first } else { start + piece }, start + piece + 1, cut(block));
        }
    }
    let swayed = frame.swayed();
    let mut stand = Stand::new(solid());
    let footing = |(_, deep, wide): Block, on: &'static [u32]| Footing {
        area_mm2: deep * wide,
        second_moment_x_mm4: wide * deep.powi(3) / 12.0,
        second_moment_y_mm4: deep * wide.powi(3) / 12.0,
        shear_factor: SHEAR_FACTOR,
        on,
        is_laid: true,
        height_mm: None,
    };
    stand.layer(trunk.0, &[footing(trunk, &[])]).expect("a sound trunk");
    let arms = stand.layer(thin.0, &[footing(thin, &[0]), footing(thick, &[0])]).expect("sound arms");
    for (arm, node) in arms.iter().zip([2 * pieces, 3 * pieces]) {
        let tip = swayed[2 * (node - 1)];
        assert!((arm.x.per_accel / tip - 1.0).abs() < 1e-3, "{} {tip}", arm.x.per_accel);
    }
    let known = frame.frequency();
    let got = arms[0].x.frequency_hz.min(arms[1].x.frequency_hz);
    // From above: 11.4 % as measured, since the other arm is taken to move with the fork as a rigid body.
    assert!(got > known * 0.999 && got < known * 1.12, "{got} {known}");
}

/// Self-weight as an eigenvalue of linear elements for the inclination: (E I psi')' = -lambda N psi.
#[test]
fn random_towers_buckle_as_by_finite_elements() {
    for seed in 20..28 {
        let blocks = blocks(seed, 5);
        let pieces = 40;
        let nodes = blocks.len() * pieces;
        let (mut bending, mut load) = (DMatrix::<f64>::zeros(nodes, nodes), DMatrix::<f64>::zeros(nodes, nodes));
        let mut tower = Tower::default();
        let mut weight: f64 = blocks.iter().map(|(h, a, b)| DENSITY * 1e-9 * 9806.65 * h * a * b).sum();
        let mut element = 0;
        for (height, deep, wide) in &blocks {
            let second = (wide * deep.powi(3)).min(deep * wide.powi(3)) / 12.0;
            tower.grow(*height, deep * wide, second).expect("a sound block");
            let h = height / pieces as f64;
            for _ in 0..pieces {
                let own = DENSITY * 1e-9 * 9806.65 * h * deep * wide;
                let (k, n) = (MODULUS * second / h, (weight - 0.5 * own) * h / 6.0);
                weight -= own;
                for (i, j, k, n) in [(0, 0, k, 2.0 * n), (0, 1, -k, n), (1, 0, -k, n), (1, 1, k, 2.0 * n)] {
                    // Node 0 is the bed, where nothing inclines.
                    if element + i > 0 && element + j > 0 {
                        bending[(element + i - 1, element + j - 1)] += k;
                        load[(element + i - 1, element + j - 1)] += n;
                    }
                }
                element += 1;
            }
        }
        // Smallest lambda of K psi = lambda N psi: the largest of L⁻¹ N L⁻ᵀ, K = L Lᵀ.
        let lower = bending.cholesky().expect("a stiff tower").l();
        let half = lower.solve_lower_triangular(&load).expect("a stiff tower");
        let most =
            lower.solve_lower_triangular(&half.transpose()).expect("a stiff tower").symmetric_eigenvalues().max();
        let got = tower.critical_factor(&solid());
        assert!((got * most - 1.0).abs() < 2e-3, "{seed}: {got} {}", most.recip());
    }
}
