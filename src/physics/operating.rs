//! Where the line of the screw crosses the line of the nozzle, and what bounds the output.

use super::die::Die;
use super::pump::{Channel, ScrewLine};
use super::viscosity::PowerLaw;
use crate::units::{Density, Pressure, RotationSpeed, VolumeFlow};

/// What flows, and against which pressure.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OperatingPoint {
    /// Output of melt.
    pub flow: VolumeFlow,
    /// Pressure before the nozzle.
    pub pressure: Pressure,
}

/// The one flow at which the screw builds the pressure the nozzle takes.
///
/// Q = Q_d - B dP and dP = dP_nozzle(Q); for a Newtonian melt dP = Q_d / (K + B).
///
/// | argument | meaning             | range                       |
/// |----------|---------------------|-----------------------------|
/// | `line`   | screw at one speed  | drag flow >= 0              |
/// | `die`    | nozzle              | -                           |
/// | `melt`   | power law           | n 0.05 ..= 1.5              |
///
/// The left side falls with Q and the right side rises, so there is exactly one crossing between 0 and Q_d; it is
/// found by halving, to the last digit.
///
/// # Assumes
/// What [`ScrewLine`] and [`Die::pressure`] assume.
///
/// # Source
/// M. P. Groover, Fundamentals of Modern Manufacturing, 3rd ed., ch. 13.
pub fn operating_point(line: ScrewLine, die: &Die, melt: PowerLaw) -> OperatingPoint {
    let (mut low, mut high) = (0.0, line.drag.as_mm3_s().max(0.0));
    for _ in 0..200 {
        let middle = 0.5 * (low + high);
        let pressure = die.pressure(VolumeFlow::from_mm3_s(middle), melt);
        if middle < line.flow(pressure).as_mm3_s() {
            low = middle;
        } else {
            high = middle;
        }
    }
    let flow = VolumeFlow::from_mm3_s(0.5 * (low + high));
    OperatingPoint { flow, pressure: die.pressure(flow, melt) }
}

/// Melt that the granules a feed channel takes in can become.
///
/// Q_in = Q_d(H_feed) * rho_bulk / rho_melt
///
/// | argument | unit  | range          |
/// |----------|-------|----------------|
/// | `feed`   | mm    | see [`Channel`]|
/// | `speed`  | 1/min | >= 0           |
/// | `bulk`   | g/cm³ | above 0        |
/// | `melt`   | g/cm³ | above 0        |
///
/// # Assumes
/// Granules fill the feed channel and are dragged along as melt would be, which moves half of what is in the channel.
///
/// # Accuracy
/// Not known. Slippery or soft, sticky granules move less; a grooved barrel moves more.
///
/// # Source
/// Assumption of ours, no source; "half the volume of one turn of the channel" as in Plastics Technology.
pub fn intake(feed: &Channel, speed: RotationSpeed, bulk: Density, melt: Density) -> VolumeFlow {
    feed.drag_flow(speed) * (bulk / melt)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::physics::pump::{Edges, Geometry};
    use crate::units::Length;
    use proptest::prelude::*;

    fn mm(value: f64) -> Length {
        Length::from_mm(value)
    }

    fn channel() -> Channel {
        Channel::new(&Geometry {
            bore: mm(16.0),
            depth_first: mm(1.6),
            depth_last: mm(1.6),
            lead: mm(16.0),
            flights: 1,
            land: mm(1.6),
            clearance: mm(0.1),
            length: mm(60.0),
            edges: Edges::Count,
        })
        .unwrap()
    }

    /// For a Newtonian melt Q / Q_d = K / (K + B), whatever the viscosity is.
    #[test]
    fn newtonian_share_does_not_depend_on_viscosity() {
        let die = Die::new(mm(1.0), mm(2.0), None).unwrap();
        let mut shares = Vec::new();
        for pa_s in [50.0, 500.0, 5000.0] {
            let melt = PowerLaw::new(pa_s, 1.0).unwrap();
            let line = channel().net(RotationSpeed::from_rpm(60.0), melt);
            let point = operating_point(line, &die, melt);
            let k = die.flow(Pressure::from_mpa(1.0), melt).as_mm3_s();
            let expected = line.drag.as_mm3_s() * k / (k + line.lost_per_mpa);
            assert!((point.flow.as_mm3_s() / expected - 1.0).abs() < 1e-12);
            shares.push(point.flow / line.drag);
        }
        assert!(shares.iter().all(|share| (share / shares[0] - 1.0).abs() < 1e-12));
    }

    #[test]
    fn loose_granules_bound_a_screw_without_compression() {
        let speed = RotationSpeed::from_rpm(60.0);
        let taken = intake(&channel(), speed, Density::from_g_cm3(0.55), Density::from_g_cm3(1.1));
        // By hand: half as dense, so half the drag flow.
        assert!((taken.as_mm3_s() - 0.5 * channel().drag_flow(speed).as_mm3_s()).abs() < 1e-9);
    }

    proptest! {
        #[test]
        fn both_lines_meet_there(rpm in 1.0..200.0_f64, n in 0.2..1.2_f64, k in 1.0..1e5_f64, bore in 0.3..5.0_f64) {
            let die = Die::new(mm(bore), mm(2.0), None).unwrap();
            let melt = PowerLaw::new(k, n).unwrap();
            let line = channel().net(RotationSpeed::from_rpm(rpm), melt);
            let point = operating_point(line, &die, melt);
            prop_assert!(point.flow > VolumeFlow::ZERO && point.flow <= line.drag);
            let by_screw = line.flow(point.pressure).as_mm3_s();
            prop_assert!((by_screw - point.flow.as_mm3_s()).abs() < 1e-6 * line.drag.as_mm3_s(), "{by_screw} {point:?}");
        }

        #[test]
        fn a_wider_nozzle_gives_more(rpm in 1.0..200.0_f64, bore in 0.3..4.0_f64) {
            let melt = PowerLaw::new(5000.0, 0.5).unwrap();
            let line = channel().net(RotationSpeed::from_rpm(rpm), melt);
            let flow = |bore| operating_point(line, &Die::new(mm(bore), mm(2.0), None).unwrap(), melt).flow;
            prop_assert!(flow(bore) < flow(bore * 1.1));
        }
    }
}
