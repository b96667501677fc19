//! Jobs in a row on batches in a row, side by side as far as there are threads.
//!
//! A few batches go round: from the first station, which fills them, to the last, behind which they are empty again.
//! Each station works on one batch at a time and in their order, so a station may keep state, and what comes out does
//! not depend on threads. No station waits for another: a thread that is free goes to the last of the stations where
//! something is to be done, so batches run on to the end before others are begun, and a batch is mostly still in the
//! cache of the thread that had it before. Memory is bounded by the number of batches.

use std::collections::VecDeque;
use std::sync::{Mutex, MutexGuard, PoisonError};

use rayon::Scope;

use crate::error::{Error, Result};

/// What becomes of a batch behind a station.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Next {
    /// It goes on.
    On,
    /// There is nothing more: neither this batch nor another one goes on.
    End,
}

/// What is done at a station.
pub type Work<'a, B> = Box<dyn FnMut(&mut B) -> Result<Next> + Send + 'a>;

/// Lets `batches` go round the stations until one says that there is nothing more, or fails. Batches that are ahead of
/// it are finished first. Works in the current rayon pool.
///
/// # Errors
/// Of several stations that fail, the one that fails at the earliest batch.
pub fn run<B: Send>(batches: Vec<B>, works: Vec<Work<'_, B>>) -> Result<()> {
    let mut lines: Vec<Line<B>> = works.iter().map(|_| Line::default()).collect();
    if let Some(first) = lines.first_mut() {
        first.batches.extend(batches.into_iter().map(|batch| (0, batch)));
    }
    let floor = Floor { lines, filled: 0, end: u64::MAX, error: None, threads: 1 };
    let ring = Ring {
        works: works.into_iter().map(Mutex::new).collect(),
        floor: Mutex::new(floor),
        most_threads: rayon::current_num_threads(),
    };
    rayon::scope(|scope| ring.work(scope));
    match ring.floor.into_inner().unwrap_or_else(PoisonError::into_inner).error {
        Some(error) => Err(error),
        None => Ok(()),
    }
}

struct Ring<'a, B> {
    works: Vec<Mutex<Work<'a, B>>>,
    floor: Mutex<Floor<B>>,
    most_threads: usize,
}

/// What waits where.
struct Floor<B> {
    /// Before each station.
    lines: Vec<Line<B>>,
    /// Batches filled so far.
    filled: u64,
    /// Number of the first batch that does not go on.
    end: u64,
    error: Option<Error>,
    /// Threads that work here or are called.
    threads: usize,
}

/// Batches that wait before a station, with their numbers.
struct Line<B> {
    batches: VecDeque<(u64, B)>,
    /// A thread works at the station.
    is_busy: bool,
}

impl<B> Default for Line<B> {
    fn default() -> Self {
        Self { batches: VecDeque::new(), is_busy: false }
    }
}

impl<B> Line<B> {
    fn is_ready(&self) -> bool {
        !self.is_busy && !self.batches.is_empty()
    }
}

impl<B> Floor<B> {
    /// Takes the next batch of the last station where one can be worked on.
    fn next(&mut self) -> Option<(usize, u64, B)> {
        let at = self.lines.iter().rposition(Line::is_ready)?;
        let line = self.lines.get_mut(at)?;
        let (number, batch) = line.batches.pop_front()?;
        line.is_busy = true;
        if at > 0 {
            return Some((at, number, batch));
        }
        self.filled += 1;
        Some((at, self.filled - 1, batch))
    }

    /// A batch has been worked on at a station.
    fn done(&mut self, at: usize, number: u64, batch: B, outcome: Result<Next>) {
        let next = (at + 1) % self.lines.len();
        if let Some(line) = self.lines.get_mut(at) {
            line.is_busy = false;
        }
        match (outcome, self.lines.get_mut(next)) {
            (Ok(Next::On), Some(line)) => line.batches.push_back((number, batch)),
            (outcome, _) if number < self.end => (self.end, self.error) = (number, outcome.err()),
            _ => {}
        }
    }
}

impl<B: Send> Ring<'_, B> {
    /// Works as long as there is something to do here, and calls another thread where there is more.
    fn work<'s>(&'s self, scope: &Scope<'s>) {
        let mut done = None;
        loop {
            let (at, number, mut batch, is_over) = {
                let mut floor = lock(&self.floor);
                if let Some((at, number, batch, outcome)) = done.take() {
                    floor.done(at, number, batch, outcome);
                }
                let Some((at, number, batch)) = floor.next() else {
                    floor.threads -= 1;
                    return;
                };
                if floor.threads < self.most_threads && floor.lines.iter().any(Line::is_ready) {
                    floor.threads += 1;
                    scope.spawn(|scope| self.work(scope));
                }
                (at, number, batch, number >= floor.end)
            };
            let outcome = match self.works.get(at) {
                Some(work) if !is_over => lock(work)(&mut batch),
                _ => Ok(Next::End),
            };
            done = Some((at, number, batch, outcome));
        }
    }
}

/// A station that panicked takes the whole ring down with it, so nobody sees what it left.
fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn fault(what: &str) -> Error {
        Error::io("count", std::io::Error::other(what.to_owned()))
    }

    /// Counts to `most` on so many threads, doubles, and adds up what arrives; fails at `faults` of (station, number).
    fn round(threads: usize, batches: usize, most: u64, faults: &[(usize, u64)]) -> (Vec<u64>, Result<()>) {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        let (mut count, mut seen) = (0, Vec::new());
        let judge = |station: usize, number: u64| match faults.contains(&(station, number)) {
            true => Err(fault(&format!("{station} {number}"))),
            false => Ok(Next::On),
        };
        let fill = |batch: &mut u64| {
            (*batch, count) = (count, count + 1);
            if *batch == most { Ok(Next::End) } else { judge(0, *batch) }
        };
        let double = |batch: &mut u64| {
            // Long and short ones, so that there is something to overtake.
            (0..*batch % 7 * 50).for_each(|_| std::hint::spin_loop());
            *batch *= 2;
            judge(1, *batch / 2)
        };
        let keep = |batch: &mut u64| {
            seen.push(*batch);
            judge(2, *batch / 2)
        };
        let works: Vec<Work<'_, u64>> = vec![Box::new(fill), Box::new(double), Box::new(keep)];
        let outcome = pool.install(|| run(vec![0; batches], works));
        (seen, outcome)
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]
        #[test]
        fn everything_arrives_in_order(threads in 1_usize..5, batches in 1_usize..9, most in 0_u64..200) {
            let (seen, outcome) = round(threads, batches, most, &[]);
            prop_assert!(outcome.is_ok());
            prop_assert_eq!(seen, (0..most).map(|number| 2 * number).collect::<Vec<_>>());
        }

        #[test]
        fn the_earliest_fault_is_told(
            threads in 1_usize..5, batches in 1_usize..9,
            faults in prop::collection::vec((0_usize..3, 0_u64..50), 1..5),
        ) {
            let (seen, outcome) = round(threads, batches, 50, &faults);
            let (station, number) = faults.iter().copied().min_by_key(|&(station, number)| (number, station)).unwrap();
            let told = format!("{:?}", outcome.unwrap_err());
            prop_assert!(told.contains(&format!("{station} {number}")), "{}", told);
            // What was ahead of it has arrived.
            let arrived = number + u64::from(station == 2);
            prop_assert_eq!(seen, (0..arrived).map(|number| 2 * number).collect::<Vec<_>>());
        }
    }
}
