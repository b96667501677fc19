//! Summaries written by hand, for tests of their text.

use meltwright::summary::{
    AssumedValue, Bin, Changes, E_AS_IN_FILE, Figures, Finding, HopperPlan, HourMark, LargestChange, Level, Place,
    PlaceKind, Reason, ReasonCount, Record, Refill, ScrewFigures, Share, Summary,
};

/// A print of casting pads that asks too much in places.
pub fn pads() -> Summary {
    let before = Figures {
        time_s: 6_420.0,
        peak_demand_mm3_s: 38.2,
        sustained_demand_mm3_s: 17.4,
        volume_mm3: 81_204.3,
        mass_g: 92.57,
        layers: 120,
        moves: 41_233,
        beads: 20_113,
        travels: 19_000,
        e_only: 2_100,
        other_moves: 20,
        bead_volume_mm3: 80_950.0,
        bead_path_mm: 53_967.0,
        travel_path_mm: 210_400.0,
    };
    let after = Figures {
        time_s: 7_800.0,
        peak_demand_mm3_s: 21.0,
        sustained_demand_mm3_s: 16.0,
        moves: 41_240,
        beads: 20_120,
        ..before.clone()
    };
    let share = |name: &str, slowed| Share {
        name: name.to_owned(),
        beads: 12_345,
        slowed,
        volume_mm3: 60_000.4,
        time_before_s: 4_000.0,
        time_after_s: 5_200.0,
        peak_before_mm3_s: 38.2,
        peak_after_mm3_s: if slowed > 0 { 21.0 } else { 38.2 },
    };
    let bin = |from, to, before, after| Bin {
        from,
        to,
        time_before_s: before,
        time_after_s: after,
        volume_before_mm3: before * 10.0,
        volume_after_mm3: after * 10.0,
    };
    Summary {
        before,
        after,
        changes: Changes {
            moves_slowed: 1_296,
            beads_slowed: 1_284,
            by_reason: vec![
                ReasonCount { reason: Reason::PeakCapacity, moves: 1_100, time_added_s: 1_100.0 },
                ReasonCount { reason: Reason::SustainedCapacity, moves: 184, time_added_s: 277.0 },
                ReasonCount { reason: Reason::ScrewSpeed, moves: 12, time_added_s: 3.0 },
            ],
            feeds_written: 1_530,
            accelerations_written: 311,
            lines_added: 15,
            lines_removed: 24,
            lines_split: 7,
            roles: vec![share("infill", 1_284), share("perimeter", 0)],
            layer_bands: vec![share("1-12", 900), share("13-24", 384)],
            histogram: vec![
                bin(0.0, Some(0.5), 1_200.0, 1_200.0),
                bin(0.5, Some(0.9), 2_400.0, 2_500.0),
                bin(0.9, Some(1.0), 600.0, 3_600.0),
                bin(1.0, Some(1.5), 1_000.0, 0.0),
                bin(1.5, None, 20.0, 0.0),
            ],
            largest: vec![LargestChange {
                line: 181_204,
                layer: 7,
                z_mm: 10.5,
                role: "infill",
                reason: Reason::PeakCapacity,
                speed_before_mm_s: 60.0,
                speed_after_mm_s: 33.0,
                demand_before_mm3_s: 38.2,
                demand_after_mm3_s: 21.0,
                time_added_s: 1.9,
            }],
            ..Changes::default()
        },
        screw: ScrewFigures {
            lag_compensation: "at-rest",
            e_unit: E_AS_IN_FILE.to_owned(),
            beads_mm3: 80_950.0,
            charged_mm3: 2_310.4,
            relieved_mm3: 2_080.1,
            drooled_mm3: 41.7,
            stored_at_end_mm3: 0.2,
            charges: 1_140,
            reliefs: 1_139,
            replaced: 2_120,
            longest_idle_s: 14.2,
        },
        replay: None,
        assumed: vec![AssumedValue {
            key: "screw.max_speed_rpm".to_owned(),
            value: "120.0".to_owned(),
            origin: "default".to_owned(),
        }],
        findings: vec![
            Finding {
                level: Level::Error,
                code: "e-only-too-long",
                what: "a line without motion asks more E than the controller takes in one line".to_owned(),
                why: "the print ends there".to_owned(),
                help: "let the rewrite split it, or shorten the purge in the start commands".to_owned(),
                count: 1,
                places: vec![place(14, 0.0)],
                worst_first: false,
            },
            Finding {
                level: Level::Warning,
                code: "starved",
                what: "beads ask more than the peak capacity".to_owned(),
                why: "starved beads are thin and bond badly".to_owned(),
                help: "rewrite the file, or slice with a thinner or slower bead so that the flow stays \
                    under what the screw can give"
                    .to_owned(),
                count: 1_284,
                places: (1..=10).map(|n| place(181_204 + n, 10.5)).collect(),
                worst_first: true,
            },
        ],
        provenance: Record {
            tool: "meltwright",
            version: "0.1.0",
            profile: "shop.toml (named on the command line)".to_owned(),
            profile_fingerprint: "0badcafe".to_owned(),
            passes: vec!["capacity"],
            input_bytes: 4_203_112,
            output_bytes: 4_218_020,
            input_lines: 181_300,
            input_sha256: "00c0ffee".to_owned(),
            output_sha256: "00facade".to_owned(),
            input_is_output: false,
            input_written_with: None,
            e_unit: "mm of a strand of 1.75 mm, from the file".to_owned(),
            peak_capacity_mm3_s: 21.0,
            sustained_capacity_mm3_s: 16.0,
            sustained_window_s: 60.0,
        },
        ..Summary::default()
    }
}

/// The same print where nothing had to be changed.
pub fn calm() -> Summary {
    let mut summary = pads();
    summary.before.peak_demand_mm3_s = 19.5;
    summary.after = summary.before.clone();
    summary.changes = Changes::default();
    summary.screw =
        ScrewFigures { lag_compensation: "none", e_unit: E_AS_IN_FILE.to_owned(), ..ScrewFigures::default() };
    summary.findings.clear();
    summary.assumed.clear();
    summary
}

/// The first print, from a cup that is refilled twelve times.
pub fn refilled() -> Summary {
    let refill = |n: u32| Refill {
        time_s: 600.0 * f64::from(n),
        line: 14_000 * u64::from(n),
        layer: 9 * u64::from(n),
        z_mm: 13.5 * f64::from(n),
        place: [PlaceKind::LayerChange, PlaceKind::Hidden, PlaceKind::Visible][n as usize % 3],
        used_g: 7.1 * f64::from(n),
        left_g: 0.9,
        refill_g: 7.1,
        refill_l: 0.011_27,
        purge_g: 0.0,
    };
    let plan = HopperPlan {
        total_g: 90.95,
        total_l: 0.144_4,
        bulk_density_g_cm3: 0.63,
        bulk_density_assumed: true,
        cost: Some(1.18),
        usable_g: Some(8.0),
        margin_g: Some(0.5),
        refills: (1..=12).map(refill).collect(),
        left_at_end_g: Some(2.25),
        pauses_written: 0,
        pauses_parked: 0,
        purged_mm3: 0.0,
        hourly: [(1, 42.6), (2, 85.2)].map(|(hour, used_g)| HourMark { hour, used_g }).into(),
    };
    Summary { hopper: Some(plan), ..pads() }
}

fn place(line: u64, z_mm: f64) -> Place {
    Place { line, layer: 7, z_mm, time_s: None, detail: "38.2 mm³/s, infill".to_owned() }
}
