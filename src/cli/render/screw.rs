//! The estimate of a screw in words, as a drawing and as an account.

use meltwright::physics::estimate::{Densities, Estimate, Limit, Setup};
use meltwright::physics::viscosity::PowerLaw;
use meltwright::units::{Pressure, RotationSpeed, SpecificOutput, VolumeFlow};
use schemars::JsonSchema;
use serde::Serialize;

use super::layout::{Align, Table, paragraph};
use super::number::{decimal, time};
use super::parts::{FOOD, mind};
use super::plot_lines::{Figure, Line};

/// Points of a curve in the drawing.
const POINTS: usize = 100;
/// Depth over bore above which the channel is no longer shallow.
const SHALLOW: f64 = 0.15;

/// Pressure above which heads, seals and drives are mostly overcharged, MPa: common practice with extruders of workshop size, no
/// source; those of printers mostly bear less.
const HIGH_PRESSURE_MPA: f64 = 30.0;

/// A value that was not given.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub struct Assumption {
    /// Of what.
    pub what: &'static str,
    /// The value with its unit.
    pub value: String,
    /// Where it comes from.
    pub why: String,
}

/// All that is told.
#[derive(Clone, Copy, Debug)]
pub struct Report<'a> {
    /// What was estimated.
    pub setup: &'a Setup,
    /// The estimate.
    pub estimate: &'a Estimate,
    /// What was not given.
    pub assumptions: &'a [Assumption],
    /// Bore of the nozzle, mm.
    pub nozzle_mm: f64,
    /// Whether the feedstock is made to be eaten.
    pub food: bool,
}

/// The report.
pub fn text(report: &Report<'_>) -> String {
    let Report { setup, estimate, .. } = report;
    let headline = format!(
        "Estimated from geometry: a capacity of {} as laid ({} g/min), limited by {}.",
        flow(estimate.capacity),
        decimal(estimate.mass_per_min.as_g(), 1),
        words(estimate.limiting)
    );
    let mut text = paragraph("", &headline);
    text.push_str(&format!(
        "\nOperating point at {} rev/min\n{}",
        decimal(setup.speed.as_rpm(), 0),
        point(report).text()
    ));
    text.push_str(&format!("\nLimits and capacity, as laid\n{}", limits(report).text()));
    text.push_str(&format!("\nScrew and nozzle\n{}", figure(report).text()));
    let mut table = Table::new([Align::Left, Align::Left, Align::Left]);
    for assumption in report.assumptions {
        table.row([assumption.what, &assumption.value, &assumption.why]);
    }
    if !report.assumptions.is_empty() {
        text.push_str(&format!("\nNot given, so taken\n{}", table.text()));
    }
    text.push_str(&format!("\nFor the profile, until it is weighed\n  [screw]\n  {}\n", profile_line(report)));
    text.push_str(&cautions(report));
    let food = if report.food { format!("{FOOD}. ") } else { String::new() };
    text.push_str(&mind(&format!(
        "{food}Barrel and nozzle burn, and the turning screw draws fingers in at the feed opening. With a blocked nozzle the \
         pressure above builds up and melt may spurt: stop the drive and let it cool, never look into the nozzle."
    )));
    text
}

/// A melt law in words.
pub fn melt_law(melt: PowerLaw) -> String {
    let places = if melt.consistency() < 100.0 { 2 } else { 0 };
    format!("K {} Pa·s^n, n {}", decimal(melt.consistency(), places), decimal(melt.index(), 2))
}

fn point(report: &Report<'_>) -> Table {
    let Report { setup, estimate, .. } = report;
    let mut table = Table::new([Align::Left, Align::Left]);
    let melt = estimate.point.flow;
    table.row(["output", &format!("{} of melt, {} of it without pressure", flow(melt), flow(estimate.line.drag))]);
    let blocked = match estimate.line.closed_discharge() {
        pressure if pressure.as_mpa().is_finite() => format!(", {} with the nozzle blocked", mpa(pressure)),
        _ => String::new(),
    };
    table.row(["pressure", &format!("{} before the nozzle{blocked}", mpa(estimate.point.pressure))]);
    let channel = format!(
        "{} 1/s in the channel ({} Pa·s), {} 1/s at the wall of the nozzle",
        decimal(estimate.channel_rate, 0),
        decimal(estimate.channel_viscosity.as_pa_s(), 0),
        decimal(estimate.nozzle_rate, 0)
    );
    table.row(["shear rate", &channel]);
    table.row(["strand", &format!("{} mm/s in the nozzle", decimal(estimate.exit_speed_mm_s, 1))]);
    let held = format!("{} cm³ in channel and head", decimal(estimate.melt_volume.as_mm3() * 1e-3, 1));
    table.row(["melt", &format!("{held}, for {} on average at the capacity", time(estimate.residence_s))]);
    let helix = format!("{}°", decimal(estimate.channel.helix().to_degrees(), 1));
    let width = decimal(estimate.channel.width().as_mm(), 1);
    table.row(["channel", &format!("helix angle {helix}, {width} mm wide")]);
    if setup.melt.index() != 1.0 {
        table.row(["melt law", &melt_law(setup.melt)]);
    }
    table
}

fn limits(report: &Report<'_>) -> Table {
    let Report { setup, estimate, .. } = report;
    let mut table = Table::new([Align::Left, Align::Right, Align::Left]);
    for (limit, bound) in &estimate.limits {
        let note = if *limit == estimate.limiting { "the lowest" } else { "" };
        table.row([words(*limit), &flow(*bound), note]);
    }
    let unknown = |table: &mut Table, limit, note| table.row([words(limit), "not known", note]);
    if setup.melting_limit.is_none() {
        unknown(&mut table, Limit::Melting, "the profile says none");
    }
    if setup.pressure_limit.is_none() {
        unknown(&mut table, Limit::Pressure, "--max-pressure");
    }
    let (share, speed) = (decimal(setup.derate, 2), decimal(estimate.speed_at_capacity.as_rpm(), 1));
    let used = format!("the lowest times {share}, at about {speed} rev/min");
    table.row(["capacity", &flow(estimate.capacity), &used]);
    table
}

fn words(limit: Limit) -> &'static str {
    match limit {
        Limit::Pumping => "pumping against the nozzle",
        Limit::Intake => "intake of granules",
        Limit::Melting => "melting",
        Limit::Pressure => "pressure before the nozzle",
    }
}

/// The key of the profile this stands for; provenance assumed.
fn profile_line(report: &Report<'_>) -> String {
    let Report { setup, estimate, nozzle_mm, .. } = report;
    let per_turn = (estimate.specific_output.as_mm3_rev() * 100.0).round() / 100.0;
    format!(
        "specific_output_mm3_rev = {{ value = {per_turn:?}, provenance = \"assumed\", note = \"estimated from geometry: \
         {} mm screw, {} mm deep, {nozzle_mm} mm nozzle, {} rev/min\" }}",
        setup.metering.bore.as_mm(),
        setup.metering.depth_last.as_mm(),
        setup.speed.as_rpm()
    )
}

fn cautions(report: &Report<'_>) -> String {
    let Report { setup, estimate, .. } = report;
    let mut found = pressures(setup, estimate);
    let mut add = |words: &str| found.push(words.to_owned());
    let depth = setup.metering.depth_first.max(setup.metering.depth_last);
    if depth / setup.metering.bore > SHALLOW {
        add(
            "the channel is deep for its bore: the model takes it for shallow (depth below 0.15 of the bore) and gives \
             too much",
        );
    }
    if setup.melt.index() < 1.0 {
        add("drag and pressure flow of a shear-thinning melt do not simply add: the factors used are rough");
    }
    let bound = |wanted| estimate.limits.iter().find(|(limit, _)| *limit == wanted).map(|(_, flow)| *flow);
    if bound(Limit::Intake) < bound(Limit::Pumping) {
        add(
            "loose granules do not fill the channel: a screw deeper at the feed (--compression) or a stuffed feed would \
             help; the pressure above is not reached",
        );
    }
    add(
        "isothermal, no slip, no entrance loss; small screws mostly give less (common practice, no source). Weigh 20 turns \
         before you trust it",
    );
    let lines: String = found.iter().map(|caution| paragraph("  - ", caution)).collect();
    format!("\nCautions\n{lines}")
}

/// Pressures that head, seals or drive may not bear.
fn pressures(setup: &Setup, estimate: &Estimate) -> Vec<String> {
    let (open, blocked) = (estimate.point.pressure, estimate.line.closed_discharge());
    let is_high = |pressure: Pressure| pressure.as_mpa() > HIGH_PRESSURE_MPA;
    let mut found = Vec::new();
    if is_high(open) || setup.pressure_limit.is_none() && is_high(blocked) {
        let (pressure, when) =
            if is_high(open) { (open, "before the nozzle") } else { (blocked, "with the nozzle blocked") };
        found.push(format!(
            "{} {when}: few heads, seals and drives bear more than {HIGH_PRESSURE_MPA} MPa, those of printers mostly less (common \
             practice, no source). See what yours are made for, and give it with --max-pressure",
            mpa(pressure)
        ));
    }
    if let Some(limit) = setup.pressure_limit.filter(|limit| *limit < blocked) {
        let reached = match blocked.as_mpa().is_finite() {
            true => format!("rises to {}", mpa(blocked)),
            false => "rises without a bound".to_owned(),
        };
        found.push(format!(
            "with the nozzle blocked the pressure {reached}, above the {} of --max-pressure, and no file prevents that: a drive \
             that stalls before, a relief or a switch has to",
            mpa(limit)
        ));
    }
    found
}

/// Screw lines at full and half speed, the nozzle line and the operating point.
pub fn figure(report: &Report<'_>) -> Figure {
    let Report { setup, estimate, nozzle_mm, .. } = report;
    let reach = match estimate.line.closed_discharge().as_mpa() {
        closed if closed.is_finite() => closed.min(2.5 * estimate.point.pressure.as_mpa()),
        _ => 2.5 * estimate.point.pressure.as_mpa(),
    };
    let pressures: Vec<f64> = (0..=POINTS).map(|i| reach * i as f64 / POINTS as f64).collect();
    let curve = |flow: &dyn Fn(Pressure) -> VolumeFlow| -> Vec<[f64; 2]> {
        let points = pressures.iter().map(|p| [*p, flow(Pressure::from_mpa(*p)).as_mm3_s()]);
        // The nozzle line leaves the picture where the screw cannot follow.
        points.filter(|point| (0.0..=1.05 * estimate.line.drag.as_mm3_s()).contains(&point[1])).collect()
    };
    let half = RotationSpeed::from_rpm(0.5 * setup.speed.as_rpm());
    let slow = estimate.channel.net(half, setup.melt);
    let rpm = |speed: RotationSpeed| format!("screw at {} rev/min", decimal(speed.as_rpm(), 0));
    let at = estimate.point;
    Figure {
        title: format!("Screw and nozzle, estimated from geometry ({} mm nozzle)", nozzle_mm),
        x_label: "pressure before the nozzle, MPa".to_owned(),
        y_label: "melt, mm³/s".to_owned(),
        lines: vec![
            Line { label: rpm(setup.speed), mark: '*', points: curve(&|p| estimate.line.flow(p)) },
            Line { label: rpm(half), mark: '.', points: curve(&|p| slow.flow(p)) },
            Line { label: "nozzle".to_owned(), mark: 'o', points: curve(&|p| setup.die.flow(p, setup.melt)) },
        ],
        dot: (
            format!("operating point: {} at {}", flow(at.flow), mpa(at.pressure)),
            [at.pressure.as_mpa(), at.flow.as_mm3_s()],
        ),
    }
}

/// A limit in the account.
#[derive(Serialize, JsonSchema)]
struct Bound {
    limit: Limit,
    as_laid_mm3_s: VolumeFlow,
}

/// The account as it serialises; keys are only ever added.
#[derive(Serialize, JsonSchema)]
pub struct Account<'a> {
    basis: &'static str,
    speed_rpm: RotationSpeed,
    drag_flow_mm3_s: VolumeFlow,
    melt_flow_mm3_s: VolumeFlow,
    pressure_mpa: Pressure,
    closed_discharge_mpa: Option<Pressure>,
    channel_shear_rate_1_s: f64,
    nozzle_shear_rate_1_s: f64,
    exit_speed_mm_s: f64,
    melt_volume_mm3: f64,
    residence_s: f64,
    consistency_pa_s_n: f64,
    index: f64,
    densities: Densities,
    limits: Vec<Bound>,
    limiting: Limit,
    /// The lowest of the limits.
    lowest_limit_mm3_s: VolumeFlow,
    /// What the profile counts on: the lowest limit times `screw.derate`.
    capacity_mm3_s: VolumeFlow,
    mass_g_min: f64,
    speed_at_capacity_rpm: RotationSpeed,
    specific_output_mm3_rev: SpecificOutput,
    assumptions: &'a [Assumption],
    profile_line: String,
}

/// The account of an estimate.
pub fn account<'a>(report: &Report<'a>) -> Account<'a> {
    let Report { setup, estimate, .. } = report;
    let bounds = estimate.limits.iter().map(|(limit, flow)| Bound { limit: *limit, as_laid_mm3_s: *flow });
    Account {
        basis: "estimated from geometry",
        speed_rpm: setup.speed,
        drag_flow_mm3_s: estimate.line.drag,
        melt_flow_mm3_s: estimate.point.flow,
        pressure_mpa: estimate.point.pressure,
        closed_discharge_mpa: Some(estimate.line.closed_discharge()).filter(|pressure| pressure.as_mpa().is_finite()),
        channel_shear_rate_1_s: estimate.channel_rate,
        nozzle_shear_rate_1_s: estimate.nozzle_rate,
        exit_speed_mm_s: estimate.exit_speed_mm_s,
        melt_volume_mm3: estimate.melt_volume.as_mm3(),
        residence_s: estimate.residence_s,
        consistency_pa_s_n: setup.melt.consistency(),
        index: setup.melt.index(),
        densities: setup.densities,
        limits: bounds.collect(),
        limiting: estimate.limiting,
        lowest_limit_mm3_s: estimate.lowest,
        capacity_mm3_s: estimate.capacity,
        mass_g_min: estimate.mass_per_min.as_g(),
        speed_at_capacity_rpm: estimate.speed_at_capacity,
        specific_output_mm3_rev: estimate.specific_output,
        assumptions: report.assumptions,
        profile_line: profile_line(report),
    }
}

fn flow(flow: VolumeFlow) -> String {
    super::number::flow(flow.as_mm3_s())
}

fn mpa(pressure: Pressure) -> String {
    let value = pressure.as_mpa();
    format!("{} MPa", decimal(value, if value < 1.0 { 3 } else { 1 }))
}
