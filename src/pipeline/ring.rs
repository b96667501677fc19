//! Jobs in a row on batches in a row, side by side as far as there are threads.
//!
//! A few batches go round: from the first station, which fills them, to the last, behind which they are empty again.
//! Each station works on one batch at a time and in their order, so a station may keep state, and what comes out does
//! not depend on threads. No station waits for another: a thread that is done with a batch follows it to the next
//! station, where it is still in the cache, and another thread takes the place it left. Memory is bounded by the number
//! of batches.

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
    let station = |work| Station { work: Mutex::new(work), queue: Mutex::new(Queue::default()) };
    let ring = Ring { stations: works.into_iter().map(station).collect(), end: Mutex::new(End::default()) };
    rayon::scope(|scope| {
        for batch in batches {
            if ring.hand(0, 0, batch) {
                ring.call(scope, 0);
            }
        }
    });
    match ring.end.into_inner().unwrap_or_else(PoisonError::into_inner).error {
        Some(error) => Err(error),
        None => Ok(()),
    }
}

struct Ring<'a, B> {
    stations: Vec<Station<'a, B>>,
    end: Mutex<End>,
}

struct Station<'a, B> {
    work: Mutex<Work<'a, B>>,
    queue: Mutex<Queue<B>>,
}

struct Queue<B> {
    /// With their numbers.
    batches: VecDeque<(u64, B)>,
    /// A thread works here or is called.
    is_busy: bool,
}

impl<B> Default for Queue<B> {
    fn default() -> Self {
        Self { batches: VecDeque::new(), is_busy: false }
    }
}

/// Where it ends.
struct End {
    /// Batches filled so far.
    filled: u64,
    /// Number of the first batch that does not go on.
    at: u64,
    error: Option<Error>,
}

impl Default for End {
    fn default() -> Self {
        Self { filled: 0, at: u64::MAX, error: None }
    }
}

impl<B: Send> Ring<'_, B> {
    /// Puts a batch before a station; says whether a thread has to be called to it.
    #[must_use]
    fn hand(&self, at: usize, number: u64, batch: B) -> bool {
        let Some(station) = self.stations.get(at) else { return false };
        let mut queue = lock(&station.queue);
        queue.batches.push_back((number, batch));
        !std::mem::replace(&mut queue.is_busy, true)
    }

    fn call<'s>(&'s self, scope: &Scope<'s>, at: usize) {
        scope.spawn(move |scope| self.visit(scope, at));
    }

    /// Works on the next batch of a station.
    fn visit<'s>(&'s self, scope: &Scope<'s>, at: usize) {
        let Some(station) = self.stations.get(at) else { return };
        let Some((mut number, mut batch)) = lock(&station.queue).batches.pop_front() else { return };
        let is_over = {
            let mut end = lock(&self.end);
            if at == 0 {
                (number, end.filled) = (end.filled, end.filled + 1);
            }
            number >= end.at
        };
        let outcome = if is_over { Ok(Next::End) } else { lock(&station.work)(&mut batch) };
        // Handed on before the station is free again, so that no batch overtakes another.
        let next = (at + 1) % self.stations.len();
        let is_called = match outcome {
            Ok(Next::On) => self.hand(next, number, batch),
            Ok(Next::End) => self.end(number, None),
            Err(error) => self.end(number, Some(error)),
        };
        let mut queue = lock(&station.queue);
        queue.is_busy = !queue.batches.is_empty();
        if queue.is_busy {
            self.call(scope, at);
        }
        drop(queue);
        // What is called last comes first: this thread follows its batch, and another one may come here.
        if is_called {
            self.call(scope, next);
        }
    }

    /// Lets no batch from this one on go further; nobody has to be called.
    fn end(&self, number: u64, error: Option<Error>) -> bool {
        let mut end = lock(&self.end);
        if number < end.at {
            (end.at, end.error) = (number, error);
        }
        false
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
