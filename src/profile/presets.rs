//! Rules of the known controller behaviours, as data.
//!
//! Each preset sets every rule of `[controller]`, and those keys of `[machine]` whose meaning depends on the controller;
//! a profile lays its own keys over it. The rules were read in public source and measured on whole files; builds differ, so all are assumed. From memory,
//! not checked: that `host` skips `M302`, that `board` carries out only the first of several G commands on a line, and
//! that `network` reads lower case, leading zeros, modal lines and parentheses.

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
corner_words = "named"
g90_sets_e = false
flow_factor_at_rest = true
max_flow_percent = "none"
limit_words = "named"
min_cruise_share = 0.5
e_step_mm_s = 1.0
e_only_speed_mm_s = 120.0
e_only_accel_mm_s2 = 3000.0
look_ahead_moves = "none"
max_step_rate_hz = "none"
lag_commands = "as-needed"
excess_e_is = "refused"
exponent = "word"
max_line_characters = "none"
arcs = "centre-absolute"
refused_commands = ["G20"]
skipped_commands = [
    "G5", "G53", "G54", "G55", "M0", "M200", "M201", "M203", "M205", "M290", "M302", "M572", "M900",
]
optional_commands = ["G2", "G3", "G10", "G11", "G29"]
own_commands = []
named_commands = true
leading_zeros = false
lower_case = true
several_commands = false
modal_lines = false
parentheses = false
zero_feed = false
zero_settings = false
lone_accel_words = false
max_lag_smoothing_s = 0.2
needs_homing = true
motors_off_unhomes = true
min_extrude_temperature_c = 170.0
max_absolute_e = "none"
needs_final_line_end = true
needs_utf8 = true

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
corner_words = "by-rule"
g90_sets_e = false
flow_factor_at_rest = true
max_flow_percent = "none"
limit_words = "per-second"
min_cruise_share = 0.0
e_step_mm_s = "none"
e_only_speed_mm_s = "none"
e_only_accel_mm_s2 = 3000.0
look_ahead_moves = 15
max_step_rate_hz = "none"
lag_commands = "as-needed"
excess_e_is = "dropped"
exponent = "cut"
max_line_characters = 95.0
arcs = "any"
refused_commands = []
skipped_commands = ["G54", "G55", "M572"]
optional_commands = ["G2", "G3", "G5", "G10", "G11", "G20", "G29"]
own_commands = []
named_commands = false
leading_zeros = true
lower_case = false
several_commands = false
modal_lines = false
parentheses = true
zero_feed = true
zero_settings = false
lone_accel_words = true
max_lag_smoothing_s = "none"
needs_homing = false
motors_off_unhomes = false
min_extrude_temperature_c = 170.0
max_absolute_e = 65536.0
needs_final_line_end = false
needs_utf8 = false

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
corner_words = "by-rule"
g90_sets_e = false
flow_factor_at_rest = false
max_flow_percent = 200.0
limit_words = "per-minute"
min_cruise_share = 0.0
e_step_mm_s = "none"
e_only_speed_mm_s = "none"
e_only_accel_mm_s2 = 3000.0
look_ahead_moves = 40
max_step_rate_hz = "none"
lag_commands = "as-needed"
excess_e_is = "dropped"
exponent = "number"
max_line_characters = 256.0
arcs = "any"
refused_commands = []
skipped_commands = []
optional_commands = []
own_commands = []
named_commands = false
leading_zeros = true
lower_case = true
several_commands = true
modal_lines = true
parentheses = true
zero_feed = true
zero_settings = true
lone_accel_words = true
max_lag_smoothing_s = "none"
needs_homing = false
motors_off_unhomes = false
min_extrude_temperature_c = "none"
max_absolute_e = "none"
needs_final_line_end = false
needs_utf8 = false

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
