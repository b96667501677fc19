use super::*;

/// At 5 s a drool holds what 30 s of turning have stored. At 120 rev/min the screw would have to stop after 3.8 s; at 24
/// it may turn for 19 s, the longest of all speeds, and 1 - e^(-19/5) = 97.8 % is stored.
#[test]
fn the_screw_turns_until_the_store_is_full() {
    let plan = |set: &[&str]| {
        let set: Vec<_> = set.iter().map(|text| text.parse().expect("an assignment")).collect();
        let profile = Profile::embedded_with(&set).expect("a sound profile");
        let options = PlanOptions { stops: Some(1), ..PlanOptions::default() };
        let drool = Plan::new(&profile, &options).expect("a plan").drool;
        (drool.rpm, drool.seconds_before, drool.expected_g)
    };
    let (rpm, before_s, _) = plan(&["screw.melt_lag_s=0.4"]);
    assert_eq!((rpm, before_s), (120.0, 20.0));
    let (rpm, before_s, _) = plan(&["screw.melt_lag_s=5"]);
    assert_eq!((rpm, before_s), (120.0, 30.0));
    let of_low = ["screw.melt_lag_s=5", "screw.sustained_flow_mm3_s=2", "feedstock.density_g_cm3=1"];
    let (rpm, before_s, grams) = plan(&of_low);
    assert!(rpm == 24.0 && (before_s - 19.0).abs() < 0.01, "{rpm} {before_s}");
    assert!((grams - 6e-3 * 5.0 * 0.9776).abs() < 1e-5, "{grams}");
}

/// By hand, at 15 mm³ a turn and 120 rev/min, 30 mm³/s, and 1.12 g/cm³: a lag of 0.4 s stores 12 mm³, 0.01344 g a stop, so
/// that eight stops give 0.1 g; one of 0.1 s a quarter, for which thirty would be needed; one of 4 s gives it at once.
#[test]
fn the_drool_gives_ten_steps_of_a_scale() {
    let drool = |lag_s: &str, stops| {
        let set = [format!("screw.melt_lag_s={lag_s}").parse().expect("an assignment")];
        let profile = Profile::embedded_with(&set).expect("a sound profile");
        let drool = Plan::new(&profile, &PlanOptions { stops, ..PlanOptions::default() }).expect("a plan").drool;
        (drool.stops, (drool.expected_g * 1e4).round() / 1e4)
    };
    assert_eq!(drool("0.4", None), (8, 0.1075));
    assert_eq!(drool("0.1", None), (20, 0.0672));
    assert_eq!(drool("4", None).0, 1);
    assert_eq!(drool("0", None), (1, 0.0));
    assert_eq!(drool("0.4", Some(3)), (3, 0.0403));
}

/// 10 mm³ a turn: 5 mm³/s at 30 rev/min, and 20 at 120, of which the screw keeps up 10 over a minute.
fn in_bursts(options: PlanOptions) -> Plan {
    let set = [
        "screw.specific_output_mm3_rev=10",
        "screw.melting_limit_mm3_s=none",
        "screw.derate=1",
        "screw.sustained_flow_mm3_s=10",
        "screw.sustained_window_s=60",
    ];
    let set: Vec<_> = set.iter().map(|text| text.parse().expect("an assignment")).collect();
    Plan::new(&Profile::embedded_with(&set).expect("a sound profile"), &options).expect("a plan")
}

/// At 120 rev/min the screw may turn for 0.95 * 60 * 10 / 20 = 28.5 s, so that 50 s are two bursts of 25 s and the 30 s
/// before the first run two of 15 s; with any 15 s of turning a window of 60 s has 45 s of rest. Before the drool
/// it turns for 20 s, and 15 s are collected.
#[test]
fn rests_and_the_time_of_a_test_by_hand() {
    let options = PlanOptions {
        speeds_rpm: vec![30.0, 120.0],
        repeats: 1,
        seconds: Some(50.0),
        soak_s: 100.0,
        settle_s: 30.0,
        pause: Pause::Dwell(30.0),
        stops: Some(2),
        ..PlanOptions::default()
    };
    let plan = in_bursts(options.clone());
    let bursts: Vec<u32> = [plan.settle].iter().chain(&plan.runs).map(|run| run.bursts).collect();
    assert_eq!((bursts, plan.drool.seconds_before, plan.drool.seconds), (vec![2, 1, 2], 20.0, 15.0));
    assert_eq!(plan.rest_s, 45.0);
    // Pauses are no shorter than rests: 100 + (30 + 45 + 45) + (50 + 45) + (50 + 45 + 45) + 2 * (20 + 15 + 45).
    assert_eq!((plan.total_s, plan.pause), (615.0, Pause::Dwell(45.0)));
    let command = in_bursts(PlanOptions { pause: Pause::Command("PAUSE".to_owned()), ..options.clone() });
    assert_eq!((command.rest_s, command.total_s), (45.0, 615.0));
    // Five pauses of a minute in place of 45 s.
    assert_eq!(in_bursts(PlanOptions { pause: Pause::Dwell(60.0), ..options }).total_s, 690.0);
}

/// What the sheet says reads back, and is what the file does.
#[test]
fn a_sheet_names_the_lot_and_the_temperature_of_the_test() {
    let plan = |lot: &str| {
        let lot = format!("feedstock.lot={lot:?}").parse().expect("an assignment");
        let options = PlanOptions { temperature_c: Some(210.55), ..PlanOptions::default() };
        Plan::new(&Profile::embedded_with(&[lot]).expect("a sound profile"), &options)
    };
    let planned = plan("117 / a").expect("a plan");
    let (gcode, sheet) = (planned.gcode(), planned.sheet());
    assert!(gcode.contains("M109 S210.6\n") && sheet.contains("\ntemperature_c,210.6,"), "{sheet}");
    for lot in ["a;b", "a=b"] {
        assert!(plan(lot).is_err_and(|error| error.to_string().contains("lot")), "{lot}");
    }
}

/// The shortest stretch of turning decides, whichever it is; a purge that is left out is none.
#[test]
fn rests_follow_the_shortest_stretch() {
    let rest = |speeds: &[f64], seconds: f64, settle_s: f64| {
        let speeds_rpm = speeds.to_vec();
        in_bursts(PlanOptions { speeds_rpm, seconds: Some(seconds), settle_s, ..PlanOptions::default() }).rest_s
    };
    // Two bursts of 25 s, or of 15 s, or none; 20 s before the drool; 40 s before the first run in two, or 10 s in one.
    assert_eq!(rest(&[30.0, 120.0], 50.0, 0.0), 40.0);
    assert_eq!(rest(&[30.0, 120.0], 30.0, 0.0), 45.0);
    assert_eq!(rest(&[30.0, 120.0], 25.0, 0.0), 40.0);
    assert_eq!(rest(&[30.0, 120.0], 50.0, 40.0), 40.0);
    assert_eq!(rest(&[30.0, 120.0], 50.0, 10.0), 50.0);
    // 5 mm³/s may flow for ever.
    assert_eq!(rest(&[30.0], 50.0, 60.0), 0.0);
}
