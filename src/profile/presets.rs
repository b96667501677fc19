//! Rules of the known controller behaviours, as data.
//!
//! Each preset sets every rule of `[controller]`, and those keys of `[machine]` whose meaning depends on the controller;
//! a profile lays its own keys over it.
//! The rules were read in public source and measured on whole files; builds differ, so all are assumed.

use super::Preset;

/// Plans on a computer beside the printer: refuses long E-only lines and thick beads, dwells on `P` alone.
const HOST: &str = r#"
[controller]
initial_feed_mm_s = 25.0
dwell = "p-only"
max_e_only_mm = 50.0
max_e_per_line_mm = "none"
max_bead_area_per_nozzle_sq = 4.0
excess_e = "split"
accel_words = "all-moves"
g90_sets_e = false
limit_words = "named"
min_cruise_share = 0.5
e_step_mm_s = 1.0
e_only_speed_mm_s = 120.0
e_only_accel_mm_s2 = 3000.0
look_ahead_moves = "none"

[machine]
corner = { rule = "right-angle-speed", mm_s = 5.0 }
axis_speed_mm_s = "none"
axis_accel_mm_s2 = "none"
"#;

/// Plans in the printer's microcontroller: drops the E of any line that asks for too much and moves on dry.
const BOARD: &str = r#"
[controller]
initial_feed_mm_s = 66.7
dwell = "s-wins"
max_e_only_mm = 200.0
max_e_per_line_mm = 200.0
max_bead_area_per_nozzle_sq = "none"
excess_e = "split"
accel_words = "beads"
g90_sets_e = false
limit_words = "per-second"
min_cruise_share = 0.0
e_step_mm_s = "none"
e_only_speed_mm_s = "none"
e_only_accel_mm_s2 = 3000.0
look_ahead_moves = 15

[machine]
corner = { rule = "deviation", mm = 0.013 }
axis_speed_mm_s = [300.0, 300.0, 20.0, 120.0]
axis_accel_mm_s2 = [3000.0, 3000.0, 200.0, 10000.0]
"#;

/// Network board with its own configuration files: no limit on E or bead area is known.
const NETWORK: &str = r#"
[controller]
initial_feed_mm_s = 50.0
dwell = "s-wins"
max_e_only_mm = "none"
max_e_per_line_mm = "none"
max_bead_area_per_nozzle_sq = "none"
excess_e = "split"
accel_words = "beads"
g90_sets_e = false
limit_words = "per-minute"
min_cruise_share = 0.0
e_step_mm_s = "none"
e_only_speed_mm_s = "none"
e_only_accel_mm_s2 = 3000.0
look_ahead_moves = 40

[machine]
corner = { rule = "axis-step", mm_s = [10.0, 10.0, 0.3, 5.0] }
axis_speed_mm_s = [300.0, 300.0, 20.0, 120.0]
axis_accel_mm_s2 = [3000.0, 3000.0, 200.0, 10000.0]
"#;

/// The rules of a preset, as TOML. `custom` starts from the strictest, those of `host`.
pub(super) const fn rules(preset: Preset) -> &'static str {
    match preset {
        Preset::Host | Preset::Custom => HOST,
        Preset::Board => BOARD,
        Preset::Network => NETWORK,
    }
}
