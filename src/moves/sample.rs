//! Moves for unit tests.

use crate::moves::{Kind, Move, Role};

/// A bead of the screw along X with a length, mm, and a volume, mm³, at 50 mm/s.
pub fn bead(length: f64, volume: f64) -> Move {
    Move {
        kind: Kind::Bead,
        role: Role::Unknown,
        flags: Move::SCREW,
        feed_decimals: 0,
        line: 0,
        feed_at: 0,
        feed_len: 0,
        e_at: 0,
        e_len: 0,
        e_decimals: 0,
        layer: 1,
        e_count: 0.0,
        flow_factor: 1.0,
        delta: [length, 0.0, 0.0],
        length,
        e: volume,
        volume,
        melt: volume,
        feed_mm_min: 3000.0,
        speed_factor: 1.0,
        speed: 50.0,
        wait_s: 0.0,
        z: 0.2,
    }
}
