//! The account of a finished run.

use std::io::Read;

use sha2::{Digest, Sha256};

use super::assemble;
use super::drive::How;
use super::intake::Intake;
use super::ledger::Ledger;
use super::part;
use super::run::Run;
use super::screw_account::ScrewAccount;
use super::scribe::Scribe;
use crate::error::{Error, Result};
use crate::findings::number::decimal;
use crate::findings::{Code, Findings, Place};
use crate::hopper::HopperPlan;
use crate::moves::settings::FileSettings;
use crate::passes::e_count::Unit;
use crate::profile::{Cooling, EUnit, LagCompensation, OutputUnit, Profile, Provenance};
use crate::soft::SoftPlan;
use crate::summary::{AssumedValue, E_AS_IN_FILE, Record, ScrewFigures, Summary};
use crate::units::{Density, Volume};
use crate::weigh::stale;

/// Gathers the account of a finished run. `soft`: what is known of the part.
pub fn summary(
    run: &Run<'_>,
    intake: Intake,
    soft: Option<SoftPlan>,
    (scribe, ledger): (Scribe, Ledger),
    record: Record,
) -> Summary {
    let Run { profile, ref capacity, .. } = *run;
    let Scribe { written, findings: mut demands, drive, pauses, stay, .. } = scribe;
    let Ledger { tally, findings: reported, granules, beads, inspection, clock, mut course, mut outline, .. } = ledger;
    demands.merge(reported);
    if let Some(mut beads) = beads {
        beads.finish(&mut demands);
    }
    if let Some(course) = &mut course {
        course.finish();
    }
    if let Some(outline) = &mut outline {
        outline.finish();
    }
    let layers = u64::from(intake.resolver.layer_count());
    let (volume, mut findings) = (intake.laid_mm3(), intake.resolver.findings);
    findings.merge(demands);
    note_nozzle(profile, run.settings, &mut findings);
    note_strand(profile, run.settings, &mut findings);
    note_cooling(run, &mut findings);
    note_stale(profile, &mut findings);
    note_long_lag(profile, &mut findings);
    if let Some([before, now]) = other_profile(profile, run.settings) {
        let detail = format!("{before} in the file, {now} now");
        findings.add(Code::OtherProfile, || Place::of_file(detail));
    }
    let is_written = record.output_bytes > 0;
    // An output that leaves the lag to the controller bears no mark of it.
    let by_controller = profile.screw.lag_compensated_by.value == LagCompensation::Controller;
    let is_mended =
        run.rules.e_leads || is_written && run.choice.how != How::Not || run.settings.is_rewritten && by_controller;
    let stops = inspection.finish(volume, is_mended, &mut findings);
    let mut hopper = granules.finish(profile, &mut findings);
    if let Some(plan) = &mut hopper {
        plan.pauses_written = pauses.written;
        plan.pauses_parked = pauses.parked;
        let purges = plan.refills.iter().filter(|refill| refill.purge_g > 0.0).count();
        plan.purged_mm3 = purges as f64 * profile.hopper.purge_mm3.value;
    }
    let looked_at_part = stay.is_some();
    let part = stay.zip(soft).map(|(stay, plan)| part::figures(stay, plan, &mut findings));
    if is_written {
        note_output(run, &mut findings);
        note_pauses(run, hopper.as_ref(), &mut findings);
        note_purge(run, pauses.written, &mut findings);
    }
    let (before, mut after, mut changes) = tally.finish(volume, profile.feedstock.density_g_cm3.value, layers);
    let density = Density::from_g_cm3(profile.feedstock.density_g_cm3.value);
    if is_written && run.feeds_by_account() {
        note_volume(volume, &drive.account, &mut findings);
        after.volume_mm3 = drive.account.fed_mm3;
        after.mass_g = (Volume::from_mm3(after.volume_mm3) * density).as_g();
    }
    let turns = drive.account.turn_lines;
    let purged = Volume::from_mm3(drive.account.purged_mm3);
    after.volume_mm3 += purged.as_mm3();
    after.mass_g += (purged * density).as_g();
    after.travel_path_mm += pauses.way_mm + written.stripped_mm;
    after.travels += pauses.ways;
    after.beads = (after.beads + written.beads_added).saturating_sub(drive.account.hollow);
    after.e_only = after.e_only + written.e_only_added + turns - written.e_only_removed;
    after.travels += written.stripped;
    after.other_moves = after.other_moves + written.other_added + drive.account.hollow - written.stripped;
    after.moves = after.moves + written.beads_added + written.e_only_added + written.other_added + turns + pauses.ways;
    after.moves -= written.e_only_removed;
    changes.feeds_written = written.feeds;
    changes.accelerations_written = pauses.in_force.accels_written;
    changes.corner_rules_written = pauses.in_force.corners_written;
    // The marker is a line too, wherever a file is rewritten.
    changes.lines_added = written.lines_added + u64::from(is_written);
    changes.lines_removed = written.lines_removed;
    changes.lag_commands_taken_out = written.taken_out;
    changes.lines_split = written.lines_split;
    let mut keys = capacity.depends_on.clone();
    keys.extend(["feedstock.density_g_cm3", "machine.max_accel_mm_s2", "machine.max_speed_mm_s", "machine.corner"]);
    if profile.screw.e_unit.value == EUnit::VirtualFilament && profile.screw.virtual_diameter_mm.value.is_some() {
        keys.push("screw.virtual_diameter_mm");
    }
    if is_written && run.choice.how != How::Not {
        keys.push("screw.melt_lag_s");
    }
    let output_unit = profile.screw.output_e_unit.value;
    let counts_anew = is_written && assemble::unit(profile, run.passes) != Unit::AsInFile;
    if counts_anew || run.settings.is_rewritten && output_unit != OutputUnit::AsInFile {
        keys.push("screw.output_e_unit");
        if output_unit == OutputUnit::VirtualFilament {
            keys.push("screw.output_diameter_mm");
        }
    }
    if profile.hopper.usable_g.value.is_some() {
        keys.extend(["hopper.usable_g", "hopper.margin_g"]);
    }
    if looked_at_part {
        keys.extend(part::keys(profile));
    }
    if pauses.ways > 0 && pauses.parks() {
        keys.extend(["machine.park_x_mm", "machine.park_y_mm", "machine.park_lift_mm"]);
    }
    let assumed = assumed_among(profile, &keys);
    findings.set_times(|line| clock.time_of(line));
    let allowed = findings.allow(&profile.audit.allow.value);
    let screw = screw(run, &drive.account);
    Summary {
        before,
        after,
        changes,
        screw,
        stops,
        part,
        hopper,
        assumed,
        allowed,
        findings: findings.into_list(),
        provenance: record,
        replay: None,
        course,
        outline,
    }
}

/// What the screw is told.
fn screw(run: &Run<'_>, account: &ScrewAccount) -> ScrewFigures {
    let e_unit = match assemble::unit(run.profile, run.passes) {
        Unit::AsInFile => E_AS_IN_FILE.to_owned(),
        unit => match (run.profile.screw.output_e_unit.value, assemble::output_volume(&unit, None)) {
            (OutputUnit::VirtualFilament, _) => {
                format!("1 mm of a strand of {} mm", run.profile.screw.output_diameter_mm.value)
            }
            (OutputUnit::Mm3, _) => "1 mm³".to_owned(),
            _ => "one turn of the screw".to_owned(),
        },
    };
    ScrewFigures {
        lag_compensation: match run.choice.how {
            How::Not => "none",
            How::AtRest => "at-rest",
            How::AlongPath => "along-path",
            How::ByController => "by-controller",
        },
        e_unit,
        beads_mm3: account.beads_mm3,
        charged_mm3: account.charged_mm3,
        relieved_mm3: account.relieved_mm3,
        // Who does not follow the store knows of none.
        drooled_mm3: if run.choice.how == How::Not { 0.0 } else { account.drooled_mm3 },
        stored_at_end_mm3: account.stored_mm3,
        charges: account.charges,
        reliefs: account.reliefs,
        replaced: account.replaced,
        longest_idle_s: account.longest_idle_s,
    }
}

/// What has to be right at the machine for the file that was written.
fn note_output(run: &Run<'_>, findings: &mut Findings) {
    let screw = &run.profile.screw;
    let place = |detail: String| Place::of_file(detail);
    if let Some(diameter) = run.choice.wanted_diameter_mm {
        let code = if run.choice.how == How::AlongPath { Code::SeamsBrake } else { Code::EStepTooSmall };
        // Rounded up, so that the figure told is enough.
        let least = (diameter * 10.0).ceil() / 10.0;
        findings.add(code, || {
            place(format!(
                "screw.output_e_unit = \"virtual-filament-mm\", screw.output_diameter_mm at least {least:.1} mm"
            ))
        });
    }
    let assumed = match screw.output_e_unit.value {
        OutputUnit::VirtualFilament => screw.output_diameter_mm.provenance,
        _ => screw.output_e_unit.provenance,
    } == Provenance::Assumed;
    if run.choice.is_late {
        findings.add(Code::DeadTime, || place(format!("screw.dead_time_s is {} s", screw.dead_time_s.value)));
    }
    if run.choice.is_hindered {
        findings.add(Code::LagNumbered, || place(format!("a lag of {} s", screw.melt_lag_s.value)));
    }
    let unit = assemble::unit(run.profile, run.passes);
    let is_known = run.output_volumes.sliced.is_some();
    let is_another = run.output_volumes.differ() || !is_known;
    if unit != Unit::AsInFile && is_another && assumed {
        let volume = match assemble::output_volume(&unit, None) {
            Some(volume) => format!("one unit of E pushes {volume:.3} mm³"),
            None => "one unit of E is one turn of the screw".to_owned(),
        };
        let steps = match is_known {
            true => format!(": {:.4} times as many motor steps", run.output_volumes.ratio()),
            false => String::new(),
        };
        findings.add(Code::OutputUnit, || place(volume + &steps));
    }
}

/// Warns where refills are without the pause that the profile asks for.
fn note_pauses(run: &Run<'_>, plan: Option<&HopperPlan>, findings: &mut Findings) {
    let Some(plan) = plan.filter(|_| run.profile.hopper.pause_command.value.is_some()) else { return };
    let due = plan.refills.len() as u64;
    let left_out = due.saturating_sub(plan.pauses_written);
    let detail = match plan.usable_g {
        None => "hopper.usable_g is not set, so that no refills are planned".to_owned(),
        Some(_) if left_out == 0 => return,
        Some(_) if run.passes.starts => {
            format!("{left_out} of {due}: the lines there are numbered and bear no others between them")
        }
        Some(_) => format!("{left_out} of {due}: the pass starts, which writes them, did not run"),
    };
    findings.add(Code::PauseLeftOut, || Place::of_file(detail));
}

/// Notes that what the profile wants purged at refills is not, for want of a place to do it.
fn note_purge(run: &Run<'_>, written: u64, findings: &mut Findings) {
    let purge_mm3 = run.profile.hopper.purge_mm3.value;
    if written > 0 && purge_mm3 > 0.0 && run.profile.machine.park().is_none() {
        findings.add(Code::PauseNotParked, || {
            Place::of_file(format!("no park position is set, so that {} mm³ are not purged", decimal(purge_mm3, 0)))
        });
    }
}

/// Least share by which the volume pushed is off, and least volume, mm³, that are told: of next to nothing, starts and ends
/// are much.
const VOLUME_OFF: [f64; 2] = [0.01, 20.0];

/// Warns where less or more is pushed than the file wants (`wanted`, mm³), drools and is stored at the end.
fn note_volume(wanted: f64, account: &ScrewAccount, findings: &mut Findings) {
    let off = account.pushed_mm3() - wanted - account.drooled_mm3 - account.stored_mm3;
    let [share, volume] = VOLUME_OFF;
    if off.abs() > (share * wanted).max(volume) {
        let which = if off < 0.0 { "less" } else { "more" };
        let (mm3, percent) = (decimal(off.abs(), 0), decimal(100.0 * off.abs() / wanted, 1));
        findings.add(Code::VolumeOff, || Place::of_file(format!("{mm3} mm³ {which}, {percent} % of what it wants")));
    }
}

/// Those of `keys` whose values are not measured.
pub fn assumed_among(profile: &Profile, keys: &[&str]) -> Vec<AssumedValue> {
    let entries = keys.iter().filter_map(|key| profile.entry(key));
    let assumed = entries.filter(|entry| entry.provenance == Provenance::Assumed).map(|entry| AssumedValue {
        key: entry.key.to_owned(),
        value: entry.value,
        origin: entry.origin.to_string(),
    });
    assumed.collect()
}

/// SHA-256 of all that is left to read, hexadecimal, as [`Record::input_sha256`] names an input.
///
/// # Errors
/// When it cannot be read.
pub fn digest(input: &mut impl Read) -> Result<String> {
    let mut hash = Sha256::new();
    std::io::copy(input, &mut hash).map_err(|error| Error::io("read the file", error))?;
    Ok(hexadecimal(hash))
}

pub fn hexadecimal(hash: Sha256) -> String {
    hash.finalize().iter().map(|byte| format!("{byte:02x}")).collect()
}

/// Notes that the file was sliced for another nozzle.
pub fn note_nozzle(profile: &Profile, settings: &FileSettings, findings: &mut Findings) {
    let mounted = profile.nozzle.diameter_mm.value;
    if let Some(sliced) = settings.nozzle_diameter_mm.filter(|sliced| (sliced - mounted).abs() > 0.01) {
        let detail = format!("{sliced} mm in the file, {mounted} mm in the profile");
        findings.add(Code::NozzleDiffers, || Place::of_file(detail));
    }
}

/// Warns where the file counts E by another strand than the profile.
fn note_strand(profile: &Profile, settings: &FileSettings, findings: &mut Findings) {
    let screw = &profile.screw;
    let is_sliced = settings.stated_e_mm3.is_none() && !settings.counts_turns;
    if screw.e_unit.value != EUnit::VirtualFilament || !is_sliced {
        return;
    }
    let stated = settings.strand_diameter_mm(screw.tool());
    if let Some((own, stated)) =
        screw.virtual_diameter_mm.value.zip(stated).filter(|(own, stated)| (own - stated).abs() > 0.01)
    {
        let detail = format!("{stated} mm in the file, {own} mm in the profile");
        findings.add(Code::DiameterDiffers, || Place::of_file(detail));
    }
}

/// Warns where cooling is asked for, down to what is never reached or never left.
fn note_cooling(run: &Run<'_>, findings: &mut Findings) {
    let profile = run.profile;
    if let (true, Cooling::NeverReached(solid) | Cooling::NeverLeft(solid)) = (run.passes.layer_time, profile.cooling())
    {
        let (air, laid) = (profile.part.air_temperature_c.value, profile.laid_c());
        let detail = format!("to {solid} °C, in air of {air} °C, laid at {laid} °C");
        findings.add(Code::CoolingOff, || Place::of_file(detail));
    }
}

/// Lag that controllers are made to make up for, s (common practice, no source).
const LONG_CONTROLLER_LAG_S: f64 = 0.2;

/// Warns where the profile leaves a longer lag to the controller.
fn note_long_lag(profile: &Profile, findings: &mut Findings) {
    let lag_s = profile.screw.melt_lag_s.value;
    if profile.screw.lag_compensated_by.value == LagCompensation::Controller && lag_s > LONG_CONTROLLER_LAG_S {
        let detail = format!("screw.melt_lag_s is {lag_s} s, they are made for {LONG_CONTROLLER_LAG_S} s at most");
        findings.add(Code::LongControllerLag, || Place::of_file(detail));
    }
}

/// Fingerprints of the profile an output was written with, and of this one, where they differ.
pub fn other_profile(profile: &Profile, settings: &FileSettings) -> Option<[String; 2]> {
    let now = profile.fingerprint();
    settings.written_with.clone().filter(|before| *before != now).map(|before| [before, now])
}

/// Warns where the profile has left the conditions its calibration was measured under.
pub fn note_stale(profile: &Profile, findings: &mut Findings) {
    for detail in stale(profile) {
        findings.add(Code::StaleCalibration, || Place::of_file(detail));
    }
}

/// What one unit of E is, and where that comes from.
pub fn e_unit(profile: &Profile, settings: &FileSettings) -> String {
    let screw = &profile.screw;
    if let Some(volume) = settings.stated_e_mm3 {
        return format!("{} mm³ (stated in the file)", (volume * 1e3).round() / 1e3);
    }
    if settings.counts_turns {
        return "one turn of the screw, as at the fastest point of its output curve (profile)".to_owned();
    }
    match screw.e_unit.value {
        EUnit::Mm3 => "1 mm³ (profile)".to_owned(),
        EUnit::ScrewTurns => "one turn of the screw (profile)".to_owned(),
        EUnit::VirtualFilament => {
            let tool = screw.tool();
            match (screw.virtual_diameter_mm.value, settings.strand_diameter_mm(tool)) {
                (Some(d), _) => format!("1 mm of a strand of {d} mm (profile)"),
                (None, Some(d)) => format!("1 mm of a strand of {d} mm (stated in the file)"),
                (None, None) => "of M200, where the file has it; else not known".to_owned(),
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What is told of a file that wants so much, of which so much is pushed, drools and is stored, mm³.
    fn told(wanted: f64, pushed: f64, drooled: f64, stored: f64) -> Option<String> {
        let account = ScrewAccount {
            beads_mm3: pushed + 7.0,
            relieved_mm3: 7.0,
            drooled_mm3: drooled,
            stored_mm3: stored,
            ..ScrewAccount::default()
        };
        let mut findings = Findings::default();
        note_volume(wanted, &account, &mut findings);
        let list = findings.into_list();
        list.first().and_then(|finding| finding.places.first()).map(|place| place.detail.clone())
    }

    #[test]
    fn a_volume_that_is_off_by_more_than_a_hundredth_is_told() {
        let (more, less) = ("101 mm³ more, 1.0 % of what it wants", "101 mm³ less, 1.0 % of what it wants");
        assert_eq!(told(10_000.0, 10_101.0, 0.0, 0.0).as_deref(), Some(more));
        assert_eq!(told(10_000.0, 9_899.0, 0.0, 0.0).as_deref(), Some(less));
        assert_eq!([10_099.0, 9_901.0].map(|pushed| told(10_000.0, pushed, 0.0, 0.0)), [None, None]);
        // What drools and what stays behind the nozzle is pushed beside what is wanted.
        assert_eq!(told(10_000.0, 10_250.0, 120.0, 40.0), None);
        assert_eq!(told(10_000.0, 10_261.0, 120.0, 40.0).as_deref(), Some(more));
        assert_eq!(told(10_000.0, 10_059.0, 120.0, 40.0).as_deref(), Some(less));
    }

    /// A hundredth of 1000 mm³ is 10; starts and ends alone are up to 20.
    #[test]
    fn of_small_files_20_mm3_are_let_pass() {
        assert_eq!([1_019.0, 981.0].map(|pushed| told(1_000.0, pushed, 0.0, 0.0)), [None, None]);
        assert_eq!(told(1_000.0, 1_021.0, 0.0, 0.0).as_deref(), Some("21 mm³ more, 2.1 % of what it wants"));
        assert_eq!(told(1_000.0, 979.0, 0.0, 0.0).as_deref(), Some("21 mm³ less, 2.1 % of what it wants"));
    }

    #[test]
    fn another_nozzle_is_told_beyond_a_hundredth_of_a_millimetre() {
        let profile = Profile::embedded_with(&["nozzle.diameter_mm=1.2".parse().expect("an assignment")]);
        let profile = profile.expect("a sound profile");
        let is_told = |sliced| {
            let mut findings = Findings::default();
            let settings = FileSettings { nozzle_diameter_mm: Some(sliced), ..FileSettings::default() };
            note_nozzle(&profile, &settings, &mut findings);
            !findings.into_list().is_empty()
        };
        assert_eq!([1.185, 1.195, 1.205, 1.215].map(is_told), [true, false, false, true]);
    }
}
