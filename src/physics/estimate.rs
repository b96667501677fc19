//! What a screw, a nozzle and a melt can be expected to give, from their measures alone.
//!
//! Two kinds of volume meet here. Screw and nozzle move melt; a sliced file, a profile and a scale count the solid. All
//! flows of screw and nozzle are of melt, all capacities are as laid: melt flow times melt density over solid density.

use super::die::Die;
use super::operating::{OperatingPoint, intake, operating_point};
use super::pump::{Channel, Edges, Geometry, ScrewLine};
use super::range::{OutOfRange, above_zero, not_below_zero, when};
use super::viscosity::PowerLaw;
use crate::units::{Density, Length, Mass, Pressure, RotationSpeed, SpecificOutput, Viscosity, Volume, VolumeFlow};

/// The three densities of a feedstock.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Densities {
    /// Cold and whole.
    pub solid_g_cm3: Density,
    /// Molten.
    pub melt_g_cm3: Density,
    /// As poured into the hopper.
    pub bulk_g_cm3: Density,
}

/// All that an estimate rests on.
#[derive(Clone, Debug, PartialEq)]
pub struct Setup {
    /// The metering zone, at the nozzle end.
    pub metering: Geometry,
    /// Depth of the channel where the granules fall in.
    pub feed_depth: Length,
    /// Flighted length of the whole screw, if known; the part before the metering zone counts half as melt.
    pub screw_length: Option<Length>,
    /// Volume of adaptor and nozzle that is full of melt; may be zero.
    pub head: Volume,
    /// The nozzle.
    pub die: Die,
    /// The melt.
    pub melt: PowerLaw,
    /// Its densities.
    pub densities: Densities,
    /// Highest speed of the screw.
    pub speed: RotationSpeed,
    /// What the barrel can melt, as laid.
    pub melting_limit: Option<VolumeFlow>,
    /// Pressure the head, the seals or the drive bear.
    pub pressure_limit: Option<Pressure>,
    /// Share of the lowest limit that is counted on, above 0.
    pub derate: f64,
}

/// What bounds the output.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Limit {
    /// Pumping of the screw against the nozzle at the highest speed.
    Pumping,
    /// Granules the feed channel takes in at that speed.
    Intake,
    /// What the barrel can melt.
    Melting,
    /// The pressure allowed before the nozzle.
    Pressure,
}

/// The estimate.
///
/// # Accuracy
/// Not known: no published table gives output together with all measures of a small screw. The nearest, a 20 mm screw of
/// 8 diameters and a compression of 3.75 (Polymers 17 (2025) 215, abstract), put out 0.24 to 0.31 g/rev and rose
/// straight with speed from 10 to 40 rev/min, as here; its channel depth is not stated.
#[derive(Clone, Debug, PartialEq)]
pub struct Estimate {
    /// The channel of the metering zone.
    pub channel: Channel,
    /// Output against pressure at the speed of the setup.
    pub line: ScrewLine,
    /// Where screw and nozzle agree, melt.
    pub point: OperatingPoint,
    /// Shear rate in the channel, 1/s.
    pub channel_rate: f64,
    /// Viscosity there.
    pub channel_viscosity: Viscosity,
    /// True shear rate at the wall of the nozzle, 1/s.
    pub nozzle_rate: f64,
    /// Speed of the strand in the nozzle, mm/s.
    pub exit_speed_mm_s: f64,
    /// Melt in channel and head.
    pub melt_volume: Volume,
    /// Mean time the melt spends there at the capacity, s.
    pub residence_s: f64,
    /// All limits that are known, as laid.
    pub limits: Vec<(Limit, VolumeFlow)>,
    /// The lowest of them.
    pub lowest: VolumeFlow,
    /// Which one that is.
    pub limiting: Limit,
    /// The share of it that is counted on.
    pub capacity: VolumeFlow,
    /// What a turn gives as long as neither melting nor pressure bounds it, as laid.
    pub specific_output: SpecificOutput,
    /// Speed that gives the capacity, as if output were proportional to it.
    pub speed_at_capacity: RotationSpeed,
    /// Mass for each minute at the capacity.
    pub mass_per_min: Mass,
}

impl Estimate {
    /// Puts screw, nozzle and melt together.
    ///
    /// # Errors
    /// When a measure, a density, a limit or the speed is not above zero, the share of the lowest limit not in 0..=1, the bulk
    /// denser than the solid, the feed shallower than the metering zone, the screw shorter than it, or the parts do not fit as
    /// told at [`Channel::new`].
    pub fn of(setup: &Setup) -> Result<Self, OutOfRange> {
        let Densities { solid_g_cm3: solid, melt_g_cm3: melt_density, bulk_g_cm3: bulk } = setup.densities;
        above_zero("the density of the solid (g/cm³)", solid.as_g_cm3())?;
        above_zero("the density of the melt (g/cm³)", melt_density.as_g_cm3())?;
        above_zero("the bulk density (g/cm³)", bulk.as_g_cm3())?;
        when(bulk <= solid, "the bulk density (g/cm³)", "not be above the density of the solid", bulk.as_g_cm3())?;
        let rpm = above_zero("the speed of the screw (rev/min)", setup.speed.as_rpm())?;
        not_below_zero("the volume of the head (mm³)", setup.head.as_mm3())?;
        if let Some(flow) = setup.melting_limit {
            above_zero("what the barrel melts (mm³/s)", flow.as_mm3_s())?;
        }
        if let Some(pressure) = setup.pressure_limit {
            above_zero("the highest pressure (MPa)", pressure.as_mpa())?;
        }
        let derate = above_zero("the share of the lowest limit", setup.derate)?;
        when(derate <= 1.0, "the share of the lowest limit", "not be above 1", derate)?;
        let channel = Channel::new(&setup.metering)?;
        let feed = feed_channel(setup)?;
        let line = channel.net(setup.speed, setup.melt);
        let point = operating_point(line, &setup.die, setup.melt);
        let as_laid = melt_density / solid;
        let mut limits = vec![
            (Limit::Pumping, point.flow * as_laid),
            (Limit::Intake, intake(&feed, setup.speed, bulk, melt_density) * as_laid),
        ];
        let from_turning = limits.iter().fold(f64::INFINITY, |least, (_, flow)| flow.as_mm3_s().min(least));
        limits.extend(setup.melting_limit.map(|flow| (Limit::Melting, flow)));
        let by_pressure = |pressure| (Limit::Pressure, setup.die.flow(pressure, setup.melt) * as_laid);
        limits.extend(setup.pressure_limit.map(by_pressure));
        let lowest = limits.iter().copied().reduce(|least, next| if next.1 < least.1 { next } else { least });
        let (limiting, lowest) = lowest.unwrap_or((Limit::Pumping, VolumeFlow::ZERO));
        let capacity = lowest * derate;
        let specific_output = SpecificOutput::from_mm3_rev(from_turning * 60.0 / rpm);
        let channel_rate = channel.shear_rate(setup.speed);
        let melt_volume = channel.volume() + before_metering(setup)? + setup.head;
        Ok(Self {
            line,
            point,
            channel_rate,
            channel_viscosity: setup.melt.viscosity(channel_rate),
            nozzle_rate: setup.die.apparent_rate(point.flow) * setup.melt.rabinowitsch(),
            exit_speed_mm_s: setup.die.exit_speed(point.flow),
            residence_s: melt_volume.as_mm3() / (capacity.as_mm3_s() / as_laid),
            melt_volume,
            limits,
            lowest,
            limiting,
            capacity,
            specific_output,
            speed_at_capacity: RotationSpeed::from_rpm(capacity.as_mm3_s() / specific_output.as_mm3_rev() * 60.0),
            mass_per_min: Volume::from_mm3(capacity.as_mm3_s() * 60.0) * solid,
            channel,
        })
    }
}

/// The channel as deep as at the feed, without the effect of side walls on melt.
fn feed_channel(setup: &Setup) -> Result<Channel, OutOfRange> {
    let deepest = setup.metering.depth_first.max(setup.metering.depth_last);
    let deep_enough = setup.feed_depth >= deepest;
    when(deep_enough, "the depth at the feed (mm)", "not be below that at the nozzle", setup.feed_depth.as_mm())?;
    let depth = setup.feed_depth;
    Channel::new(&Geometry { depth_first: depth, depth_last: depth, edges: Edges::Neglected, ..setup.metering })
}

/// Melt before the metering zone: half of the channel there, at its mean depth.
fn before_metering(setup: &Setup) -> Result<Volume, OutOfRange> {
    let Some(whole) = setup.screw_length else { return Ok(Volume::ZERO) };
    let rest = whole - setup.metering.length;
    not_below_zero("the length of the screw before the metering zone (mm)", rest.as_mm())?;
    if rest == Length::ZERO {
        return Ok(Volume::ZERO);
    }
    let zone = Geometry { depth_first: setup.feed_depth, depth_last: setup.metering.depth_first, ..setup.metering };
    let zone = Channel::new(&Geometry { length: rest, ..zone })?;
    Ok(zone.volume() * 0.5)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn mm(value: f64) -> Length {
        Length::from_mm(value)
    }

    fn setup() -> Setup {
        let density = Density::from_g_cm3;
        Setup {
            metering: Geometry {
                bore: mm(16.0),
                depth_first: mm(1.6),
                depth_last: mm(1.6),
                lead: mm(16.0),
                flights: 1,
                land: mm(1.6),
                clearance: Length::ZERO,
                length: mm(60.0),
                edges: Edges::Neglected,
            },
            feed_depth: mm(4.0),
            screw_length: Some(mm(160.0)),
            head: Volume::from_mm3(500.0),
            die: Die::new(mm(1.0), mm(2.0), None).unwrap(),
            melt: PowerLaw::new(500.0, 1.0).unwrap(),
            densities: Densities { solid_g_cm3: density(1.0), melt_g_cm3: density(0.9), bulk_g_cm3: density(0.54) },
            speed: RotationSpeed::from_rpm(60.0),
            melting_limit: None,
            pressure_limit: None,
            derate: 1.0,
        }
    }

    /// Worked apart from this code: W = 16 cos(17.657°) - 1.6 = 13.6463 mm, V_z = 47.8975 mm/s, Q_d = 522.897 mm³/s; K =
    /// 24.5437 and B = 47.0938 mm³/(s MPa), so dP = Q_d / (K + B) = 7.29921 MPa and Q = K dP = 179.1495 mm³/s.
    #[test]
    fn an_example_by_hand() {
        let found = Estimate::of(&setup()).unwrap();
        assert!((found.line.drag.as_mm3_s() - 522.897).abs() < 0.001, "{:?}", found.line);
        assert!((found.line.lost_per_mpa - 47.0938).abs() < 0.0001, "{:?}", found.line);
        assert!((found.point.pressure.as_mpa() - 7.29921).abs() < 0.00001, "{:?}", found.point);
        assert!((found.point.flow.as_mm3_s() - 179.1495).abs() < 0.0001, "{:?}", found.point);
        // Nine tenths as solid, one turn a second.
        assert!((found.specific_output.as_mm3_rev() - 161.2345).abs() < 0.0001);
        // Metering 13.6463 * 1.6 * 60 / sin = 4319.1; before it 13.6463 * 2.8 * 100 / sin / 2 = 6298.7; head 500.
        assert!((found.melt_volume.as_mm3() - 11_117.74).abs() < 0.01, "{:?}", found.melt_volume);
        assert!((found.residence_s - 62.0585).abs() < 0.0005, "{}", found.residence_s);
        assert_eq!((found.limiting, found.speed_at_capacity.as_rpm().round()), (Limit::Pumping, 60.0));
    }

    /// At 30 mm³/s as laid, 33.33 of melt, 11 117.74 mm³ last 333.53 s, at 30 / 161.2345 of the turns of a minute.
    #[test]
    fn a_bound_below_the_screw_slows_everything() {
        let cold = Setup { melting_limit: Some(VolumeFlow::from_mm3_s(30.0)), ..setup() };
        let found = Estimate::of(&cold).unwrap();
        assert!((found.residence_s - 333.53).abs() < 0.005, "{}", found.residence_s);
        assert!((found.speed_at_capacity.as_rpm() - 11.164).abs() < 0.0005, "{:?}", found.speed_at_capacity);
        assert!((found.specific_output.as_mm3_rev() - 161.2345).abs() < 0.0001);
    }

    /// Nine tenths of 30 mm³/s take 333.53 s / 0.9, at 0.9 times the speed, and give 0.9 times 1.8 g/min.
    #[test]
    fn all_at_the_capacity_is_of_what_is_counted_on() {
        let found =
            Estimate::of(&Setup { melting_limit: Some(VolumeFlow::from_mm3_s(30.0)), derate: 0.9, ..setup() }).unwrap();
        assert_eq!((found.lowest.as_mm3_s(), found.capacity.as_mm3_s()), (30.0, 27.0));
        assert!((found.residence_s - 370.59).abs() < 0.005, "{}", found.residence_s);
        assert!((found.speed_at_capacity.as_rpm() - 10.0475).abs() < 0.0005, "{:?}", found.speed_at_capacity);
        assert!((found.mass_per_min.as_g() - 1.62).abs() < 1e-12, "{:?}", found.mass_per_min);
        assert!(Estimate::of(&Setup { derate: 0.0, ..setup() }).is_err());
    }

    #[test]
    fn the_lowest_limit_is_named() {
        let limiting = |setup: &Setup| Estimate::of(setup).unwrap().limiting;
        let loose = Setup { feed_depth: mm(1.6), die: Die::new(mm(4.0), mm(2.0), None).unwrap(), ..setup() };
        assert_eq!(limiting(&loose), Limit::Intake);
        let cold = Setup { melting_limit: Some(VolumeFlow::from_mm3_s(30.0)), ..setup() };
        assert_eq!(limiting(&cold), Limit::Melting);
        assert_eq!(Estimate::of(&cold).unwrap().capacity.as_mm3_s(), 30.0);
        // 30 mm³/s of 1 g/cm³ are 1.8 g/min.
        assert!((Estimate::of(&cold).unwrap().mass_per_min.as_g() - 1.8).abs() < 1e-12);
        // The nozzle passes 24.544 mm³/s for each MPa, nine tenths of it as solid.
        let weak = Setup { pressure_limit: Some(Pressure::from_mpa(1.0)), ..setup() };
        assert_eq!(limiting(&weak), Limit::Pressure);
        assert!((Estimate::of(&weak).unwrap().capacity.as_mm3_s() - 22.089).abs() < 0.001);
    }

    #[test]
    fn setups_that_cannot_be() {
        let base = setup();
        let density = Density::from_g_cm3;
        for wrong in [
            Setup { speed: RotationSpeed::ZERO, ..base.clone() },
            Setup { feed_depth: mm(1.0), ..base.clone() },
            Setup { feed_depth: mm(9.0), ..base.clone() },
            Setup { screw_length: Some(mm(50.0)), ..base.clone() },
            Setup { head: Volume::from_mm3(-1.0), ..base.clone() },
            Setup { densities: Densities { melt_g_cm3: Density::ZERO, ..base.densities }, ..base.clone() },
            Setup { densities: Densities { bulk_g_cm3: density(1.2), ..base.densities }, ..base.clone() },
            Setup { metering: Geometry { length: Length::ZERO, ..base.metering }, ..base.clone() },
        ] {
            assert!(Estimate::of(&wrong).is_err(), "{wrong:?}");
        }
        assert!(Estimate::of(&Setup { screw_length: Some(mm(60.0)), ..base }).is_ok());
    }

    proptest! {
        #[test]
        fn a_faster_screw_never_gives_less(rpm in 1.0..200.0_f64, n in 0.3..1.0_f64) {
            let melt = PowerLaw::new(5000.0, n).unwrap();
            let at = |rpm| {
                let setup = Setup { melt, speed: RotationSpeed::from_rpm(rpm), ..setup() };
                Estimate::of(&setup).unwrap()
            };
            let (slow, fast) = (at(rpm), at(rpm * 1.2));
            prop_assert!(slow.capacity <= fast.capacity && slow.residence_s >= fast.residence_s);
            prop_assert!(slow.limits.iter().all(|(_, flow)| *flow >= slow.capacity));
        }
    }
}
