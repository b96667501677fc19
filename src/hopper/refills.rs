//! Where the hopper is refilled.
//!
//! Between two refills, and before the first and behind the last, the print may take no more than the allowance. Of all
//! plans that keep to it the one with fewest visible places is taken; of those the one with fewest refills; of those the
//! one with most refills at layer changes; and then each refill as late as it can be.
//!
//! That is a shortest path over the places in a window of one allowance. The cost of the cheapest plan that ends with a
//! refill at a place is the least cost in the window before it and the place's own. A place that costs no less than a
//! later one is never of use again, so the window holds places of rising cost only (the sliding minimum): each place is
//! put in and taken out once, and a handful is kept.

use std::collections::VecDeque;
use std::sync::Arc;

use super::{PlaceKind, Spot, Stamp};

/// A refill that was decided on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Halt {
    pub at: Stamp,
    pub spot: Spot,
}

/// What a plan costs; what stands first counts most.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
struct Cost {
    /// Stretches over which there was no place within the allowance.
    short: u32,
    visible: u32,
    refills: u32,
    /// Refills away from layer changes.
    within_layers: u32,
}

impl Cost {
    fn and(mut self, kind: PlaceKind) -> Self {
        self.refills = self.refills.saturating_add(1);
        self.visible = self.visible.saturating_add(u32::from(kind == PlaceKind::Visible));
        self.within_layers = self.within_layers.saturating_add(u32::from(kind != PlaceKind::LayerChange));
        self
    }
}

/// A refill with those before it. Plans share what they have in common.
#[derive(Debug)]
struct Chain {
    halt: Halt,
    before: Option<Arc<Chain>>,
}

impl Drop for Chain {
    /// One after the other: a long chain must not use up the stack.
    fn drop(&mut self) {
        let mut next = self.before.take();
        while let Some(mut chain) = next.and_then(Arc::into_inner) {
            next = chain.before.take();
        }
    }
}

/// The end of the cheapest plan that refills last at a place; without a place, the start of the print.
#[derive(Clone, Debug)]
struct End {
    used_g: f64,
    cost: Cost,
    halt: Option<Halt>,
    before: Option<Arc<Chain>>,
    /// The same as a chain, once a later place needs it.
    chain: Option<Arc<Chain>>,
}

impl End {
    fn chain(&mut self) -> Option<Arc<Chain>> {
        if self.chain.is_none() {
            let before = &self.before;
            self.chain = self.halt.map(|halt| Arc::new(Chain { halt, before: before.clone() }));
        }
        self.chain.clone()
    }
}

/// Finds the places while the print streams by.
#[derive(Clone, Debug)]
pub(super) struct Refills {
    allowance_g: f64,
    purge_g: f64,
    /// In the order of the print and of rising cost; the last place given is always among them.
    ends: VecDeque<End>,
}

impl Refills {
    /// `allowance_g`: what may be fed between two refills; `purge_g` of it are pushed out right behind one.
    pub fn new(allowance_g: f64, purge_g: f64) -> Self {
        let start = End { used_g: 0.0, cost: Cost::default(), halt: None, before: None, chain: None };
        Self { allowance_g, purge_g, ends: VecDeque::from([start]) }
    }

    /// A place where a refill is possible.
    pub fn place(&mut self, at: Stamp, spot: Spot) {
        let Some((cost, before)) = self.reach(at.used_g) else { return };
        let cost = cost.and(spot.kind);
        while self.ends.back().is_some_and(|end| end.cost >= cost) {
            self.ends.pop_back();
        }
        // What is purged behind a refill is missing from the stretch to the next, as if that began earlier.
        let used_g = at.used_g - self.purge_g;
        self.ends.push_back(End { used_g, cost, halt: Some(Halt { at, spot }), before, chain: None });
    }

    /// The cheapest plan that gets to `used_g` without a further refill.
    fn reach(&mut self, used_g: f64) -> Option<(Cost, Option<Arc<Chain>>)> {
        // Sums of grams differ in their last bits.
        let reach = self.allowance_g + 1e-10 * used_g;
        while self.ends.len() > 1 && self.ends.front().is_some_and(|end| used_g - end.used_g > reach) {
            self.ends.pop_front();
        }
        let front = self.ends.front_mut()?;
        let mut cost = front.cost;
        // The last place there was, and still too far: nobody could do better.
        cost.short = cost.short.saturating_add(u32::from(used_g - front.used_g > reach));
        Some((cost, front.chain()))
    }

    /// How many places are kept.
    #[cfg(test)]
    pub fn kept(&self) -> usize {
        self.ends.len()
    }

    /// The refills of a print that takes `total_g`, in order.
    pub fn finish(mut self, total_g: f64) -> Vec<Halt> {
        let mut halts = Vec::new();
        let mut next = self.reach(total_g).and_then(|(_, chain)| chain);
        while let Some(chain) = next {
            halts.push(chain.halt);
            next = chain.before.clone();
        }
        halts.reverse();
        halts
    }
}

/// Where refills come from.
#[derive(Clone, Debug)]
pub(super) enum Places {
    /// They are looked for.
    Sought(Refills),
    /// They go before these lines, in order, as an earlier plan has them; `halts`: those that were passed.
    Given { lines: VecDeque<u64>, halts: Vec<Halt> },
}

impl Places {
    /// A place where a refill is possible.
    pub fn place(&mut self, at: Stamp, spot: Spot) {
        match self {
            Self::Sought(refills) => refills.place(at, spot),
            Self::Given { lines, halts } => {
                while lines.front().is_some_and(|line| *line < spot.line) {
                    lines.pop_front();
                }
                if lines.front() == Some(&spot.line) {
                    lines.pop_front();
                    halts.push(Halt { at, spot });
                }
            }
        }
    }

    /// How many places are kept.
    #[cfg(test)]
    pub fn kept(&self) -> usize {
        match self {
            Self::Sought(refills) => refills.kept(),
            Self::Given { halts, .. } => halts.len(),
        }
    }

    /// The refills of a print that takes `total_g`, in order.
    pub fn finish(self, total_g: f64) -> Vec<Halt> {
        match self {
            Self::Sought(refills) => refills.finish(total_g),
            Self::Given { halts, .. } => halts,
        }
    }
}
