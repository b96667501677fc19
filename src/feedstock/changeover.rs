//! From one feedstock to another: how much to purge, and where in a print to change the hopper.

use serde::Serialize;

use super::no_answer;
use crate::error::{Error, Result};
use crate::physics::tanks::{new_share, new_volumes, turnovers};
use crate::units::{Density, Mass, SpecificOutput, Volume, VolumeFlow};

/// Shares of new feedstock that are reported.
const SHARES: [f64; 4] = [0.5, 0.9, 0.95, 0.99];
/// Shares between which a transition is seen: from the first trace to as good as done.
const TRANSITION: [f64; 2] = [0.05, 0.95];

/// The melt in barrel and nozzle, and how it is stirred.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Barrel {
    /// Melt between where granules melt and the tip of the nozzle, as the volume it has when it is laid and cold.
    pub melt_as_laid_mm3: Volume,
    /// Stirred tanks in a row it behaves like, 1 ..= 50.
    pub tanks: u32,
    /// What lies before the melt and cannot be taken out: granules in the feed zone and the cup, as solid volume. It
    /// moves on without mixing.
    pub solids_mm3: Volume,
}

/// What a purge takes until a share is new.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct PurgeStep {
    /// Share of new feedstock in what leaves.
    pub share: f64,
    /// Melt volumes that have to pass.
    pub turnovers: f64,
    /// Volume that has to pass, with what lies before the melt.
    pub volume_mm3: Volume,
    /// Mass of what leaves, the old and the new each with its own density.
    pub mass_g: Mass,
    /// Turns of the screw.
    pub turns: f64,
    /// Time at the flow given, s.
    pub time_s: f64,
}

impl Barrel {
    /// Checks the figures.
    ///
    /// # Errors
    /// [`crate::error::ErrorKind::Usage`] for a melt volume that is not above zero, solids below zero, and a number of
    /// tanks out of range.
    pub fn new(melt_as_laid_mm3: Volume, tanks: u32, solids_mm3: Volume) -> Result<Self> {
        let finite = melt_as_laid_mm3.as_mm3().is_finite() && solids_mm3.as_mm3().is_finite();
        if !finite || melt_as_laid_mm3 <= Volume::ZERO {
            let help = "take the melt in channel and head that `meltwright screw` prints; or run the barrel empty, weigh what \
                        comes out, and divide by the density of the melt";
            return Err(Error::usage("the melt volume must be above zero", help));
        }
        if solids_mm3 < Volume::ZERO {
            return Err(Error::usage(
                "what lies before the melt must not be below zero",
                "give 0 if the feed is empty",
            ));
        }
        new_share(tanks, 0.0).map_err(no_answer)?;
        Ok(Self { melt_as_laid_mm3, tanks, solids_mm3 })
    }

    /// Volume that has to pass after the hopper was changed until a share of what leaves is new.
    ///
    /// # Errors
    /// For a share that is not between 0.0001 and 0.9999.
    pub fn volume_until(&self, share: f64) -> Result<Volume> {
        let theta = turnovers(self.tanks, share).map_err(no_answer)?;
        Ok(self.solids_mm3 + self.melt_as_laid_mm3 * theta)
    }

    /// Mass of the first so many mm³ that leave after the hopper was changed: the old and the new each with its own density.
    ///
    /// # Errors
    /// None beyond those of [`Barrel::new`].
    pub fn mass_after(&self, volume: Volume, densities: [Density; 2]) -> Result<Mass> {
        let [old, new] = densities;
        let turnovers = (volume.as_mm3() - self.solids_mm3.as_mm3()).max(0.0) / self.melt_as_laid_mm3.as_mm3();
        let of_new = self.melt_as_laid_mm3 * new_volumes(self.tanks, turnovers).map_err(no_answer)?;
        Ok((volume - of_new) * old + of_new * new)
    }

    /// The purge to 50, 90, 95 and 99 %.
    ///
    /// | argument    | unit    | range   | what                             |
    /// |-------------|---------|---------|----------------------------------|
    /// | `densities` | g/cm³   | above 0 | of the old and the new feedstock |
    /// | `output`    | mm³/rev | above 0 | of the screw                     |
    /// | `flow`      | mm³/s   | above 0 | at which is purged               |
    ///
    /// # Errors
    /// None beyond those of [`Barrel::new`].
    pub fn purge(&self, densities: [Density; 2], output: SpecificOutput, flow: VolumeFlow) -> Result<Vec<PurgeStep>> {
        SHARES
            .into_iter()
            .map(|share| {
                let volume_mm3 = self.volume_until(share)?;
                Ok(PurgeStep {
                    share,
                    turnovers: turnovers(self.tanks, share).map_err(no_answer)?,
                    volume_mm3,
                    mass_g: self.mass_after(volume_mm3, densities)?,
                    turns: volume_mm3.as_mm3() / output.as_mm3_rev(),
                    time_s: volume_mm3.as_mm3() / flow.as_mm3_s(),
                })
            })
            .collect()
    }
}

/// A point of a print, by what has been laid.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Point {
    /// Layer, counted from 1; 0 is what is laid before the first.
    pub layer: u64,
    /// How far into the layer, by volume, 0 ..= 1.
    pub into_layer: f64,
    /// Laid up to there.
    pub laid_mm3: Volume,
}

/// Whether a change fits the print.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(tag = "fit", rename_all = "kebab-case")]
pub enum Fit {
    /// It does.
    Fits,
    /// The hopper would have to be changed before the print begins.
    TooEarly {
        /// What has to be purged between changing the hopper and starting the print.
        purge_mm3: Volume,
        /// What the print lacks for the transition to be over, after that purge.
        missing_mm3: Volume,
    },
    /// The print ends before the transition is over.
    TooLate {
        /// What the print lacks.
        missing_mm3: Volume,
    },
}

/// Where the hopper is changed for a recipe that is wanted from a layer on.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Placement {
    /// Layer from which the new recipe is wanted.
    pub layer: u64,
    /// Share of it that is wanted where that layer begins.
    pub share: f64,
    /// Layers of the print.
    pub layers: u64,
    /// Laid in the whole print.
    pub total_mm3: Volume,
    /// What passes between changing the hopper and that share.
    pub lead_mm3: Volume,
    /// Where the hopper is changed; none if that lies before the print.
    pub change: Option<Point>,
    /// Layers between the change and the layer wanted, where both lie in the print.
    pub layers_before: Option<u64>,
    /// First trace of the new recipe, 5 %; none if it lies before the print or behind it.
    pub begins: Option<Point>,
    /// As good as done, 95 %.
    pub ends: Option<Point>,
    /// Length of the transition between the two.
    pub transition_mm3: Volume,
    /// Layers the transition touches, where both ends lie in the print.
    pub transition_layers: Option<u64>,
    /// Whether it fits.
    pub fit: Fit,
}

/// What the volumes of a [`Placement`] weigh, the old and the new each with its own density.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Masses {
    /// The whole print.
    pub total_g: Mass,
    /// What passes between changing the hopper and the share wanted.
    pub lead_g: Mass,
    /// Laid up to where the hopper is changed: the old alone.
    pub change_g: Option<Mass>,
    /// Laid up to the first trace.
    pub begins_g: Option<Mass>,
    /// Laid up to where it is as good as done.
    pub ends_g: Option<Mass>,
    /// The transition between the two.
    pub transition_g: Mass,
    /// What is purged before the print; 0 where the change fits.
    pub purge_g: Mass,
    /// What the print lacks for the transition to be over; 0 where the change fits.
    pub missing_g: Mass,
}

impl Placement {
    /// What all of it weighs. `densities`: of the old and the new feedstock.
    ///
    /// # Errors
    /// None beyond those of [`Barrel::new`].
    pub fn masses(&self, barrel: &Barrel, densities: [Density; 2]) -> Result<Masses> {
        let (purged, missing) = match self.fit {
            Fit::Fits => (Volume::ZERO, Volume::ZERO),
            Fit::TooEarly { purge_mm3, missing_mm3 } => (purge_mm3, missing_mm3),
            Fit::TooLate { missing_mm3 } => (Volume::ZERO, missing_mm3),
        };
        let change = self.change.map_or(Volume::ZERO, |point| point.laid_mm3);
        let leaving = |volume: Volume| barrel.mass_after(volume, densities);
        let purge_g = leaving(purged)?;
        // Up to the change the old alone; from there on, and from the purge on, what leaves then.
        let laid = |volume: Volume| {
            let before = if volume < change { volume } else { change };
            Ok(before * densities[0] + leaving(volume - before + purged)? - purge_g)
        };
        let at = |point: Option<Point>| point.map(|point| laid(point.laid_mm3)).transpose();
        let [trace, done] = [barrel.volume_until(TRANSITION[0])?, barrel.volume_until(TRANSITION[1])?];
        Ok(Masses {
            total_g: laid(self.total_mm3)?,
            lead_g: leaving(self.lead_mm3)?,
            change_g: at(self.change)?,
            begins_g: at(self.begins)?,
            ends_g: at(self.ends)?,
            transition_g: leaving(done)? - leaving(trace)?,
            purge_g,
            missing_g: laid(self.total_mm3 + missing)? - laid(self.total_mm3)?,
        })
    }
}

/// Places a change of recipe in a print.
///
/// `layers`: volume of each layer, mm³; the first entry is what is laid before layer 1. The hopper is changed so much
/// earlier that `share` of what leaves the nozzle is new where `layer` begins.
///
/// # Errors
/// [`crate::error::ErrorKind::Usage`] for a layer the print does not have, and a share not between 0.0001 and 0.9999.
pub fn place(barrel: &Barrel, layers: &[f64], layer: u64, share: f64) -> Result<Placement> {
    let count = layers.len().saturating_sub(1) as u64;
    if layer == 0 || layer > count {
        let help = "layers are counted from 1; `meltwright audit` tells how many a file has";
        return Err(Error::usage(format!("there is no layer {layer}: the print has {count}"), help));
    }
    let laid = |end: usize| layers.iter().take(end).sum::<f64>();
    let (before, total) = (laid(layer as usize), laid(layers.len()));
    let lead = barrel.volume_until(share)?;
    let change = before - lead.as_mm3();
    let [trace, done] = [barrel.volume_until(TRANSITION[0])?, barrel.volume_until(TRANSITION[1])?];
    let ends = change + done.as_mm3();
    let missing_mm3 = Volume::from_mm3((ends - total).max(0.0));
    let fit = if change < 0.0 {
        Fit::TooEarly { purge_mm3: Volume::from_mm3(-change), missing_mm3 }
    } else if missing_mm3 > Volume::ZERO {
        Fit::TooLate { missing_mm3 }
    } else {
        Fit::Fits
    };
    let begins = point(layers, change + trace.as_mm3());
    let ends = point(layers, ends);
    let change = point(layers, change);
    // Where it ends with a layer, the next one is not touched.
    let touched = |last: Point| last.layer + u64::from(last.into_layer > 0.0);
    let transition_layers = begins.zip(ends).map(|(first, last)| touched(last).saturating_sub(first.layer));
    Ok(Placement {
        layer,
        share,
        layers: count,
        total_mm3: Volume::from_mm3(total),
        lead_mm3: lead,
        layers_before: change.map(|point| layer.saturating_sub(point.layer)),
        begins,
        ends,
        change,
        transition_mm3: done - trace,
        transition_layers,
        fit,
    })
}

/// The point of a print at which a volume is laid; none before its start or behind its end. Where a layer ends, the next
/// one begins.
fn point(layers: &[f64], wanted: f64) -> Option<Point> {
    // Sums of many layers differ in their last digits by the way they were added up.
    const SAME_MM3: f64 = 1e-6;
    if wanted < 0.0 {
        return None;
    }
    let mut laid = 0.0;
    let mut end = None;
    for (layer, volume) in layers.iter().enumerate().filter(|(_, volume)| **volume > 0.0) {
        let into_layer = ((wanted - laid) / volume).clamp(0.0, 1.0);
        let here = Point { layer: layer as u64, into_layer, laid_mm3: Volume::from_mm3(wanted) };
        laid += volume;
        if wanted < laid - SAME_MM3 {
            return Some(here);
        }
        end = Some(here);
    }
    end.filter(|_| wanted <= laid + SAME_MM3)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn mm3(value: f64) -> Volume {
        Volume::from_mm3(value)
    }

    /// Three tanks need 2.0986 melt volumes to 95 % and 2.8020 to 99 % (table after Levenspiel).
    #[test]
    fn grams_and_turns_of_a_purge() {
        let barrel = Barrel::new(mm3(10_000.0), 3, mm3(2_000.0)).unwrap();
        let steps = barrel
            .purge([Density::from_g_cm3(1.2); 2], SpecificOutput::from_mm3_rev(20.0), VolumeFlow::from_mm3_s(10.0))
            .unwrap();
        let to_95 = steps.iter().find(|step| step.share == 0.95).unwrap();
        assert!((to_95.volume_mm3.as_mm3() - 22_986.0).abs() < 0.51);
        assert!((to_95.mass_g.as_g() - 27.583).abs() < 0.001);
        assert!((to_95.turns - 1149.3).abs() < 0.03 && (to_95.time_s - 2298.6).abs() < 0.06);
        let to_99 = steps.iter().find(|step| step.share == 0.99).unwrap();
        assert!((to_99.turnovers - 2.8020).abs() < 5.1e-5);
        // Of one tank 2.9957 - 1 + 0.05 = 2.0457 melt volumes are new: of 34.957 cm³ 20.457 at 1.3 and 14.5 at 1.1 g/cm³.
        let stirred = Barrel::new(mm3(10_000.0), 1, mm3(5_000.0)).unwrap();
        let densities = [1.1, 1.3].map(Density::from_g_cm3);
        let steps = stirred.purge(densities, SpecificOutput::from_mm3_rev(20.0), VolumeFlow::from_mm3_s(10.0)).unwrap();
        let mixed = steps.iter().find(|step| step.share == 0.95).unwrap();
        assert!((mixed.mass_g.as_g() - (20.457 * 1.3 + 14.5 * 1.1)).abs() < 0.001, "{:?}", mixed.mass_g);
    }

    /// Ten layers of 1000 mm³ after 100 mm³ of skirt; by hand.
    #[test]
    fn where_to_change_the_hopper() {
        let mut layers = vec![1000.0; 11];
        layers[0] = 100.0;
        let barrel = Barrel::new(mm3(1000.0), 1, mm3(500.0)).unwrap();
        // One tank: 95 % at 2.9957 melt volumes, so 3495.7 mm³ ahead of layer 7, which begins at 6100 mm³.
        let placed = place(&barrel, &layers, 7, 0.95).unwrap();
        assert!((placed.lead_mm3.as_mm3() - 3495.73).abs() < 0.01);
        let change = placed.change.unwrap();
        assert_eq!((change.layer, placed.layers_before), (3, Some(4)));
        assert!((change.laid_mm3.as_mm3() - 2604.27).abs() < 0.01 && (change.into_layer - 0.504).abs() < 0.001);
        // 5 % at 0.0513 melt volumes: 2604.27 + 500 + 51.29; 95 % where the layer begins.
        assert_eq!(placed.begins.unwrap().layer, 4);
        assert!((placed.begins.unwrap().laid_mm3.as_mm3() - 3155.56).abs() < 0.01);
        let ends = placed.ends.unwrap();
        assert!((ends.laid_mm3.as_mm3() - 6100.0).abs() < 1e-6 && ends.into_layer < 1e-6);
        assert_eq!(ends.layer, 7, "a layer begins where the one before ends");
        assert!((placed.transition_mm3.as_mm3() - 2944.44).abs() < 0.01);
        // Layers 4 to 7, of the last one nothing but its beginning.
        assert_eq!((placed.fit, placed.layers, placed.transition_layers), (Fit::Fits, 10, Some(3)));
    }

    /// One tank, 95 % where layer 7 begins: 2604.27 mm³ of the old at 1.2 g/cm³, then 3495.73, of which 2.9957 - 0.95 melt
    /// volumes are new at 0.8.
    #[test]
    fn a_print_weighs_what_each_of_both_weighs() {
        let mut layers = vec![1000.0; 11];
        layers[0] = 100.0;
        let barrel = Barrel::new(mm3(1000.0), 1, mm3(500.0)).unwrap();
        let densities = [1.2, 0.8].map(Density::from_g_cm3);
        let of = |layer| place(&barrel, &layers, layer, 0.95).unwrap().masses(&barrel, densities).unwrap();
        let found = of(7);
        let near = |mass: Mass, grams: f64| (mass.as_g() - grams).abs() < 1e-4;
        let lead = 3.495_73 * 1.2 - 2.045_73 * 0.4;
        assert!(near(found.lead_g, lead) && near(found.change_g.unwrap(), 2.604_27 * 1.2), "{found:?}");
        let purge = barrel.purge(densities, SpecificOutput::from_mm3_rev(20.0), VolumeFlow::from_mm3_s(10.0)).unwrap();
        assert!(near(found.lead_g, purge.iter().find(|step| step.share == 0.95).unwrap().mass_g.as_g()));
        assert!(near(found.ends_g.unwrap(), 2.604_27 * 1.2 + lead));
        assert_eq!((found.purge_g.as_g(), found.missing_g.as_g()), (0.0, 0.0));
        // Layer 2 begins at 1100 mm³, so that 2395.73 are purged: with the part before it, they are the lead.
        let early = of(2);
        let before = 1.1 * 1.2 - (2.045_73 - (1.895_73 - 1.0 + (-1.895_73_f64).exp())) * 0.4;
        assert!(near(early.purge_g, lead - before) && early.change_g.is_none(), "{early:?}");
        assert!(near(early.ends_g.unwrap(), before));
    }

    #[test]
    fn changes_that_do_not_fit() {
        let layers = [0.0, 1000.0, 1000.0, 1000.0];
        let barrel = Barrel::new(mm3(1000.0), 1, Volume::ZERO).unwrap();
        let early = place(&barrel, &layers, 2, 0.95).unwrap();
        let purge = |fit: Fit| match fit {
            Fit::TooEarly { purge_mm3, missing_mm3 } => [purge_mm3.as_mm3(), missing_mm3.as_mm3()],
            other => panic!("{other:?}"),
        };
        let [purged, missing] = purge(early.fit);
        assert!((purged - 1995.73).abs() < 0.01 && missing == 0.0);
        assert_eq!((early.change, early.layers_before), (None, None));
        // 5 % at layer 2 of two layers: changed at 948.7 and done at 3944.4. With 2000 mm³ of granules before, the hopper is
        // changed 1051.3 mm³ too early as well.
        let behind = Barrel::new(mm3(1000.0), 1, mm3(2000.0)).unwrap();
        let [purged, missing] = purge(place(&behind, &layers[..3], 2, 0.05).unwrap().fit);
        assert!((purged - 1051.29).abs() < 0.01 && (missing - 1944.44).abs() < 0.01, "{purged} {missing}");
        // Half of it at layer 3: changed at 1306.85, done 2995.73 later, 1302.59 behind the end.
        let late = place(&barrel, &layers, 3, 0.5).unwrap();
        assert!(matches!(late.fit, Fit::TooLate { missing_mm3 } if (missing_mm3.as_mm3() - 1302.59).abs() < 0.01));
        assert_eq!((late.change.unwrap().layer, late.ends), (2, None));
    }

    #[test]
    fn wrong_figures_are_refused() {
        assert!(Barrel::new(Volume::ZERO, 3, Volume::ZERO).is_err());
        assert!(Barrel::new(mm3(f64::NAN), 3, Volume::ZERO).is_err());
        assert!(Barrel::new(mm3(1.0), 0, Volume::ZERO).is_err());
        assert!(Barrel::new(mm3(1.0), 3, mm3(-1.0)).is_err());
        let barrel = Barrel::new(mm3(1.0), 3, Volume::ZERO).unwrap();
        for layer in [0, 4, u64::MAX] {
            assert!(place(&barrel, &[0.0, 1.0, 1.0, 1.0], layer, 0.95).is_err(), "{layer}");
        }
        assert!(place(&barrel, &[], 1, 0.95).is_err());
        assert!(place(&barrel, &[0.0, 1.0], 1, 1.0).is_err());
    }

    proptest! {
        #[test]
        fn a_later_layer_is_never_changed_earlier(
            volumes in proptest::collection::vec(0.0..500.0_f64, 3..40),
            melt in 1.0..2000.0_f64,
            tanks in 1..=10_u32,
        ) {
            let barrel = Barrel::new(mm3(melt), tanks, Volume::ZERO).unwrap();
            let last = (volumes.len() - 1) as u64;
            let one = place(&barrel, &volumes, 1, 0.95).unwrap();
            let other = place(&barrel, &volumes, last, 0.95).unwrap();
            let at = |placed: &Placement| placed.change.map_or(-1.0, |point| point.laid_mm3.as_mm3());
            prop_assert!(at(&one) <= at(&other));
            for placed in [one, other] {
                for point in [placed.change, placed.begins, placed.ends].into_iter().flatten() {
                    prop_assert!(point.layer <= last && (0.0..=1.0).contains(&point.into_layer));
                }
            }
        }
    }

    /// 0.1 three times is a little more than 0.3, and 0.1 and 0.7 a little less than 0.8: the same to any reader.
    #[test]
    fn points_between_layers_do_not_hang_on_last_digits() {
        let at = |layers: &[f64], wanted| point(layers, wanted).map(|point| (point.layer, point.into_layer));
        assert_eq!(at(&[0.0, 0.1, 0.1, 0.1, 0.1], 0.3), Some((4, 0.0)));
        assert_eq!(at(&[0.0, 0.1, 0.7], 0.8), Some((2, 1.0)));
        assert_eq!(at(&[0.0, 0.1, 0.7], 0.81), None);
        // A layer without a bead has no inside.
        assert_eq!(at(&[0.0, 1000.0, 0.0], 1000.0), Some((1, 1.0)));
        assert_eq!(at(&[0.0, 1000.0, 0.0, 500.0], 1000.0), Some((3, 0.0)));
    }
}
