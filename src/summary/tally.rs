//! Adds up the figures of a file as its moves stream by.

use super::{Bin, Changes, Figures, LargestChange, ReasonCount, Share};
use crate::demand::average::MovingAverage;
use crate::demand::capacity::Capacity;
use crate::motion::Timing;
use crate::moves::{Kind, Move, Role};
use crate::passes::lag::accel::Ruling;
use crate::passes::{ROUNDING, Reason, peak};
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
    /// Why it may not be as fast as it came, if that is so.
    pub reason: Option<Reason>,
    /// As the file gives it.
    pub before: &'a Timing,
    /// In the output.
    pub after: &'a Timing,
    /// Turns of the screw at rest before it, s.
    pub rest_s: f64,
    /// Speed its feed gives in the output, mm/s.
    pub speed: f64,
    /// New melt pushed with it, mm³: in the output, or in the file where it is only judged.
    pub fed_mm3: f64,
    /// Its line in the input.
    pub line: u64,
    /// Its line is taken out.
    pub dropped: bool,
    /// How quickly it may change its speed.
    pub ruling: &'a Ruling,
}

impl Executed<'_> {
    /// Why its speed is below the file's, if it is.
    #[inline]
    fn slowed_by(&self) -> Option<Reason> {
        self.reason.filter(|_| self.speed < self.step.speed && !self.dropped)
    }

    /// Why its acceleration is held below the file's, if it is.
    fn held(&self) -> Option<Reason> {
        self.ruling.bound.is_finite().then_some(self.ruling.reason)
    }
}

/// What a move takes and asks, as it came and in the output.
#[derive(Clone, Copy, Debug, Default)]
pub struct Taken {
    /// Time as it came, s.
    pub before_s: f64,
    /// Time in the output, with turns of the screw at rest and waits before it, s.
    pub after_s: f64,
    /// New melt that is pushed with it, mm³.
    pub melt_mm3: f64,
    /// What a bead asks as it came and in the output, mm³/s; of other moves see [`peak::demands`].
    pub flows: [f64; 2],
}

impl Taken {
    #[inline]
    fn by(done: &Executed<'_>, capacity: &Capacity) -> Self {
        Self {
            before_s: done.before.time,
            after_s: if done.dropped { 0.0 } else { done.after.time } + done.rest_s,
            melt_mm3: if done.step.has(Move::SCREW) { done.step.melt } else { 0.0 },
            flows: peak::demands(done.step, [done.before.top, done.after.top], capacity),
        }
    }
}

impl Figures {
    /// Counts a move that is no bead of the screw; `false` for what is no move.
    #[inline(never)]
    fn count(&mut self, step: &Move) -> bool {
        match step.kind {
            Kind::Dwell
            | Kind::Stop
            | Kind::Pause
            | Kind::Home
            | Kind::End
            | Kind::SetE
            | Kind::KeptE
            | Kind::Limits
            | Kind::SetEOut
            | Kind::SetEIn
            | Kind::Feed
            | Kind::FeedUser => return false,
            Kind::Travel => {
                self.travels += 1;
                self.travel_path_mm += step.length;
            }
            Kind::EIn | Kind::EOut if step.has(Move::SCREW) => self.e_only += 1,
            Kind::Bead | Kind::EIn | Kind::EOut | Kind::MovingTurn => self.other_moves += 1,
        }
        self.moves += 1;
        true
    }
}

/// Time, s, and volume, mm³, of beads by their demand.
#[derive(Clone, Debug, Default)]
struct Histogram([[f64; 2]; EDGES.len() + 1]);

impl Histogram {
    #[inline]
    fn add(&mut self, bin: usize, time: f64, volume: f64) {
        if let Some(sums) = self.0.get_mut(bin) {
            *sums = [sums[0] + time, sums[1] + volume];
        }
    }
}

/// Sums over one file, before and after.
#[derive(Clone, Debug)]
pub struct Tally {
    capacity: Capacity,
    bins: Bins,
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
    histograms: [Histogram; 2],
    reasons: [(u64, f64); Reason::ALL.len()],
    /// Time added by what no reason stands for, s.
    other_s: f64,
    largest: Vec<LargestChange>,
    taken: Vec<Taken>,
}

impl Tally {
    /// Sums against a capacity.
    pub fn new(capacity: &Capacity) -> Self {
        Self {
            capacity: capacity.clone(),
            bins: Bins::of(capacity.peak_mm3_s * ROUNDING),
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
            histograms: Default::default(),
            reasons: Default::default(),
            other_s: 0.0,
            largest: Vec::with_capacity(LARGEST + 1),
            taken: Vec::new(),
        }
    }

    /// Counts moves, which are many at a time: each part of the sums has its turn with all of them, so that short chains of
    /// additions run side by side.
    pub fn add<'a>(&mut self, moves: impl ExactSizeIterator<Item = Executed<'a>> + Clone) {
        let mut taken = std::mem::take(&mut self.taken);
        taken.resize(moves.len(), Taken::default());
        moves.clone().zip(&mut taken).for_each(|(done, note)| *note = Taken::by(&done, &self.capacity));
        self.sort_in(moves.clone().zip(&taken));
        self.add_beads(moves.clone().zip(&taken));
        self.add_changes(moves.zip(&taken));
        self.add_times(&taken);
        self.taken = taken;
    }

    /// What the moves counted last take and ask, one by one.
    pub fn taken(&self) -> &[Taken] {
        &self.taken
    }

    fn add_times(&mut self, taken: &[Taken]) {
        let sums = (self.figures.time_s, self.time_after);
        (self.figures.time_s, self.time_after) =
            taken.iter().fold(sums, |(before, after), taken| (before + taken.before_s, after + taken.after_s));
        let alike = match self.average_after {
            Some(_) => 0,
            None => taken.iter().take_while(|taken| taken.after_s == taken.before_s).count(),
        };
        let (alike, others) = taken.split_at(alike);
        self.average_before.push_all(alike.iter().map(|taken| (taken.before_s, taken.melt_mm3)));
        if !others.is_empty() {
            let average_after = self.average_after.get_or_insert_with(|| self.average_before.clone());
            average_after.push_all(others.iter().map(|taken| (taken.after_s, taken.melt_mm3)));
            self.average_before.push_all(others.iter().map(|taken| (taken.before_s, taken.melt_mm3)));
        }
    }

    /// Beads by their demand.
    fn sort_in<'a, 'b>(&mut self, moves: impl Iterator<Item = (Executed<'a>, &'b Taken)>) {
        let [from, to] = &mut self.histograms;
        for (done, taken) in moves.filter(|(done, _)| done.step.is_screw_bead()) {
            let [before, after] = taken.flows.map(|flow| self.bins.of_flow(flow));
            from.add(before, done.before.time, done.step.volume);
            to.add(after, done.after.time, done.step.volume);
        }
    }

    /// Beads by role and layer: they follow each other, and are added up before they are put to others of their kind.
    fn add_beads<'a, 'b>(&mut self, moves: impl Iterator<Item = (Executed<'a>, &'b Taken)>) {
        let mut run = self.run;
        let (mut volume, mut path) = (self.figures.bead_volume_mm3, self.figures.bead_path_mm);
        for (done, taken) in moves.filter(|(done, _)| done.step.is_screw_bead()) {
            let step = done.step;
            if (step.role, step.layer) != self.run_of {
                self.end_run(std::mem::take(&mut run));
                self.run_of = (step.role, step.layer);
            }
            volume += step.volume;
            path += step.length;
            run.beads += 1;
            run.slowed += u64::from(done.slowed_by().is_some());
            run.volume += step.volume;
            run.time_before += done.before.time;
            run.time_after += done.after.time;
            run.peak_before = run.peak_before.at_least(taken.flows[0]);
            run.peak_after = run.peak_after.at_least(taken.flows[1]);
        }
        self.run = run;
        (self.figures.bead_volume_mm3, self.figures.bead_path_mm) = (volume, path);
    }

    /// Time that is added, by its reason; and all moves but beads.
    fn add_changes<'a, 'b>(&mut self, moves: impl Iterator<Item = (Executed<'a>, &'b Taken)>) {
        let mut other_s = self.other_s;
        for (done, taken) in moves {
            let Taken { before_s, after_s, .. } = *taken;
            let is_move = done.step.is_screw_bead() || self.figures.count(done.step);
            if let Some(reason) = done.slowed_by().filter(|_| is_move) {
                self.add_slowed(done, reason, before_s, after_s);
            } else if is_move
                && after_s > before_s * ROUNDING
                && let Some(held) = done.held()
            {
                self.add_reason(held, after_s - before_s);
            } else {
                other_s += after_s - before_s;
            }
        }
        self.other_s = other_s;
    }

    /// A move that is slower in the output.
    #[inline(never)]
    fn add_slowed(&mut self, done: Executed<'_>, reason: Reason, before: f64, after: f64) {
        let step = done.step;
        self.slowed += 1;
        self.beads_slowed += u64::from(step.kind == Kind::Bead);
        // What the move takes at its speed is that reason's, what its ramps take beyond it the acceleration's.
        let ramps = done.held().filter(|held| *held != reason).map(|held| {
            let at_speed = (step.distance() / done.speed).at_least(before).at_most(after);
            (held, after - at_speed)
        });
        let beyond = ramps.map_or(0.0, |(_, time)| time);
        self.add_reasons(step, reason, before, after - beyond);
        if let Some((held, time)) = ramps.filter(|(_, time)| *time > (ROUNDING - 1.0) * after) {
            self.add_reason(held, time);
        }
        self.keep_largest(&done, reason, after - before);
    }

    fn add_reason(&mut self, reason: Reason, time: f64) {
        if let Some(sum) = self.reasons.get_mut(reason as usize) {
            sum.0 += 1;
            sum.1 += time;
        }
    }

    /// Time added by reason. A bead above the peak that its stretch slows further counts for both.
    fn add_reasons(&mut self, step: &Move, reason: Reason, before: f64, after: f64) {
        let at_peak = (step.volume / self.capacity.peak_mm3_s).at_most(after);
        if reason == Reason::SustainedCapacity && step.kind == Kind::Bead && at_peak > before * ROUNDING {
            self.add_reason(Reason::PeakCapacity, at_peak - before);
            self.add_reason(reason, after - at_peak);
        } else {
            self.add_reason(reason, after - before);
        }
    }

    /// Sorts in what the beads of one role and layer come to.
    #[cold]
    fn end_run(&mut self, run: Part) {
        self.figures.moves += run.beads;
        self.figures.beads += run.beads;
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
        self.end_run(self.run);
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
        let [from, to] = &self.histograms;
        let histogram = from.0.iter().zip(&to.0).enumerate().map(|(bin, (before, after))| Bin {
            from: bin.checked_sub(1).and_then(|below| EDGES.get(below).copied()).unwrap_or(0.0),
            to: EDGES.get(bin).copied(),
            time_before_s: before[0],
            time_after_s: after[0],
            volume_before_mm3: before[1],
            volume_after_mm3: after[1],
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

/// Bins of demand.
#[derive(Clone, Debug)]
struct Bins {
    /// Upper edges, mm³/s; the last bin is open.
    edges: [f64; EDGES.len() + 1],
    /// Steps of demand in a mm³/s.
    scale: f64,
    /// The bin in which each step begins.
    begin: [u8; STEPS],
}

/// Steps of demand for the peak capacity: each edge is a whole number of them.
const FINE: f64 = 20.0;
/// So many of them, the last without end.
const STEPS: usize = 128;

impl Bins {
    /// Bins as shares of this flow, mm³/s.
    fn of(flow: f64) -> Self {
        let mut edges = [f64::INFINITY; EDGES.len() + 1];
        edges.iter_mut().zip(EDGES).for_each(|(edge, share)| *edge = share * flow);
        // A step goes from half a step below its number to half a step above, so that it holds one edge at most, well inside.
        let begin = |step: usize| EDGES.iter().filter(|edge| (**edge * FINE).round() < step as f64).count() as u8;
        Self { edges, scale: FINE / flow, begin: std::array::from_fn(begin) }
    }

    /// The bin of a flow; what is no number counts as nothing asked.
    ///
    /// Found without asking: from bead to bead nobody can guess between which edges a flow lies.
    #[inline]
    fn of_flow(&self, flow: f64) -> usize {
        // The lowest bit of a sum with this is worth one.
        const WHOLE: f64 = 1.5 * (1_u64 << 52) as f64;
        let step = (flow * self.scale).at_most((STEPS - 1) as f64) + WHOLE;
        let begin = usize::from(self.begin[step.to_bits() as usize % STEPS]);
        begin + usize::from(self.edges.get(begin).is_some_and(|edge| flow > *edge))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bin_holds_what_lies_up_to_its_edge() {
        for peak in [1.0, 2.45, 37.123] {
            let bins = Bins::of(peak);
            for (share, bin) in [(0.0, 0), (0.25, 0), (0.250_001, 1), (0.9, 3), (1.0, 4), (4.0, 8), (4.1, 9), (1e9, 9)]
            {
                assert_eq!(bins.of_flow(share * peak), bin, "{share} of {peak}");
            }
            for k in 0..=5000_u32 {
                let flow = f64::from(k) * 0.001 * peak;
                let first = EDGES.iter().position(|edge| flow <= *edge * peak).unwrap_or(EDGES.len());
                assert_eq!(bins.of_flow(flow), first, "{flow} of {peak}");
            }
        }
        let bins = Bins::of(1.0);
        assert_eq!([f64::NAN, -0.0, f64::INFINITY].map(|flow| bins.of_flow(flow)), [0, 0, 9]);
    }
}
