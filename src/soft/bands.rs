//! Figures of the part by bands of layers, for the reader.

use serde::Serialize;

/// Most bands; with more layers, neighbours are joined.
pub const MAX_BANDS: usize = 20;

/// Some layers in a row. Worst figures are those of the softest island of any of its layers.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Band {
    /// First layer.
    pub first_layer: u32,
    /// Last layer.
    pub last_layer: u32,
    /// Height of its highest layer, mm.
    pub z_mm: f64,
    /// Islands in its layers, at most.
    pub islands: u32,
    /// Highest acceleration along X that the part bears, mm/s²; `None`: the machine does not move it along X.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub accel_x_mm_s2: Option<f64>,
    /// The same along Y.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub accel_y_mm_s2: Option<f64>,
    /// Deflection of the tip at the acceleration of the machine, along the axes that move the part, mm.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sway_mm: Option<f64>,
    /// Lowest frequency along these axes, Hz.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub frequency_hz: Option<f64>,
    /// Deflection by the drag of the nozzle at the fastest bead, mm.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub drag_mm: Option<f64>,
    /// How many times its own weight the weakest column carries.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub weight_factor: Option<f64>,
    /// Shortest time of a layer as the file has it, s.
    pub time_before_s: f64,
    /// Least time that its layers need to cool, s, where it is longest.
    pub least_time_s: f64,
    /// Shortest time in the output, waits included, of the layers that need most to cool, s; `None` where nothing is written.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub time_after_s: Option<f64>,
    /// Waits for cooling, s.
    pub waits_s: f64,
}

impl Band {
    /// What a layer of the output adds to its band: it needed `least_time_s` and took `time_s`, of which it waited `waits_s`.
    pub fn of_output(layer: u32, least_time_s: f64, time_s: f64, waits_s: f64) -> Self {
        Self {
            first_layer: layer,
            last_layer: layer,
            z_mm: f64::NEG_INFINITY,
            time_before_s: f64::INFINITY,
            least_time_s,
            time_after_s: Some(time_s),
            waits_s,
            ..Self::default()
        }
    }

    fn join(&mut self, other: &Self) {
        self.last_layer = self.last_layer.max(other.last_layer);
        self.z_mm = self.z_mm.max(other.z_mm);
        self.islands = self.islands.max(other.islands);
        keep_least(&mut self.accel_x_mm_s2, other.accel_x_mm_s2);
        keep_least(&mut self.accel_y_mm_s2, other.accel_y_mm_s2);
        keep_most(&mut self.sway_mm, other.sway_mm);
        keep_least(&mut self.frequency_hz, other.frequency_hz);
        keep_most(&mut self.drag_mm, other.drag_mm);
        keep_least(&mut self.weight_factor, other.weight_factor);
        self.time_before_s = self.time_before_s.min(other.time_before_s);
        if other.least_time_s > self.least_time_s {
            (self.least_time_s, self.time_after_s) = (other.least_time_s, other.time_after_s);
        } else if other.least_time_s == self.least_time_s {
            keep_least(&mut self.time_after_s, other.time_after_s);
        }
        self.waits_s += other.waits_s;
    }

    /// Which of all bands with so many layers it belongs to, counted from 0.
    fn place(&self, per_band: u32) -> u32 {
        self.first_layer.saturating_sub(1) / per_band
    }
}

/// Bands of the same number of layers, as few as are enough.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(transparent)]
pub struct Bands {
    list: Vec<Band>,
    #[serde(skip)]
    layers_per_band: u32,
}

impl Default for Bands {
    fn default() -> Self {
        Self { list: Vec::new(), layers_per_band: 1 }
    }
}

impl Bands {
    /// All of them, from the first layer up.
    pub fn list(&self) -> &[Band] {
        &self.list
    }

    /// Adds the figures of one layer, the next or the last.
    pub fn add(&mut self, layer: &Band) {
        while layer.place(self.layers_per_band) as usize >= MAX_BANDS {
            self.widen();
        }
        let place = layer.place(self.layers_per_band);
        match self.list.last_mut() {
            Some(last) if last.place(self.layers_per_band) == place => last.join(layer),
            _ => self.list.push(layer.clone()),
        }
    }

    /// Adds what the layers took in the output, each a [`Band::of_output`].
    pub fn took(&mut self, mut output: Self) {
        while output.layers_per_band < self.layers_per_band {
            output.widen();
        }
        while self.layers_per_band < output.layers_per_band {
            self.widen();
        }
        let per_band = self.layers_per_band;
        for band in &mut self.list {
            let same = |other: &&Band| other.place(per_band) == band.place(per_band);
            if let Some(other) = output.list.iter().find(same) {
                band.time_after_s = other.time_after_s;
                band.waits_s = other.waits_s;
            }
        }
    }

    /// Joins neighbours, so that bands have twice as many layers.
    fn widen(&mut self) {
        self.layers_per_band = self.layers_per_band.saturating_mul(2);
        let per_band = self.layers_per_band;
        let mut joined: Vec<Band> = Vec::with_capacity(MAX_BANDS);
        for band in self.list.drain(..) {
            match joined.last_mut() {
                Some(last) if last.place(per_band) == band.place(per_band) => last.join(&band),
                _ => joined.push(band),
            }
        }
        self.list = joined;
    }
}

/// Keeps the least; what is no finite number is left out.
pub(super) fn keep_least(held: &mut Option<f64>, found: Option<f64>) {
    keep(held, found, f64::min);
}

/// Keeps the largest; what is no finite number is left out.
pub(super) fn keep_most(held: &mut Option<f64>, found: Option<f64>) {
    keep(held, found, f64::max);
}

fn keep(held: &mut Option<f64>, found: Option<f64>, worse: fn(f64, f64) -> f64) {
    if let Some(found) = found.filter(|found| found.is_finite()) {
        *held = Some(held.map_or(found, |held| worse(held, found)));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bands_keep_the_worst_and_stay_few() {
        let mut bands = Bands::default();
        for layer in 1..=100 {
            let time_before_s = f64::from(layer);
            let accel_y_mm_s2 = Some(1000.0 / f64::from(layer));
            bands.add(&Band { first_layer: layer, last_layer: layer, time_before_s, accel_y_mm_s2, ..Band::default() });
        }
        let list = bands.list();
        // 8 layers a band: 1-8, ..., 97-100.
        assert_eq!((list.len(), list[0].last_layer, list[12].first_layer, list[12].last_layer), (13, 8, 97, 100));
        assert_eq!((list[1].time_before_s, list[1].accel_y_mm_s2), (9.0, Some(62.5)));
        // The output has no beads beyond layer 40: bands of two layers there.
        let mut output = Bands::default();
        for layer in 1..=40 {
            let (time_s, waits_s) = match layer {
                10 => (5.0, 1.5),
                11 => (4.0, 0.5),
                _ => (9.0, 0.0),
            };
            // Layer 11 needs no time: how quick it is, is of no matter.
            output.add(&Band::of_output(layer, if layer == 11 { 0.0 } else { 5.0 }, time_s, waits_s));
        }
        assert_eq!(output.list().len(), 20);
        bands.took(output);
        let took = |band: usize| (bands.list()[band].time_after_s, bands.list()[band].waits_s);
        assert_eq!([took(0), took(1), took(12)], [(Some(9.0), 0.0), (Some(5.0), 2.0), (None, 0.0)]);
        assert_eq!((bands.list()[1].time_before_s, bands.list()[1].z_mm), (9.0, 0.0));
    }

    /// Layers in a row, told as one: of each figure what is worst for the reader, the sum of the waits, and the time in the output
    /// of the layer that needs most.
    #[test]
    fn of_two_layers_the_worst_of_each_figure_is_kept() {
        let lower = Band {
            first_layer: 1,
            last_layer: 1,
            z_mm: 0.3,
            islands: 4,
            accel_x_mm_s2: Some(900.0),
            accel_y_mm_s2: None,
            sway_mm: Some(0.01),
            frequency_hz: Some(80.0),
            drag_mm: Some(0.02),
            weight_factor: Some(40.0),
            time_before_s: 12.0,
            least_time_s: 20.0,
            time_after_s: Some(21.0),
            waits_s: 3.0,
        };
        let upper = Band {
            first_layer: 2,
            last_layer: 2,
            z_mm: 0.6,
            islands: 2,
            accel_x_mm_s2: Some(700.0),
            accel_y_mm_s2: Some(500.0),
            sway_mm: Some(0.03),
            frequency_hz: Some(60.0),
            drag_mm: Some(f64::NAN),
            weight_factor: Some(30.0),
            time_before_s: 10.0,
            least_time_s: 18.0,
            time_after_s: Some(18.5),
            waits_s: 1.0,
        };
        let worst = Band {
            first_layer: 1,
            last_layer: 2,
            islands: 4,
            drag_mm: Some(0.02),
            least_time_s: 20.0,
            time_after_s: Some(21.0),
            waits_s: 4.0,
            ..upper.clone()
        };
        let mut joined = lower.clone();
        joined.join(&upper);
        assert_eq!(joined, worst);
        // A layer that is laid at two times, as where parts are laid one after the other, is no different.
        let mut other_way = upper;
        other_way.join(&lower);
        assert_eq!(Band { first_layer: 1, last_layer: 2, ..other_way }, worst);
    }
}
