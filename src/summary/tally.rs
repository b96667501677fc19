//! Adds up the figures of a file as its moves stream by.

use super::{Bin, Changes, Figures, LargestChange, ReasonCount, Share};
use crate::demand::average::MovingAverage;
use crate::demand::capacity::Capacity;
use crate::motion::Timing;
use crate::moves::{Kind, Move, Role};
use crate::passes::{ROUNDING, Reason, Verdict, peak};
use crate::units::Bounded;
use crate::units::{Density, Volume};

/// Upper edges of the histogram of demand, share of the peak capacity; the last bin is open.
const EDGES: [f64; 9] = [0.25, 0.5, 0.75, 0.9, 1.0, 1.25, 1.5, 2.0, 4.0];
/// Most bands of layers that are told apart.
const MAX_BANDS: usize = 12;
/// Changes that are listed one by one.
const LARGEST: usize = 10;
/// Least time that one of them adds, s: what is told in tenths of a second.
const NOTICED_S: f64 = 0.05;

/// Running sums of a part of the file.
#[derive(Clone, Copy, Debug, Default)]
struct Part {
    beads: u64,
    slowed: u64,
    volume: f64,
    time_before: f64,
    time_after: f64,
    peak_before: f64,
    peak_after: f64,
}

impl Part {
    fn merge(&mut self, other: &Self) {
        self.beads += other.beads;
        self.slowed += other.slowed;
        self.volume += other.volume;
        self.time_before += other.time_before;
        self.time_after += other.time_after;
        self.peak_before = self.peak_before.at_least(other.peak_before);
        self.peak_after = self.peak_after.at_least(other.peak_after);
    }

    fn share(&self, name: String) -> Share {
        Share {
            name,
            beads: self.beads,
            slowed: self.slowed,
            volume_mm3: self.volume,
            time_before_s: self.time_before,
            time_after_s: self.time_after,
            peak_before_mm3_s: self.peak_before,
            peak_after_mm3_s: self.peak_after,
        }
    }
}

/// A move and how it is executed before and after.
#[derive(Clone, Copy, Debug)]
pub struct Executed<'a> {
    /// The move.
    pub step: &'a Move,
    /// How fast it may be.
    pub verdict: &'a Verdict,
    /// As the file gives it.
    pub before: &'a Timing,
    /// In the output.
    pub after: &'a Timing,
    /// Turns of the screw at rest before it, s.
    pub rest_s: f64,
    /// Speed its feed gives in the output, mm/s.
    pub speed: f64,
    /// Its line in the input.
    pub line: u64,
    /// Its line is taken out.
    pub dropped: bool,
    /// Why its acceleration is held below the file's, if it is.
    pub held: Option<Reason>,
}

/// Sums over one file, before and after.
#[derive(Clone, Debug)]
pub struct Tally {
    capacity: Capacity,
    /// Upper edges of the bins, mm³/s.
    edges: [f64; EDGES.len()],
    slowed: u64,
    beads_slowed: u64,
    figures: Figures,
    time_after: f64,
    peak_after: f64,
    average_before: MovingAverage,
    /// Parts from `average_before` with the first move that is slowed.
    average_after: Option<MovingAverage>,
    roles: [Part; Role::ALL.len()],
    bands: Vec<Part>,
    /// The beads since the role or the layer last changed.
    run: Part,
    run_of: (Role, u32),
    layers_per_band: u32,
    histogram: [(f64, f64, f64, f64); EDGES.len() + 1],
    reasons: [(u64, f64); Reason::ALL.len()],
    /// Time added by what no reason stands for, s.
    other_s: f64,
    largest: Vec<LargestChange>,
}

impl Tally {
    /// Sums against a capacity.
    pub fn new(capacity: &Capacity) -> Self {
        Self {
            capacity: capacity.clone(),
            edges: EDGES.map(|edge| edge * capacity.peak_mm3_s * ROUNDING),
            slowed: 0,
            beads_slowed: 0,
            figures: Figures::default(),
            time_after: 0.0,
            peak_after: 0.0,
            average_before: MovingAverage::new(capacity.window_s),
            average_after: None,
            roles: [Part::default(); Role::ALL.len()],
            bands: vec![Part::default()],
            run: Part::default(),
            run_of: (Role::Unknown, 0),
            layers_per_band: 1,
            histogram: Default::default(),
            reasons: Default::default(),
            other_s: 0.0,
            largest: Vec::with_capacity(LARGEST + 1),
        }
    }

    /// Counts a move.
    pub fn add(&mut self, done: &Executed<'_>) {
        let Executed { step, verdict, speed, dropped, .. } = *done;
        let before = done.before.time;
        let after = if dropped { 0.0 } else { done.after.time } + done.rest_s;
        let slowed = verdict.reason.is_some() && speed < step.speed && !dropped;
        self.figures.time_s += before;
        self.time_after += after;
        match step.kind {
            Kind::Dwell
            | Kind::Stop
            | Kind::SetE
            | Kind::Limits
            | Kind::SetEOut
            | Kind::SetEIn
            | Kind::Feed
            | Kind::FeedUser => {
                self.average(before, after, 0.0);
                self.other_s += after - before;
                return;
            }
            Kind::Bead if step.has(Move::SCREW) => self.figures.beads += 1,
            Kind::Travel => {
                self.figures.travels += 1;
                self.figures.travel_path_mm += step.length;
            }
            Kind::EIn | Kind::EOut if step.has(Move::SCREW) => self.figures.e_only += 1,
            Kind::Bead | Kind::EIn | Kind::EOut | Kind::MovingEOut => self.figures.other_moves += 1,
        }
        self.figures.moves += 1;
        let melt = if step.has(Move::SCREW) { step.melt } else { 0.0 };
        self.average(before, after, melt);
        if step.kind == Kind::Bead && step.has(Move::SCREW) {
            self.add_bead(done, slowed);
        }
        if let Some(reason) = verdict.reason.filter(|_| slowed) {
            self.slowed += 1;
            self.beads_slowed += u64::from(step.kind == Kind::Bead);
            // What the move takes at its speed is that reason's, what its ramps take beyond it the acceleration's.
            let ramps = done.held.filter(|held| *held != reason).map(|held| {
                let at_speed = (step.distance() / speed).at_least(before).at_most(after);
                (held, after - at_speed)
            });
            let beyond = ramps.map_or(0.0, |(_, time)| time);
            self.add_reasons(step, reason, before, after - beyond);
            if let Some((held, time)) = ramps.filter(|(_, time)| *time > (ROUNDING - 1.0) * after)
                && let Some(sum) = self.reasons.get_mut(held as usize)
            {
                sum.0 += 1;
                sum.1 += time;
            }
            self.keep_largest(done, reason, after - before);
        } else if let Some(sum) = done.held.and_then(|reason| self.reasons.get_mut(reason as usize))
            && after > before * ROUNDING
        {
            sum.0 += 1;
            sum.1 += after - before;
        } else {
            self.other_s += after - before;
        }
    }

    #[inline(always)]
    fn average(&mut self, before: f64, after: f64, melt: f64) {
        if after != before && self.average_after.is_none() {
            self.average_after = Some(self.average_before.clone());
        }
        self.average_before.push(before, melt);
        if let Some(average) = &mut self.average_after {
            average.push(after, melt);
        }
    }

    fn add_bead(&mut self, done: &Executed<'_>, slowed: bool) {
        let (step, before, after) = (done.step, done.before.time, done.after.time);
        let volume = step.volume;
        self.figures.bead_volume_mm3 += volume;
        self.figures.bead_path_mm += step.length;
        let [flow_before, flow_after] =
            [done.before.top, done.after.top].map(|speed| peak::demand(step, speed, &self.capacity));
        // Beads of one role and layer follow each other: they are added up before they are sorted in.
        if (step.role, step.layer) != self.run_of {
            self.end_run();
            self.run_of = (step.role, step.layer);
        }
        let run = &mut self.run;
        run.beads += 1;
        run.slowed += u64::from(slowed);
        run.volume += volume;
        run.time_before += before;
        run.time_after += after;
        run.peak_before = run.peak_before.at_least(flow_before);
        run.peak_after = run.peak_after.at_least(flow_after);
        let (from, to) = (bin_of(flow_before, &self.edges), bin_of(flow_after, &self.edges));
        if let Some(bin) = self.histogram.get_mut(from) {
            bin.0 += before;
            bin.2 += volume;
        }
        if let Some(bin) = self.histogram.get_mut(to) {
            bin.1 += after;
            bin.3 += volume;
        }
    }

    /// Time added by reason. A bead above the peak that its stretch slows further counts for both.
    fn add_reasons(&mut self, step: &Move, reason: Reason, before: f64, after: f64) {
        let mut add = |reason: Reason, time: f64| {
            if let Some(sum) = self.reasons.get_mut(reason as usize) {
                sum.0 += 1;
                sum.1 += time;
            }
        };
        let at_peak = (step.volume / self.capacity.peak_mm3_s).at_most(after);
        if reason == Reason::SustainedCapacity && step.kind == Kind::Bead && at_peak > before * ROUNDING {
            add(Reason::PeakCapacity, at_peak - before);
            add(reason, after - at_peak);
        } else {
            add(reason, after - before);
        }
    }

    fn end_run(&mut self) {
        let run = std::mem::take(&mut self.run);
        self.figures.peak_demand_mm3_s = self.figures.peak_demand_mm3_s.at_least(run.peak_before);
        self.peak_after = self.peak_after.at_least(run.peak_after);
        let (role, layer) = self.run_of;
        if let Some(sum) = self.roles.get_mut(role as usize) {
            sum.merge(&run);
        }
        self.band_of(layer).merge(&run);
    }

    fn band_of(&mut self, layer: u32) -> &mut Part {
        let layer = layer.saturating_sub(1);
        while layer / self.layers_per_band >= MAX_BANDS as u32 {
            // Twice as many layers a band: neighbours merge.
            self.layers_per_band *= 2;
            let merged = self.bands.chunks(2).map(|pair| {
                let mut sum = pair[0];
                pair.iter().skip(1).for_each(|other| sum.merge(other));
                sum
            });
            self.bands = merged.collect();
        }
        let band = (layer / self.layers_per_band) as usize;
        if band >= self.bands.len() {
            self.bands.resize(band + 1, Part::default());
        }
        &mut self.bands[band]
    }

    /// Keeps what costs most time.
    fn keep_largest(&mut self, done: &Executed<'_>, reason: Reason, added: f64) {
        if added < NOTICED_S
            || self.largest.len() == LARGEST && self.largest.last().is_some_and(|last| added <= last.time_added_s)
        {
            return;
        }
        let at = self.largest.partition_point(|kept| kept.time_added_s >= added);
        let (step, speed) = (done.step, done.speed);
        let change = LargestChange {
            line: done.line,
            layer: u64::from(step.layer),
            z_mm: step.z,
            role: step.role.name(),
            reason,
            speed_before_mm_s: step.speed,
            speed_after_mm_s: speed,
            demand_before_mm3_s: peak::demand(step, done.before.top, &self.capacity),
            demand_after_mm3_s: peak::demand(step, done.after.top, &self.capacity),
            time_added_s: added,
        };
        self.largest.insert(at, change);
        self.largest.truncate(LARGEST);
    }

    /// The figures before and after, and the changes. `volume_mm3`: what has left the nozzle.
    pub fn finish(mut self, volume_mm3: f64, density_g_cm3: f64, layers: u64) -> (Figures, Figures, Changes) {
        self.end_run();
        let before = Figures {
            sustained_demand_mm3_s: self.average_before.highest(),
            volume_mm3,
            mass_g: (Volume::from_mm3(volume_mm3) * Density::from_g_cm3(density_g_cm3)).as_g(),
            layers,
            ..self.figures
        };
        let after = Figures {
            time_s: self.time_after,
            peak_demand_mm3_s: self.peak_after,
            sustained_demand_mm3_s: self
                .average_after
                .map_or(before.sustained_demand_mm3_s, |mut after| after.highest()),
            ..before.clone()
        };
        let roles = Role::ALL.iter().zip(&self.roles).filter(|(_, part)| part.beads > 0);
        let per_band = self.layers_per_band;
        let last_layer = layers.max(1);
        let bands = self.bands.iter().enumerate().filter(|(_, part)| part.beads > 0).map(|(band, part)| {
            let first = band as u64 * u64::from(per_band) + 1;
            let last = (first + u64::from(per_band) - 1).min(last_layer);
            part.share(if first >= last { first.to_string() } else { format!("{first}-{last}") })
        });
        let histogram = self.histogram.iter().enumerate().map(|(bin, sums)| Bin {
            from: bin.checked_sub(1).and_then(|below| EDGES.get(below).copied()).unwrap_or(0.0),
            to: EDGES.get(bin).copied(),
            time_before_s: sums.0,
            time_after_s: sums.1,
            volume_before_mm3: sums.2,
            volume_after_mm3: sums.3,
        });
        let reasons = Reason::ALL.iter().zip(self.reasons).filter(|(_, sum)| sum.0 > 0);
        let by_reason: Vec<ReasonCount> =
            reasons.map(|(reason, sum)| ReasonCount { reason: *reason, moves: sum.0, time_added_s: sum.1 }).collect();
        let changes = Changes {
            moves_slowed: self.slowed,
            beads_slowed: self.beads_slowed,
            by_reason,
            other_time_s: self.other_s,
            roles: roles.map(|(role, part)| part.share(role.name().to_owned())).collect(),
            layer_bands: bands.collect(),
            histogram: histogram.collect(),
            largest: self.largest,
            ..Changes::default()
        };
        (before, after, changes)
    }
}

/// The bin of a flow among those with these upper edges, the last of which is open.
///
/// Counted without asking: from bead to bead nobody can guess between which edges a flow lies.
#[inline]
fn bin_of(flow: f64, edges: &[f64; EDGES.len()]) -> usize {
    edges.iter().map(|edge| usize::from(flow > *edge)).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bin_holds_what_lies_up_to_its_edge() {
        for (flow, bin) in [(0.0, 0), (0.25, 0), (0.250_001, 1), (0.9, 3), (1.0, 4), (4.0, 8), (4.1, 9), (1e9, 9)] {
            assert_eq!(bin_of(flow, &EDGES), bin, "{flow}");
        }
        for k in 0..=500_u32 {
            let flow = f64::from(k) * 0.01;
            let first = EDGES.iter().position(|edge| flow <= *edge).unwrap_or(EDGES.len());
            assert_eq!(bin_of(flow, &EDGES), first, "{flow}");
        }
    }
}
