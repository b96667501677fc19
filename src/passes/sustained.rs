//! Stretches whose flow, averaged over a time window, is above the sustained capacity.
//!
//! "No window of T seconds holds more than B = sustained capacity x T" says the same as "every stretch of path that
//! holds the volume B takes at least T seconds". The second form is the useful one: slowing a move changes the time a
//! stretch takes, but never which stretches hold the volume B. So one sweep over these stretches finds every
//! breach, and the flow each of them must be held to follows at once:
//!
//! the level c of a stretch solves  sum over its moves of max(t_i, V_i / c) = T,
//!
//! and a move is held to the lowest level among the stretches it lies in. Then every stretch takes at least T, and a
//! move that lies in no breaching stretch keeps its speed. Travels and waits count with their time, so a stretch with
//! many of them is slowed less. Stretches that start or end at the edge of a move are enough: in between, the time
//! is linear.
//!
//! Beads of the same flow that follow each other without a pause are judged as one, up to a small share of the window:
//! a group. Within a group flows differ by less than a thousandth, so that no stretch is off by more than
//! [`GROUP_SHARE`] of that.
//!
//! Moves leave in the order they came, as soon as no stretch that is still open can touch them. What waits is bounded
//! by the volume B, by T seconds, and by [`MAX_WAITING_MOVES`], [`MAX_WAITING_BYTES`] and `MAX_IDLE_MOVES`; a move that
//! has to leave before it is judged is held to the sustained capacity itself, which is always safe.

use std::collections::VecDeque;

use super::{Reason, Verdict};
use crate::demand::average::{GROUP_SHARE, same_flow};
use crate::moves::Move;
use crate::units::Bounded;

/// Most moves that wait for a verdict.
pub const MAX_WAITING_MOVES: usize = 1 << 17;
/// Most bytes of input over which moves wait for a verdict.
pub const MAX_WAITING_BYTES: u64 = 8 << 20;
/// Most moves in a row that neither lay anything nor take time, while others wait for time to pass.
const MAX_IDLE_MOVES: usize = 4096;
/// While a group grows, what waits is counted with every so many moves.
const LOOK_EVERY: u64 = 256;
/// Flows are sorted into buckets by their ratio to the capacity: so many for each doubling, evenly spaced in between,
/// 1.1 to 1.6 % apart. Levels inside a bucket are still exact to its beads.
const BUCKETS_PER_DOUBLING: usize = 64;
/// Ratios beyond this many doublings share the last bucket.
const MAX_DOUBLINGS: usize = 16;
/// Seconds and cubic millimetres are summed as whole numbers of these parts, so that sums never drift.
const PARTS: f64 = 1e9;

/// A move that waits.
#[derive(Clone, Copy, Debug)]
struct Waiting {
    verdict: Verdict,
    /// Volume of new melt, mm³, and the distance the speed refers to, mm; 0 for moves that lay nothing.
    melt: f64,
    distance: f64,
    /// Offset of its line in the input.
    offset: u64,
}

/// Moves with the same flow and no time between them.
#[derive(Clone, Copy, Debug)]
struct Group {
    /// Number of its first move.
    first: u64,
    /// Volume, parts of a mm³, above 0.
    volume: i64,
    /// Time at the present speed, parts of a second.
    time: i64,
    /// Time of the moves without volume since the group before, parts of a second.
    gap: i64,
    /// Bucket of its flow; 0: at or below the sustained capacity.
    bucket: u16,
}

/// Flows that are hardly told apart.
#[derive(Clone, Copy, Debug)]
struct Bucket {
    /// The lowest of them, mm³/s.
    edge: f64,
    /// Time and volume of the groups of the stretch that have such a flow.
    time: i64,
    volume: i64,
}

/// A breaching stretch: its level and the number of its last group.
#[derive(Clone, Copy, Debug)]
struct Breach {
    level: f64,
    last: u64,
}

/// The pass; moves go in by [`Sustained::push`], verdicts come out by [`Sustained::hand_over`] in the same
/// order.
#[derive(Clone, Debug)]
pub struct Sustained {
    capacity: f64,
    /// B and T in parts.
    volume_limit: i64,
    time_limit: i64,
    /// A stretch this little too fast is rounding, parts of a second.
    slack: i64,
    /// Longest group, parts of a second.
    group_limit: i64,
    /// Moves in order; the first `settled` of them are settled and wait to be taken away.
    moves: VecDeque<Waiting>,
    settled: usize,
    /// Number of the first of `moves`.
    first_move: u64,
    /// Groups of the moves that are not settled, and the number of the first of them.
    groups: VecDeque<Group>,
    first_group: u64,
    /// The group that may still grow; not among `groups` yet.
    open: Option<Group>,
    /// Volume and time (with gaps between) of `groups`.
    volume: i64,
    time: i64,
    /// Time since the last move with volume.
    open_gap: i64,
    /// Moves since the last that laid anything or took time.
    idle: usize,
    /// Whether the stretch from the start of the first group has been looked at.
    front_seen: bool,
    /// The first is of all flows at or below the sustained capacity.
    buckets: Vec<Bucket>,
    /// Buckets up to this one keep their time at the present level; sums over them and over those above.
    cut: usize,
    time_below: i64,
    volume_above: i64,
    breaches: VecDeque<Breach>,
}

fn parts(value: f64) -> i64 {
    // Larger than any print; keeps sums of many far from overflow.
    const MOST: f64 = 1e15;
    (value * PARTS).at_least(0.0).at_most(MOST) as i64
}

impl Sustained {
    /// `capacity`: sustained capacity, mm³/s; `window`: s; `peak`: highest flow any move can have, mm³/s. Higher ones are held
    /// to less than they could be.
    pub fn new(capacity: f64, window: f64, peak: f64) -> Self {
        let buckets = (bucket_of_ratio(peak / capacity) + 2).min(MAX_DOUBLINGS * BUCKETS_PER_DOUBLING + 2);
        Self {
            capacity,
            // Rounded so that the result errs on the safe side.
            volume_limit: parts(capacity * window).max(1),
            time_limit: parts(window) + 1,
            slack: 2 + parts(window) / 100_000_000,
            group_limit: parts(window * GROUP_SHARE),
            moves: VecDeque::new(),
            settled: 0,
            first_move: 0,
            groups: VecDeque::new(),
            first_group: 0,
            open: None,
            volume: 0,
            time: 0,
            open_gap: 0,
            idle: 0,
            front_seen: false,
            buckets: (0..buckets).map(|bucket| Bucket { edge: edge(bucket, capacity), time: 0, volume: 0 }).collect(),
            cut: 0,
            time_below: 0,
            volume_above: 0,
            breaches: VecDeque::new(),
        }
    }

    /// Takes the next move with the verdict so far and the least time it takes, s; `offset`: where its line stands in
    /// the input.
    pub fn push(&mut self, step: &Move, verdict: Verdict, seconds: f64, offset: u64) {
        let number = self.first_move + self.moves.len() as u64;
        let melt = if step.has(Move::SCREW) { step.melt } else { 0.0 };
        self.moves.push_back(Waiting { verdict, melt, distance: step.distance(), offset });
        let volume = parts(melt);
        let time = parts(seconds);
        self.idle = if volume > 0 || time > 0 { 0 } else { self.idle + 1 };
        if volume > 0 {
            let bucket = bucket_of_ratio(melt / (seconds * self.capacity)).min(self.buckets.len() - 1);
            let grown = self.take_bead(Group { first: number, volume, time, gap: 0, bucket: bucket as u16 });
            // Nothing can be settled by a group that goes on; only what waits is counted now and then.
            if grown && !number.is_multiple_of(LOOK_EVERY) {
                return;
            }
        } else if self.groups.is_empty() && self.open.is_none() {
            self.settled += 1;
            return;
        } else if time > 0 {
            self.close_group();
            self.open_gap = self.open_gap.saturating_add(time);
        }
        self.release(offset);
    }

    /// Hands over the verdicts that are settled, in the order of the moves.
    pub fn hand_over(&mut self, out: &mut Vec<Verdict>) {
        let (first, second) = self.moves.as_slices();
        let (own, rest) = (first.len().min(self.settled), self.settled.saturating_sub(first.len()));
        for part in [first.get(..own), second.get(..rest)] {
            out.extend(part.unwrap_or_default().iter().map(|waiting| waiting.verdict));
        }
        self.moves.drain(..self.settled);
        self.first_move += self.settled as u64;
        self.settled = 0;
    }

    /// No more moves will come: settles all that wait.
    pub fn finish(&mut self) {
        self.close_group();
        while !self.groups.is_empty() {
            self.settle_front();
        }
    }

    /// Adds a bead to the open group, or begins the next with it. Returns whether the open group has grown.
    fn take_bead(&mut self, bead: Group) -> bool {
        if let Some(open) = &mut self.open
            && open.bucket == bead.bucket
            && open.time + bead.time <= self.group_limit
            && same_flow(open.volume as f64, open.time as f64, bead.volume as f64, bead.time as f64)
        {
            open.volume += bead.volume;
            open.time += bead.time;
            return true;
        }
        self.close_group();
        self.open = Some(Group { gap: std::mem::take(&mut self.open_gap), ..bead });
        false
    }

    /// The open group will not grow any more: it is judged.
    fn close_group(&mut self) {
        let Some(mut group) = self.open.take() else { return };
        if self.groups.is_empty() {
            group.gap = 0;
        }
        self.groups.push_back(group);
        self.add(&group, 1);
        self.sweep(&group);
    }

    /// Adds (`sign` 1) or takes away (-1) a group of the stretch.
    fn add(&mut self, group: &Group, sign: i64) {
        self.volume += sign * group.volume;
        self.time += sign * (group.time + group.gap);
        let index = usize::from(group.bucket);
        let bucket = &mut self.buckets[index];
        bucket.time += sign * group.time;
        bucket.volume += sign * group.volume;
        self.time_below += sign * group.gap;
        if index <= self.cut {
            self.time_below += sign * group.time;
        } else {
            self.volume_above += sign * group.volume;
        }
    }

    /// Looks at the stretches that end in or at the end of the last group, and drops groups that lie before all of
    /// them.
    fn sweep(&mut self, last: &Group) {
        while self.volume > self.volume_limit {
            let Some(front) = self.groups.front().copied() else { return };
            let excess = self.volume - self.volume_limit;
            if !self.front_seen {
                // From the start of the front to somewhere in the last group.
                self.front_seen = true;
                self.look(last, excess.min(last.volume));
            }
            if excess < front.volume {
                // From somewhere in the front to the end of the last group.
                self.look(&front, excess);
                return;
            }
            self.settle_front();
        }
    }

    /// Judges the stretch of all groups without `excess` parts of the volume of `edge`.
    fn look(&mut self, edge: &Group, excess: i64) {
        // Nearly every stretch of a sound print takes long enough even without all of its edge.
        if self.time - edge.time >= self.time_limit {
            return;
        }
        let share = excess as f64 / edge.volume as f64;
        let left_out = (edge.time as f64 * share) as i64 + 1;
        if self.time - left_out + self.slack >= self.time_limit {
            return;
        }
        let level = self.level(edge, excess, left_out);
        let last = self.first_group + self.groups.len() as u64 - 1;
        while self.breaches.back().is_some_and(|breach| breach.level >= level) {
            self.breaches.pop_back();
        }
        self.breaches.push_back(Breach { level, last });
    }

    /// The highest flow to which the stretch can be held so that it takes the whole window.
    ///
    /// Groups in buckets above the cut are counted with V / c, those in the cut's bucket and below with their present
    /// time. Both are at most max(t, V / c), so the level is safe with any cut; the best cut gives the highest level,
    /// exact but for the groups of one bucket.
    fn level(&mut self, edge: &Group, excess: i64, left_out: i64) -> f64 {
        let own = usize::from(edge.bucket);
        let Self { buckets, time_limit, .. } = &*self;
        let level_at = |cut: usize, below: i64, above: i64| {
            let (below, above) = if own <= cut { (below - left_out, above) } else { (below, above - excess) };
            let missing = time_limit - below;
            let level = above as f64 / missing as f64;
            (missing > 0 && level >= buckets[cut].edge).then_some(level)
        };
        let (mut cut, mut below, mut above) = (self.cut, self.time_below, self.volume_above);
        // Down until the level fits, then up as long as it still does; the cut moves little from stretch to stretch.
        let mut level = loop {
            match level_at(cut, below, above) {
                Some(found) => break found.at_least(self.capacity),
                None if cut == 0 => break self.capacity,
                None => {}
            }
            (below, above) = (below - buckets[cut].time, above + buckets[cut].volume);
            cut -= 1;
        };
        while let Some(next) = buckets.get(cut + 1) {
            let (more, less) = (below + next.time, above - next.volume);
            let Some(found) = level_at(cut + 1, more, less).filter(|found| *found >= level) else { break };
            (cut, below, above, level) = (cut + 1, more, less, found);
        }
        (self.cut, self.time_below, self.volume_above) = (cut, below, above);
        // One part in a billion covers the rounding of this division.
        level * (1.0 - 1e-9)
    }

    /// Lets moves go that no open stretch can breach any more, or that have waited long enough.
    fn release(&mut self, offset: u64) {
        loop {
            let waiting = self.moves.get(self.settled);
            let overdue = self.moves.len() - self.settled > MAX_WAITING_MOVES
                || self.idle > MAX_IDLE_MOVES
                || waiting.is_some_and(|first| offset.saturating_sub(first.offset) > MAX_WAITING_BYTES);
            let Some(front) = self.groups.front() else {
                if !overdue || self.open.is_none() {
                    return;
                }
                self.close_group();
                continue;
            };
            // Every stretch that starts in the front reaches into the open group or beyond, and what lies before that
            // already takes the window.
            let pause = self.open.map_or(self.open_gap, |group| group.gap);
            if self.time - front.time + pause >= self.time_limit {
                self.settle_front();
            } else if overdue {
                self.take_front(Some(self.capacity));
            } else {
                return;
            }
        }
    }

    /// Settles the first group by the breaches it lies in.
    fn settle_front(&mut self) {
        while self.breaches.front().is_some_and(|breach| breach.last < self.first_group) {
            self.breaches.pop_front();
        }
        let level = self.breaches.front().map(|breach| breach.level);
        self.take_front(level);
    }

    /// Holds the first group to `level` and settles its moves with those without volume behind them.
    fn take_front(&mut self, level: Option<f64>) {
        let Some(front) = self.groups.pop_front() else { return };
        self.first_group += 1;
        self.front_seen = false;
        self.add(&front, -1);
        let next = self.groups.front_mut().or(self.open.as_mut());
        let end = next.as_ref().map_or(self.first_move + self.moves.len() as u64, |group| group.first);
        let end = (end - self.first_move) as usize;
        if let Some(level) = level.filter(|_| front.bucket > 0) {
            for waiting in self.moves.range_mut(self.settled..end).filter(|waiting| waiting.melt > 0.0) {
                waiting.verdict.limit(level * waiting.distance / waiting.melt, Reason::SustainedCapacity);
            }
        }
        self.settled = end;
        match next {
            // The next stretch starts at its own first move.
            Some(next) => {
                let gap = std::mem::take(&mut next.gap);
                if !self.groups.is_empty() {
                    self.time -= gap;
                    self.time_below -= gap;
                }
            }
            None => self.open_gap = 0,
        }
    }
}

/// Flow at the lower edge of a bucket, mm³/s; none bounds the lowest.
fn edge(bucket: usize, capacity: f64) -> f64 {
    let Some(steps) = bucket.checked_sub(1) else { return f64::NEG_INFINITY };
    let doublings = (1_u64 << (steps / BUCKETS_PER_DOUBLING).min(63)) as f64;
    let within = 1.0 + (steps % BUCKETS_PER_DOUBLING) as f64 / BUCKETS_PER_DOUBLING as f64;
    capacity * doublings * within
}

/// Bucket of a flow by its ratio to the capacity; 0 for ratios up to 1.
fn bucket_of_ratio(ratio: f64) -> usize {
    if ratio.is_nan() || ratio <= 1.0 {
        return 0;
    }
    // Exponent and leading bits of the fraction are the doublings and the place between them.
    let steps = (ratio.to_bits() >> (52 - BUCKETS_PER_DOUBLING.ilog2()))
        - (1.0_f64.to_bits() >> (52 - BUCKETS_PER_DOUBLING.ilog2()));
    (steps as usize).min(MAX_DOUBLINGS * BUCKETS_PER_DOUBLING) + 1
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::moves::Kind;
    use crate::moves::sample;
    use proptest::prelude::*;

    const CAPACITY: f64 = 3.0;
    const WINDOW: f64 = 20.0;
    const PEAK: f64 = 12.0;

    /// A bead of a length and volume, or a travel where the volume is 0, at a speed in mm/s.
    fn step(length: f64, volume: f64, speed: f64) -> Move {
        let kind = if volume > 0.0 { Kind::Bead } else { Kind::Travel };
        Move { kind, speed, feed_mm_min: speed * 60.0, ..sample::bead(length, volume) }
    }

    /// At the speed of the file, s.
    fn time(step: &Move) -> f64 {
        step.distance() / step.speed
    }

    fn unlimited(moves: &[Move]) -> Vec<Verdict> {
        moves.iter().map(Verdict::unlimited).collect()
    }

    fn run(moves: &[Move]) -> Vec<Verdict> {
        let mut pass = Sustained::new(CAPACITY, WINDOW, PEAK);
        let mut out = Vec::new();
        for (index, step) in moves.iter().enumerate() {
            pass.push(step, Verdict::unlimited(step), time(step), index as u64);
            if index % 3 == 0 {
                pass.hand_over(&mut out);
            }
        }
        pass.finish();
        pass.hand_over(&mut out);
        out
    }

    /// The highest moving average, every window tried that starts or ends at an edge.
    fn highest_average(moves: &[Move], verdicts: &[Verdict]) -> f64 {
        let (mut edges, mut sums) = (vec![0.0], vec![0.0]);
        for (step, verdict) in moves.iter().zip(verdicts) {
            edges.push(edges.last().unwrap() + verdict.least_time(step, time(step)));
            sums.push(sums.last().unwrap() + step.melt);
        }
        let laid = |t: f64| {
            let i = edges.partition_point(|e| *e <= t).min(edges.len() - 1).max(1);
            let share = ((t - edges[i - 1]) / (edges[i] - edges[i - 1])).clamp(0.0, 1.0);
            sums[i - 1] + share * (sums[i] - sums[i - 1])
        };
        if moves.is_empty() {
            return 0.0;
        }
        let windows = edges.iter().map(|&e| (laid(e + WINDOW) - laid(e)).max(laid(e) - laid(e - WINDOW)));
        windows.fold(0.0, f64::max) / WINDOW
    }

    /// Beads of 1 mm2 and up to 30 mm at up to the peak flow, with travels between.
    fn moves() -> impl Strategy<Value = Vec<Move>> {
        let bead =
            (0.05_f64..30.0, 0.05_f64..2.0, 0.2_f64..PEAK).prop_map(|(l, area, flow)| step(l, l * area, flow / area));
        let travel = (0.1_f64..200.0, 20.0_f64..150.0).prop_map(|(l, v)| step(l, 0.0, v));
        prop::collection::vec(prop_oneof![4 => bead, 1 => travel], 0..200)
    }

    proptest! {
        #[test]
        fn no_window_is_above_the_capacity(moves in moves()) {
            let out = run(&moves);
            prop_assert_eq!(out.len(), moves.len());
            let highest = highest_average(&moves, &out);
            prop_assert!(highest <= CAPACITY * (1.0 + 2e-5), "{highest}");
            for (step, verdict) in moves.iter().zip(&out) {
                prop_assert!(verdict.speed <= step.speed, "limits only shrink");
                if verdict.reason.is_some() {
                    let flow = step.flow_at(verdict.speed);
                    prop_assert!(flow >= CAPACITY * (1.0 - 1e-6), "held below the capacity itself: {flow}");
                }
            }
        }

        #[test]
        fn what_keeps_the_average_is_left_alone(moves in moves()) {
            if highest_average(&moves, &unlimited(&moves)) <= CAPACITY * (1.0 - 2e-5) {
                prop_assert_eq!(run(&moves), unlimited(&moves));
            }
        }
    }

    #[test]
    fn even_flow_is_held_to_the_capacity_and_travels_give_room() {
        // 60 s at 6 mm3/s: held to 3.
        let out = run(&vec![step(10.0, 10.0, 6.0); 36]);
        assert!(out.iter().all(|l| (l.speed - 3.0).abs() < 1e-6), "{:?}", out[5].speed);
        // 1 s at 6, 1 s at 0: any 20 s hold ten beads, 60 mm3, which is the capacity already.
        let pulses = [step(6.0, 6.0, 6.0), step(100.0, 0.0, 100.0)].repeat(40);
        assert_eq!(run(&pulses), unlimited(&pulses));
        // 1 s at 8, 1 s at 0: 60 mm3 in 20 s are 7.5 beads, 7 gaps between them leave 13 s: level 60 / 13.
        let pulses = [step(8.0, 8.0, 8.0), step(100.0, 0.0, 100.0)].repeat(40);
        let out = run(&pulses);
        let middle = out[40].speed;
        assert!((middle - 60.0 / 13.0).abs() < 0.02, "{middle}");
    }

    #[test]
    fn moves_that_do_nothing_do_not_pile_up() {
        let mut pass = Sustained::new(CAPACITY, WINDOW, PEAK);
        let mut out = Vec::new();
        let nothing = Move { kind: Kind::Feed, length: 0.0, delta: [0.0; 3], ..step(1.0, 0.0, 1.0) };
        let moves = [vec![step(1.0, 1.0, 6.0)], vec![nothing; 20_000]].concat();
        for (index, step) in moves.iter().enumerate() {
            pass.push(step, Verdict::unlimited(step), time(step), 0);
            pass.hand_over(&mut out);
            assert!(index + 1 - out.len() <= MAX_IDLE_MOVES + 2, "{} of {index}", out.len());
        }
        // What was let go unseen is held to the capacity.
        assert!((out[0].speed - CAPACITY).abs() < 1e-9, "{}", out[0].speed);
    }

    #[test]
    fn a_short_burst_is_left_alone_far_from_the_next() {
        let mut moves = vec![step(10.0, 10.0, 6.0); 3];
        moves.push(step(3000.0, 0.0, 100.0));
        moves.extend(vec![step(10.0, 10.0, 6.0); 3]);
        assert_eq!(run(&moves), unlimited(&moves));
    }
}
