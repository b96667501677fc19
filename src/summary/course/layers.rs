//! Times of layers, and what stands in some of them.

use super::beads;
use crate::units::Bounded;

/// Most entries of times; with more layers, neighbours are joined.
const MOST_SPANS: usize = 400;
/// Most islands of one layer that are kept: the first ones, which are the largest.
const MOST_ISLANDS: usize = 48;
/// Most islands that are kept in all; with more of them, fewer of each layer.
const MOST_IN_ALL: usize = 512 * MOST_ISLANDS;

/// Some layers in a row.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct LayerSpan {
    /// First layer.
    pub first: u32,
    /// Last layer.
    pub last: u32,
    /// Height of the first, mm.
    pub z_mm: f64,
    /// Shortest time of one of them as the file has it, s.
    pub before_s: f64,
    /// The same in the output, s.
    pub after_s: f64,
}

/// Times of layers, each from its first bead to the first of the next.
#[derive(Clone, Debug, PartialEq)]
pub struct LayerTimes {
    spans: Vec<LayerSpan>,
    per_span: u32,
    open: LayerSpan,
}

impl Default for LayerTimes {
    fn default() -> Self {
        Self { spans: Vec::new(), per_span: 1, open: LayerSpan::default() }
    }
}

impl LayerTimes {
    /// Spans of layers, in order; at most four hundred.
    pub fn spans(&self) -> &[LayerSpan] {
        &self.spans
    }

    /// Layers that are joined to one span.
    pub fn per_span(&self) -> u32 {
        self.per_span
    }

    /// The layer at hand; 0 before the first.
    pub(super) fn layer(&self) -> u32 {
        self.open.first
    }

    #[inline]
    pub(super) fn begin(&mut self, layer: u32, z_mm: f64) {
        if layer != self.open.first {
            self.end();
            self.open = LayerSpan { first: layer, last: layer, z_mm, before_s: 0.0, after_s: 0.0 };
        }
    }

    pub(super) fn pass(&mut self, before_s: f64, after_s: f64) {
        self.open.before_s += before_s;
        self.open.after_s += after_s;
    }

    pub(super) fn end(&mut self) {
        let layer = std::mem::take(&mut self.open);
        if layer.first == 0 {
            return;
        }
        let place = |layer: u32, per_span: u32| layer.saturating_sub(1) / per_span;
        while place(layer.first, self.per_span) as usize >= MOST_SPANS {
            self.per_span = self.per_span.saturating_mul(2);
            let mut joined: Vec<LayerSpan> = Vec::with_capacity(MOST_SPANS);
            for span in self.spans.drain(..) {
                match joined.last_mut() {
                    Some(last) if place(last.first, self.per_span) == place(span.first, self.per_span) => {
                        join(last, &span);
                    }
                    _ => joined.push(span),
                }
            }
            self.spans = joined;
        }
        match self.spans.last_mut() {
            Some(last) if place(last.first, self.per_span) == place(layer.first, self.per_span) => join(last, &layer),
            _ => self.spans.push(layer),
        }
    }
}

fn join(span: &mut LayerSpan, other: &LayerSpan) {
    span.last = span.last.max(other.last);
    span.before_s = span.before_s.at_most(other.before_s);
    span.after_s = span.after_s.at_most(other.after_s);
}

/// What a survey found in a layer.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Ground {
    /// Number of the layer.
    pub layer: u32,
    /// Height of the layer itself, mm.
    pub height_mm: f64,
    /// Mean width of its beads, mm; 0 where there are none.
    pub bead_width_mm: f64,
    /// Islands in it, shown or not.
    pub islands: usize,
    /// Least X and Y, largest X and Y of the largest islands, mm.
    pub boxes_mm: Vec<[f64; 4]>,
}

/// What stands in some layers, evenly spread over the file.
#[derive(Clone, Debug, PartialEq)]
pub struct Grounds {
    list: Vec<Ground>,
    every: u32,
    /// Islands of a layer that are kept, and of all layers.
    most_islands: usize,
    islands: usize,
}

impl Default for Grounds {
    fn default() -> Self {
        Self { list: Vec::new(), every: 1, most_islands: MOST_ISLANDS, islands: 0 }
    }
}

impl Grounds {
    /// Takes the next layer; the first of several with the same number is kept.
    pub fn add(&mut self, mut ground: Ground) {
        if !is_kept(ground.layer, self.every) || self.list.last().is_some_and(|last| last.layer >= ground.layer) {
            return;
        }
        ground.boxes_mm.truncate(self.most_islands);
        self.islands += ground.boxes_mm.len();
        self.list.push(ground);
        // At least as many as there are layers whose beads are shown.
        while self.list.len() > beads::MOST {
            self.every = self.every.saturating_mul(2);
            let every = self.every;
            self.list.retain(|ground| is_kept(ground.layer, every));
            self.islands = self.list.iter().map(|ground| ground.boxes_mm.len()).sum();
        }
        while self.islands > MOST_IN_ALL && self.most_islands > 1 {
            self.most_islands /= 2;
            self.list.iter_mut().for_each(|ground| ground.boxes_mm.truncate(self.most_islands));
            self.islands = self.list.iter().map(|ground| ground.boxes_mm.len()).sum();
        }
    }

    /// What stands in a layer, if that was kept.
    pub fn of(&self, layer: u32) -> Option<&Ground> {
        self.near(layer).filter(|ground| ground.layer == layer)
    }

    /// What stands in a layer, or in the next below that was kept.
    pub fn near(&self, layer: u32) -> Option<&Ground> {
        let below = self.list.partition_point(|ground| ground.layer <= layer);
        self.list.get(below.checked_sub(1)?)
    }
}

/// Whether a layer is one of every `every`, the first included.
pub(super) const fn is_kept(layer: u32, every: u32) -> bool {
    layer > 0 && (layer - 1).is_multiple_of(every)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spans_keep_the_shortest_time() {
        let mut times = LayerTimes::default();
        for layer in 1..=1000 {
            times.begin(layer, f64::from(layer) * 0.5);
            times.pass(f64::from(layer), f64::from(layer) * 2.0);
        }
        times.end();
        // Four layers a span: 1-4, ..., 997-1000.
        assert_eq!((times.spans().len(), times.per_span()), (250, 4));
        let span = times.spans()[1];
        assert_eq!((span.first, span.last, span.z_mm, span.before_s, span.after_s), (5, 8, 2.5, 5.0, 10.0));
    }

    #[test]
    fn grounds_are_evenly_spread() {
        let mut grounds = Grounds::default();
        for layer in 0..=2100 {
            let boxes_mm = vec![[0.0; 4]; 100];
            grounds.add(Ground { layer, islands: 100, boxes_mm, ..Ground::default() });
            grounds.add(Ground { layer, islands: 7, ..Ground::default() });
        }
        let kept = |layer| grounds.of(layer).map(|ground| (ground.islands, ground.boxes_mm.len()));
        assert_eq!(
            (kept(0), kept(1), kept(2), kept(5), kept(2097)),
            (None, Some((100, 12)), None, Some((100, 12)), Some((100, 12)))
        );
        assert_eq!(grounds.near(2).map(|ground| ground.layer), Some(1));
        assert!(grounds.list.len() <= beads::MOST && grounds.islands <= MOST_IN_ALL);
        // As many layers as beads are shown of are all kept.
        let mut grounds = Grounds::default();
        (1..=beads::MOST as u32).for_each(|layer| grounds.add(Ground { layer, ..Ground::default() }));
        assert!((1..=beads::MOST as u32).all(|layer| grounds.of(layer).is_some()));
    }
}
