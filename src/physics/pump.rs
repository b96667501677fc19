//! The metering zone of a screw as a pump: drag flow forward, pressure and leakage flow back.

use std::f64::consts::PI;

use super::range::{OutOfRange, above_zero, not_below_zero, when};
use super::viscosity::PowerLaw;
use crate::units::{Length, Pressure, RotationSpeed, Volume, VolumeFlow};

/// Whether the side walls of the channel count.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Edges {
    /// They hold melt back: [`drag_edge_factor`] and [`pressure_edge_factor`] apply.
    Count,
    /// The channel is taken for endlessly wide, as in most worked examples.
    Neglected,
}

/// Measures of a metering zone.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Geometry {
    /// Bore of the barrel D.
    pub bore: Length,
    /// Depth of the channel where the zone begins.
    pub depth_first: Length,
    /// Depth of the channel at its end; equal to the first in an even zone, else the depth falls evenly.
    pub depth_last: Length,
    /// Advance of a flight in one turn.
    pub lead: Length,
    /// Number of flights side by side, 1 ..= 4.
    pub flights: u32,
    /// Width of a flight's land e, measured across the channel; may be zero.
    pub land: Length,
    /// Gap between land and barrel; zero neglects leakage.
    pub clearance: Length,
    /// Length of the zone along the axis L.
    pub length: Length,
    /// Whether side walls count.
    pub edges: Edges,
}

/// A metering zone whose measures were checked.
///
/// | symbol | meaning                | unit  | tested range                    |
/// |--------|------------------------|-------|---------------------------------|
/// | D      | barrel bore            | mm    | 10 ..= 200                      |
/// | H      | channel depth          | mm    | 1.5 ..= 15; shallow, H/D < 0.15 |
/// | phi    | helix angle            | °     | 16 ..= 20                       |
/// | N      | screw speed            | rev/s | 0 ..= 1.7                       |
/// | L      | length along the axis  | mm    | 960 ..= 3400                    |
/// | eta    | viscosity              | Pa·s  | 14 ..= 120 000                  |
///
/// Drag flow Q_d = 1/2 p W H V_z F_d, pressure flow Q_p = p W H³ dP F_p / (12 eta l), with V_z = pi D N cos(phi), W =
/// lead cos(phi) / p - e and l = L / sin(phi). With no land and no edges this is the usual Q_d = 1/2 pi² D² N H
/// sin(phi) cos(phi) and Q_p = pi D H³ sin²(phi) dP / (12 eta L). A channel that gets evenly shallower has the same
/// flows as an even one with H = H_0 H_l / mean in the drag term and H³ = (H_0 H_l)² / mean in the pressure term.
///
/// # Assumes
/// Isothermal, Newtonian (corrections for a power law: [`Channel::net`]), shallow, no slip, channel full of melt.
///
/// # Accuracy
/// Against the worked examples: all printed digits. Against real small screws: not known; treat as an estimate.
///
/// # Source
/// M. P. Groover, Fundamentals of Modern Manufacturing, 3rd ed., ch. 13, eqs. 13.4 to 13.13; taper: a worked example of
/// a composites-processing text (S. G. Advani, E. M. Sozer, from memory) with a public data file.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Channel {
    bore: f64,
    drag_depth: f64,
    pressure_depth_cubed: f64,
    mean_depth: f64,
    helix: f64,
    flights: f64,
    width: f64,
    land: f64,
    clearance: f64,
    length: f64,
    drag_edge: f64,
    pressure_edge: f64,
}

impl Channel {
    /// Checks the measures.
    ///
    /// # Errors
    /// When a length is not above zero, the channel is deeper than a radius, the flights leave no channel, or the
    /// clearance has no land to seal or is as deep as the channel.
    pub fn new(geometry: &Geometry) -> Result<Self, OutOfRange> {
        let bore = above_zero("the bore of the barrel (mm)", geometry.bore.as_mm())?;
        let first = above_zero("the depth of the channel (mm)", geometry.depth_first.as_mm())?;
        let last = above_zero("the depth of the channel (mm)", geometry.depth_last.as_mm())?;
        for depth in [first, last] {
            when(depth < 0.5 * bore, "the depth of the channel (mm)", "be below half the bore", depth)?;
        }
        let lead = above_zero("the lead of the screw (mm)", geometry.lead.as_mm())?;
        let length = above_zero("the length of the metering zone (mm)", geometry.length.as_mm())?;
        let flights = f64::from(geometry.flights);
        when((1..=4).contains(&geometry.flights), "the number of flights", "lie between 1 and 4", flights)?;
        let land = not_below_zero("the width of a flight (mm)", geometry.land.as_mm())?;
        let clearance = not_below_zero("the clearance over the flights (mm)", geometry.clearance.as_mm())?;
        when(clearance < last.min(first), "the clearance over the flights (mm)", "be below the depth", clearance)?;
        let sealed = clearance == 0.0 || land > 0.0;
        when(sealed, "the width of a flight (mm)", "be above zero where there is a clearance", land)?;
        let helix = (lead / (PI * bore)).atan();
        let width = lead * helix.cos() / flights - land;
        when(width > 0.0, "the width left between the flights (mm)", "be above zero", width)?;
        let mean = 0.5 * (first + last);
        let product = first * last;
        let (drag_depth, pressure_depth_cubed) = (product / mean, product * product / mean);
        let (drag_edge, pressure_edge) = match geometry.edges {
            Edges::Neglected => (1.0, 1.0),
            Edges::Count => {
                let ratio = drag_depth / width;
                (drag_edge_factor(ratio), pressure_edge_factor(ratio))
            }
        };
        Ok(Self {
            bore,
            drag_depth,
            pressure_depth_cubed,
            mean_depth: mean,
            helix,
            flights,
            width,
            land,
            clearance,
            length,
            drag_edge,
            pressure_edge,
        })
    }

    /// Angle between the flight and a plane across the axis, radians: tan(phi) = lead / (pi D).
    pub fn helix(&self) -> f64 {
        self.helix
    }

    /// Width of the channel across the flights W.
    pub fn width(&self) -> Length {
        Length::from_mm(self.width)
    }

    /// Volume of all channels of the zone.
    pub fn volume(&self) -> Volume {
        Volume::from_mm3(self.flights * self.width * self.mean_depth * self.length / self.helix.sin())
    }

    /// Shear rate in the channel, 1/s: pi D N / H.
    pub fn shear_rate(&self, speed: RotationSpeed) -> f64 {
        PI * self.bore * speed.as_rpm() / 60.0 / self.drag_depth
    }

    /// What the turning screw carries against no pressure, for a Newtonian melt.
    pub fn drag_flow(&self, speed: RotationSpeed) -> VolumeFlow {
        let along = PI * self.bore * speed.as_rpm() / 60.0 * self.helix.cos();
        VolumeFlow::from_mm3_s(0.5 * self.flights * self.width * self.drag_depth * along * self.drag_edge)
    }

    /// Flow driven back through the channel by each MPa at a Newtonian viscosity (Pa·s), mm³/(s MPa).
    pub fn back_flow_per_mpa(&self, viscosity_pa_s: f64) -> f64 {
        let along = self.length / self.helix.sin();
        let section = self.flights * self.width * self.pressure_depth_cubed * self.pressure_edge;
        section / (12.0 * viscosity_pa_s * 1e-6 * along)
    }

    /// Flow that leaks over the flights by each MPa at a Newtonian viscosity (Pa·s), mm³/(s MPa).
    ///
    /// Q_l = pi² D² c³ tan(phi) dP / (12 eta e L p) with the clearance c, for one flight (p = 1) from memory. Of p flights
    /// each holds a p-th of the pressure of a turn, and what leaks has to get over all of them.
    pub fn leak_per_mpa(&self, viscosity_pa_s: f64) -> f64 {
        if self.clearance == 0.0 {
            return 0.0;
        }
        let gap = (PI * self.bore).powi(2) * self.clearance.powi(3) * self.helix.tan();
        gap / (12.0 * viscosity_pa_s * 1e-6 * self.land * self.length * self.flights)
    }

    /// The screw line of a melt at a speed.
    ///
    /// For a power law, drag flow is scaled by (4 + n) / 5 and pressure flow by 3 / (1 + 2n), with the viscosity at the
    /// shear rate of the channel, and in the clearance at the rate there.
    ///
    /// # Accuracy
    /// The factors are rough: drag and pressure flow of a shear-thinning melt do not simply add.
    ///
    /// # Source
    /// (4 + n) / 5: extrusionscrews.com after H. F. Giles, J. R. Wagner, E. M. Mount; 3 / (1 + 2n): from memory.
    pub fn net(&self, speed: RotationSpeed, melt: PowerLaw) -> ScrewLine {
        let n = melt.index();
        let rate = self.shear_rate(speed);
        if rate <= 0.0 {
            return ScrewLine { drag: VolumeFlow::ZERO, lost_per_mpa: 0.0 };
        }
        let back = self.back_flow_per_mpa(melt.viscosity(rate).as_pa_s()) * 3.0 / (1.0 + 2.0 * n);
        let leak = if self.clearance > 0.0 {
            self.leak_per_mpa(melt.viscosity(rate * self.drag_depth / self.clearance).as_pa_s())
        } else {
            0.0
        };
        ScrewLine { drag: self.drag_flow(speed) * ((4.0 + n) / 5.0), lost_per_mpa: back + leak }
    }
}

/// Output of a screw at one speed against head pressure: a straight line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ScrewLine {
    /// Output against no pressure.
    pub drag: VolumeFlow,
    /// Output lost for each MPa of head pressure, mm³/(s MPa).
    pub lost_per_mpa: f64,
}

impl ScrewLine {
    /// Output at a head pressure; below zero beyond [`ScrewLine::closed_discharge`].
    pub fn flow(&self, pressure: Pressure) -> VolumeFlow {
        VolumeFlow::from_mm3_s(self.drag.as_mm3_s() - self.lost_per_mpa * pressure.as_mpa())
    }

    /// Pressure at which nothing comes out any more; infinite where nothing flows back.
    pub fn closed_discharge(&self) -> Pressure {
        let nothing_back = self.lost_per_mpa == 0.0;
        Pressure::from_mpa(if nothing_back { f64::INFINITY } else { self.drag.as_mm3_s() / self.lost_per_mpa })
    }
}

/// What the side walls leave of the drag flow of a channel of depth over width `ratio` (0 < r <= 1).
///
/// F_d = 16 / (pi³ r) * sum over odd i of tanh(i pi r / 2) / i³
///
/// # Source
/// Series solution for a rectangular channel; sum to i = 3999, the rest is below 1e-6 from r = 0.01 on.
pub fn drag_edge_factor(ratio: f64) -> f64 {
    let terms = odd().map(|i| (0.5 * i * PI * ratio).tanh() / i.powi(3));
    16.0 / (PI.powi(3) * ratio) * terms.sum::<f64>()
}

/// What the side walls leave of the pressure flow of a channel of depth over width `ratio` (0 < r <= 1).
///
/// F_p = 1 - 192 r / pi⁵ * sum over odd i of tanh(i pi / (2 r)) / i⁵
///
/// # Source
/// As [`drag_edge_factor`].
pub fn pressure_edge_factor(ratio: f64) -> f64 {
    let terms = odd().map(|i| (0.5 * i * PI / ratio).tanh() / i.powi(5));
    1.0 - 192.0 * ratio / PI.powi(5) * terms.sum::<f64>()
}

fn odd() -> impl Iterator<Item = f64> {
    (0..2000).map(|k| f64::from(2 * k + 1))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::physics::die::Die;
    use crate::units::Viscosity;
    use proptest::prelude::*;

    const INCH: f64 = 25.4;
    const PSI: f64 = 6.894_757_293e-3;

    fn close(got: f64, expected: f64, within: f64) {
        assert!((got / expected - 1.0).abs() < within, "{got} instead of {expected}");
    }

    /// An even, endlessly wide channel without lands, as worked examples have it; lead from the helix angle.
    fn plain(bore: f64, depth: f64, helix_deg: f64, length: f64) -> Geometry {
        Geometry {
            bore: Length::from_mm(bore),
            depth_first: Length::from_mm(depth),
            depth_last: Length::from_mm(depth),
            lead: Length::from_mm(PI * bore * helix_deg.to_radians().tan()),
            flights: 1,
            land: Length::ZERO,
            clearance: Length::ZERO,
            length: Length::from_mm(length),
            edges: Edges::Neglected,
        }
    }

    fn line(geometry: &Geometry, rpm: f64, pa_s: f64) -> ScrewLine {
        let melt = PowerLaw::newtonian(Viscosity::from_pa_s(pa_s)).unwrap();
        Channel::new(geometry).unwrap().net(RotationSpeed::from_rpm(rpm), melt)
    }

    /// Factor of a round land at a viscosity, mm³/(s MPa).
    fn land_factor(bore: f64, length: f64, pa_s: f64) -> f64 {
        let die = Die::new(Length::from_mm(bore), Length::from_mm(length), None).unwrap();
        let melt = PowerLaw::newtonian(Viscosity::from_pa_s(pa_s)).unwrap();
        die.flow(Pressure::from_mpa(1.0), melt).as_mm3_s()
    }

    /// Where the lines of a Newtonian screw and land cross: dP = Q_d / (K + b).
    fn crossing(line: ScrewLine, k: f64) -> (f64, f64) {
        let pressure = line.drag.as_mm3_s() / (k + line.lost_per_mpa);
        (pressure, k * pressure)
    }

    /// S. Kalpakjian, S. Schmid, Manufacturing Processes for Engineering Materials, example 10.5: printed 1.37e-5 m³/s
    /// and 0.70 m/s; characteristics 2.31e-5 - 0.175e-5 p and 0.256e-5 p. (A public copy calls the viscosity
    /// "temperature" and the die bore "screw diameter".)
    #[test]
    fn analysis_of_a_plastics_extruder() {
        let line = line(&plain(50.0, 7.0, 20.0, 1000.0), 0.833 * 60.0, 300.0);
        close(line.drag.as_mm3_s(), 2.312_013e4, 1e-6);
        close(line.lost_per_mpa, 1.750_713e3, 1e-6);
        close(line.closed_discharge().as_mpa(), 13.206_13, 1e-6);
        let k = land_factor(5.0, 20.0, 300.0);
        close(k, 2.556_635e3, 1e-6);
        let (pressure, flow) = crossing(line, k);
        close(pressure, 5.367_603, 1e-6);
        close(flow, 1.372_300e4, 1e-6);
        let exit = Die::new(Length::from_mm(5.0), Length::from_mm(20.0), None).unwrap();
        close(exit.exit_speed(VolumeFlow::from_mm3_s(flow)), 698.907, 2e-6);
    }

    /// Groover, examples 13.1 and 13.2 (inputs and answers from memory, digits recomputed).
    #[test]
    fn groover_examples() {
        let line = line(&plain(75.0, 6.0, 20.0, 1900.0), 60.0, 100.0);
        close(line.drag.as_mm3_s(), 5.352_800e4, 1e-6);
        close(line.lost_per_mpa * 7.0, 1.827_812e4, 1e-6);
        close(line.flow(Pressure::from_mpa(7.0)).as_mm3_s(), 3.524_988e4, 1e-6);
        close(line.closed_discharge().as_mpa(), 20.499_705, 1e-7);
        let (pressure, flow) = crossing(line, land_factor(6.5, 20.0, 100.0));
        close(pressure, 2.183_286, 1e-6);
        close(flow, 4.782_709e4, 1e-6);
    }

    /// Problems of the same kind on three question pages; inputs read there, answers computed in independent code.
    #[test]
    fn problems_in_both_systems_of_units() {
        // 0.0020 and 0.0125 lb s/in² are 13.8 and 86.2 Pa s.
        let helix = (4.5 / (PI * 5.0)).atan().to_degrees();
        close(helix, 15.985_89, 1e-6);
        let first = line(&plain(5.0 * INCH, 0.25 * INCH, helix, 110.0 * INCH), 50.0, 0.0020 * PSI * 1e6);
        close(first.drag.as_mm3_s() / INCH.powi(3), 6.804_649, 1e-6);
        close(first.lost_per_mpa * 500.0 * PSI / INCH.powi(3), 3.525_623, 1e-6);
        close(first.flow(Pressure::from_mpa(500.0 * PSI)).as_mm3_s() / INCH.powi(3), 3.279_026, 1e-6);

        let second = line(&plain(120.0, 6.5, 17.0, 2800.0), 60.0, 200.0);
        close(second.drag.as_mm3_s(), 1.291_449e5, 1e-6);
        close(second.closed_discharge().as_mpa(), 98.062_88, 1e-6);
        let (pressure, flow) = crossing(second, land_factor(3.5, 12.5, 200.0));
        close(pressure, 46.285_26, 1e-6);
        close(flow, 6.818_907e4, 1e-6);

        let viscosity = 0.0125 * PSI * 1e6;
        let third = line(&plain(4.5 * INCH, 0.35 * INCH, 20.0, 132.0 * INCH), 60.0, viscosity);
        close(third.drag.as_mm3_s() / INCH.powi(3), 11.240_880, 1e-6);
        close(third.closed_discharge().as_mpa() / PSI, 3139.031, 1e-6);
        let (pressure, flow) = crossing(third, land_factor(0.312 * INCH, 0.75 * INCH, viscosity));
        close(pressure / PSI, 395.9627, 1e-6);
        close(flow / INCH.powi(3), 9.822_936, 1e-6);
    }

    /// R. J. Crawford, Plastics Engineering, ch. 4 (inputs from memory): about 11.4e-6 m³/s and 210 MPa.
    #[test]
    fn crawford_example() {
        let line = line(&plain(40.0, 3.0, 17.7, 960.0), 100.0, 500.0);
        close(line.drag.as_mm3_s(), 1.143_455e4, 1e-6);
        close(line.closed_discharge().as_mpa(), 210.0034, 1e-6);
    }

    /// A public data file to an example of a composites-processing text: 15 to 2 mm, land 8 mm, die Q = 5e-7 m³ dP/eta.
    #[test]
    fn channel_that_gets_shallower() {
        let even = Geometry { land: Length::from_mm(8.0), ..plain(80.0, 8.5, 20.0, 1920.0) };
        let falling = Geometry { depth_first: Length::from_mm(15.0), depth_last: Length::from_mm(2.0), ..even };
        close(Channel::new(&even).unwrap().width().as_mm(), 77.959_04, 1e-7);
        // mm³/(s MPa) of the die: 5e-7 m³ / 120 000 Pa s.
        let k = 5.0e-7 / 120_000.0 * 1e15;
        let line_of = |geometry| line(geometry, 60.0, 120_000.0);
        close(line_of(&even).drag.as_mm3_s(), 7.824_941e4, 1e-6);
        close(line_of(&even).lost_per_mpa * 120_000.0 / 1e15, 7.107_100e-10, 1e-6);
        let (pressure, flow) = crossing(line_of(&even), k);
        close(flow, 7.813_834e4, 1e-6);
        close(pressure, 18.753_20, 1e-6);
        close(line_of(&falling).drag.as_mm3_s(), 3.249_110e4, 1e-6);
        close(line_of(&falling).lost_per_mpa * 120_000.0 / 1e15, 1.225_347e-10, 1e-6);
        let (pressure, flow) = crossing(line_of(&falling), k);
        close(flow, 3.248_314e4, 1e-6);
        close(pressure, 7.795_955, 1e-6);
    }

    /// Square pitch: helix 17.65679 degrees, sin cos = 0.2890255 (Plastics Technology prints 0.289).
    #[test]
    fn square_pitch() {
        let geometry = Geometry { lead: Length::from_mm(20.0), ..plain(20.0, 2.0, 20.0, 100.0) };
        let channel = Channel::new(&geometry).unwrap();
        close(channel.helix().to_degrees(), 17.656_79, 1e-6);
        close(channel.helix().sin() * channel.helix().cos(), 0.289_025_5, 1e-6);
        // In pounds an hour, inches, rev/min and specific gravity, with a shape factor of 0.95: 2.937 D² H N SG.
        let inches = Geometry { lead: Length::from_mm(INCH), ..plain(INCH, 0.1 * INCH, 20.0, 100.0) };
        let flow = Channel::new(&inches).unwrap().drag_flow(RotationSpeed::from_rpm(10.0)).as_mm3_s();
        let pounds = 0.95 * flow * 1e-3 * 3600.0 / 453.592_37;
        close(pounds / (0.1 * 10.0), 2.937, 2e-4);
    }

    /// Both factors to the digits of the series summed in independent code; bold ends known from textbooks.
    #[test]
    fn edge_factors() {
        for (ratio, drag, pressure) in [
            (0.01, 0.99457, 0.99370),
            (0.05, 0.97286, 0.96849),
            (0.1, 0.94572, 0.93698),
            (0.2, 0.89145, 0.87395),
            (0.3, 0.83718, 0.81094),
            (0.5, 0.72958, 0.68605),
            (1.0, 0.50000, 0.42173),
        ] {
            assert!((drag_edge_factor(ratio) - drag).abs() < 6e-6, "drag at {ratio}: {}", drag_edge_factor(ratio));
            assert!((pressure_edge_factor(ratio) - pressure).abs() < 5.1e-6, "pressure at {ratio}");
        }
    }

    /// Drag flow with lands and edges against the public package extrucal 1.4.21, which takes the mean of the channel
    /// width at barrel and root where this model takes that at the barrel: D, H, lead, rpm, mm³/s without lands and
    /// edges, kg/m³, kg/h by the package.
    #[test]
    fn independent_code() {
        for (bore, depth, lead, rpm, simple, density, kg_h) in [
            (200.0, 10.0, 200.0, 1.0, 9_508.557_238, 800.0, 23.507_110),
            (30.0, 2.0, 30.0, 60.0, 2_567.310_454, 1000.0, 7.832_753),
            (30.0, 3.0, 30.0, 60.0, 3_850.965_681, 1000.0, 11.426_650),
            (20.0, 2.0, 20.0, 40.0, 760.684_579, 900.0, 2.031_405),
            (16.0, 1.6, 16.0, 60.0, 584.205_757, 1050.0, 1.820_138),
            (16.0, 1.6, 16.0, 30.0, 292.102_878, 1050.0, 0.910_069),
            (10.0, 1.5, 10.0, 60.0, 213.942_538, 1050.0, 0.635_923),
        ] {
            let geometry = Geometry { lead: Length::from_mm(lead), ..plain(bore, depth, 20.0, 100.0) };
            let drag = |geometry| Channel::new(geometry).unwrap().drag_flow(RotationSpeed::from_rpm(rpm)).as_mm3_s();
            close(drag(&geometry), simple, 3e-9);
            let full = Geometry { land: Length::from_mm(0.1 * bore), edges: Edges::Count, ..geometry };
            let package = kg_h / 3600.0 / density * 1e9;
            close(drag(&full), package, 0.07);
        }
    }

    #[test]
    fn power_law_factors() {
        let channel = Channel::new(&plain(20.0, 2.0, 20.0, 100.0)).unwrap();
        let speed = RotationSpeed::from_rpm(60.0);
        let rate = channel.shear_rate(speed);
        close(rate, PI * 10.0, 1e-12);
        for (n, drag, pressure) in [(0.5, 0.9, 1.5), (0.3, 0.86, 1.875)] {
            let melt = PowerLaw::new(1000.0 * rate.powf(1.0 - n), n).unwrap();
            let thin = channel.net(speed, melt);
            let newtonian = channel.net(speed, PowerLaw::new(1000.0, 1.0).unwrap());
            close(thin.drag / newtonian.drag, drag, 1e-9);
            close(thin.lost_per_mpa / newtonian.lost_per_mpa, pressure, 1e-9);
        }
    }

    #[test]
    fn a_gap_over_the_flights_leaks() {
        let tight = Geometry { land: Length::from_mm(2.0), ..plain(20.0, 2.0, 17.656_79, 100.0) };
        let worn = Geometry { clearance: Length::from_mm(0.2), ..tight };
        let channel = Channel::new(&worn).unwrap();
        // By hand: pi² 400 * 0.008 * 0.31831 / (12 * 1e-4 * 2 * 100) = 41.888 mm³/(s MPa) at 100 Pa s.
        close(channel.leak_per_mpa(100.0), 41.888, 1e-4);
        assert!(line(&worn, 60.0, 100.0).lost_per_mpa > line(&tight, 60.0, 100.0).lost_per_mpa + 41.8);
        assert_eq!(Channel::new(&tight).unwrap().leak_per_mpa(100.0), 0.0);
    }

    /// Lands that leave next to no channel are a plain shaft in a bore, whatever their number: pi D c³ dP / (12 eta L), the
    /// slot between two plates, of which the helix takes its squared cosine.
    #[test]
    fn lands_without_channels_leak_like_a_shaft() {
        for flights in 1..=4 {
            let even = plain(20.0, 2.0, 17.656_79, 100.0);
            // A lead of 20 mm.
            let helix = 17.656_79_f64.to_radians();
            let land = Length::from_mm(0.999_999 * 20.0 * helix.cos() / f64::from(flights));
            let shaft = Geometry { flights, land, clearance: Length::from_mm(0.2), ..even };
            let slot = PI * 20.0 * 0.008 / (12.0 * 1e-4 * 100.0);
            close(Channel::new(&shaft).unwrap().leak_per_mpa(100.0) * helix.cos(), slot, 1e-5);
        }
    }

    #[test]
    fn a_screw_that_stands_still_gives_nothing() {
        let line = line(&plain(20.0, 2.0, 20.0, 100.0), 0.0, 100.0);
        assert_eq!((line.drag, line.lost_per_mpa), (VolumeFlow::ZERO, 0.0));
    }

    #[test]
    fn impossible_screws_are_refused() {
        let good = plain(20.0, 2.0, 20.0, 100.0);
        let mm = Length::from_mm;
        let bad = [
            Geometry { bore: mm(0.0), ..good },
            Geometry { bore: mm(f64::NAN), ..good },
            Geometry { depth_first: mm(0.0), ..good },
            Geometry { depth_last: mm(11.0), ..good },
            Geometry { lead: mm(-20.0), ..good },
            Geometry { length: mm(0.0), ..good },
            Geometry { flights: 0, ..good },
            Geometry { flights: 9, ..good },
            Geometry { land: mm(30.0), ..good },
            Geometry { land: mm(-1.0), ..good },
            Geometry { clearance: mm(0.1), ..good },
            Geometry { clearance: mm(2.0), land: mm(2.0), ..good },
        ];
        assert!(Channel::new(&good).is_ok());
        for geometry in bad {
            assert!(Channel::new(&geometry).is_err(), "{geometry:?}");
        }
    }

    proptest! {
        #[test]
        fn walls_only_take_away(ratio in 0.001..1.0_f64) {
            let (drag, pressure) = (drag_edge_factor(ratio), pressure_edge_factor(ratio));
            prop_assert!(0.49 < drag && drag < 1.0 && 0.42 < pressure && pressure < 1.0 && pressure < drag + 1e-5);
        }
    }
}
