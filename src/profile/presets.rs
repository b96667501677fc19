//! Rules of the known controller behaviours, as data.
//!
//! Each preset is the text of a `[controller]` section and sets every rule; a profile lays its own keys over it.
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
g90_sets_e = false
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
g90_sets_e = false
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
g90_sets_e = false
"#;

/// The rules of a preset, as TOML. `custom` starts from the strictest, those of `host`.
pub(super) const fn rules(preset: Preset) -> &'static str {
    match preset {
        Preset::Host | Preset::Custom => HOST,
        Preset::Board => BOARD,
        Preset::Network => NETWORK,
    }
}
