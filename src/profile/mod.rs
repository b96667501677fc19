//! What is known of the machine, the controller, the screw, the nozzle and the feedstock.
//!
//! Plain values, each with its unit in the name and its provenance at its side. Every TOML key is declared once,
//! in `keys`; `form` says how its text is read and written, `check` judges it, `presets` holds the controller
//! rules, `pause` knows what waits for somebody, `cooling` what layers are to cool down to, `load` lays the sources over each
//! other, `find` finds the file and `show` writes the result out.

mod check;
mod cooling;
mod fault;
mod find;
mod form;
mod keys;
mod load;
mod output;
mod pause;
mod presets;
mod show;

use std::collections::BTreeMap;
use std::fmt;

pub use check::Caution;
pub use cooling::Cooling;
pub use fault::nearest;
pub use find::{Env, Found, System, find};
pub use form::text_literal;
pub use keys::HIGHEST_RPM;
pub use load::Assignment;
pub use output::Output;
pub use pause::check_pause_command;
pub use show::Entry;

/// Whether a value was measured on this machine or is a guess to be replaced.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
pub enum Provenance {
    /// Measured on this machine with this feedstock.
    Measured,
    /// Assumed: taken from the defaults, typed in without a measurement, or estimated.
    Assumed,
}

/// Where a value was set.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Origin {
    /// The embedded default profile.
    Default,
    /// The controller preset.
    Preset,
    /// The profile file.
    Profile,
    /// `--set` on the command line.
    CommandLine,
}

/// A value with its provenance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stated<T> {
    /// The value.
    pub value: T,
    /// Measured or assumed.
    pub provenance: Provenance,
    /// Where it was set.
    pub origin: Origin,
}

impl<T> Stated<T> {
    /// An assumed value from the embedded defaults.
    pub const fn assumed(value: T) -> Self {
        Self { value, provenance: Provenance::Assumed, origin: Origin::Default }
    }
}

/// Which axes move the part (rather than the head).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PartMoves {
    /// The bed moves along Y.
    Y,
    /// The bed moves along X and Y.
    Xy,
    /// The part stands still (or moves along Z only).
    None,
}

/// How axes map to motors.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kinematics {
    /// One motor an axis.
    Cartesian,
    /// Two motors share X and Y through crossed belts.
    CrossedBelts,
    /// Three vertical carriages.
    Delta,
}

/// How the controller limits speed at corners.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Corner {
    /// Set speed at a right angle, mm/s.
    RightAngleSpeed(f64),
    /// Allowed deviation from the corner, mm.
    Deviation(f64),
    /// Instant speed change allowed per axis (X, Y, Z, E), mm/s.
    AxisStep([f64; 4]),
}

/// The machine.
#[derive(Clone, Debug, PartialEq)]
pub struct Machine {
    /// How axes map to motors.
    pub kinematics: Stated<Kinematics>,
    /// Which axes move the part.
    pub part_moves: Stated<PartMoves>,
    /// Highest speed along the path, mm/s.
    pub max_speed_mm_s: Stated<f64>,
    /// Highest acceleration along the path, mm/s².
    pub max_accel_mm_s2: Stated<f64>,
    /// Corner rule.
    pub corner: Stated<Corner>,
    /// Highest speed by axis X, Y, Z, E, mm/s; `None`: no limit by axis.
    pub axis_speed_mm_s: Stated<Option<[f64; 4]>>,
    /// Highest acceleration by axis X, Y, Z, E, mm/s²; `None`: no limit by axis.
    pub axis_accel_mm_s2: Stated<Option<[f64; 4]>>,
    /// Motor steps for one mm of X, Y, Z and one unit of E.
    pub steps_per_mm: Stated<[f64; 4]>,
    /// Bed as the machine counts it: least X and Y, largest X and Y, mm; `None`: not known.
    pub bed_mm: Stated<Option<[f64; 4]>>,
    /// Where the nozzle can be, as the machine counts it: least X, Y and Z, largest X, Y and Z, mm; `None`: not known.
    pub reach_mm: Stated<Option<[f64; 6]>>,
    /// Where the head waits, X of the machine, mm. `None`: nowhere of its own.
    pub park_x_mm: Stated<Option<f64>>,
    /// The same, Y; set if `park_x_mm` is.
    pub park_y_mm: Stated<Option<f64>>,
    /// Lift before the way there, mm.
    pub park_lift_mm: Stated<f64>,
    /// Speed of the way there and back, mm/s; `None`: that of the file's travels.
    pub park_speed_mm_s: Stated<Option<f64>>,
}

impl Machine {
    /// X and Y of the park position, mm of the machine.
    pub fn park(&self) -> Option<[f64; 2]> {
        Some([self.park_x_mm.value?, self.park_y_mm.value?])
    }
}

/// How hardness becomes a modulus.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StiffnessRelation {
    /// Gent's relation of 1958.
    Gent,
    /// A straight line in the logarithm.
    LogLinear,
}

/// Which controller behaviour a profile starts from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Preset {
    /// Plans on a computer beside the printer.
    Host,
    /// Plans in the printer's own microcontroller board.
    Board,
    /// A network board with its own configuration files.
    Network,
    /// None of these: starts from the rules of `host`, every one of which has to be looked at.
    Custom,
}

/// What `G4` means to the controller.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DwellWords {
    /// Only `P` (milliseconds) counts; `S` does not wait.
    POnly,
    /// `S` (seconds) wins over `P` (milliseconds).
    SWins,
}

/// Which commands of a file set limits of motion, and in which units.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LimitWords {
    /// `M204 S`, or `P` and `T` together (the smaller counts), and named commands; nothing else.
    Named,
    /// `M201`, `M203`, `M204`, `M205`, all in seconds.
    PerSecond,
    /// `M201`, `M204`, `M205`; speeds of `M203` and `M566` are per minute.
    PerMinute,
}

/// What to do with a line that asks for more E than the controller takes in one line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Excess {
    /// Write it as several lines on the same path.
    Split,
    /// Leave it and report it.
    Report,
}

/// What becomes of more E in a line than the controller takes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ExcessEffect {
    /// The line is an error: a print from a stored file ends there.
    Refused,
    /// The head moves, the E is dropped.
    Dropped,
}

/// What to do with lines that switch on the controller's own compensation of melt lag.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LagCommands {
    /// Leave and report them.
    Keep,
    /// Turn them into comments.
    TakeOut,
    /// Report them, and turn them into comments where E of the output leads the flow: only one of both may.
    AsNeeded,
}

/// What the controller makes of a number with an exponent (`E1e-5`).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Exponent {
    /// The number that is meant.
    Number,
    /// The number before the exponent: 1.
    Cut,
    /// A second E word: E-5.
    Word,
}

/// Arcs the controller follows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ArcForm {
    /// With a centre (I, J), while positions are absolute.
    CentreAbsolute,
    /// Every form.
    Any,
}

/// Rules of the motion controller; the preset fills what the profile leaves out.
#[derive(Clone, Debug, PartialEq)]
pub struct Controller {
    /// The behaviour the rules start from.
    pub preset: Stated<Preset>,
    /// Feed in force before the first F word, mm/s.
    pub initial_feed_mm_s: Stated<f64>,
    /// Words of `G4`.
    pub dwell: Stated<DwellWords>,
    /// Most E units in one line without motion; `None`: no limit.
    pub max_e_only_mm: Stated<Option<f64>>,
    /// Most E units in any line; `None`: no limit.
    pub max_e_per_line_mm: Stated<Option<f64>>,
    /// Largest bead area as a multiple of the nozzle diameter squared; `None`: not checked.
    pub max_bead_area_per_nozzle_sq: Stated<Option<f64>>,
    /// What to do with too much E in a line.
    pub excess_e: Stated<Excess>,
    /// How accelerations are written.
    pub accel_words: Stated<AccelWords>,
    /// How a corner rule is written.
    pub corner_words: Stated<CornerWords>,
    /// Whether `G90` also makes E absolute (and ends `M83`).
    pub g90_sets_e: Stated<bool>,
    /// Whether `M221` also scales E in lines without motion.
    pub flow_factor_at_rest: Stated<bool>,
    /// Largest factor that `M221` sets, %.
    pub max_flow_percent: Stated<Option<f64>>,
    /// Commands that set limits of motion.
    pub limit_words: Stated<LimitWords>,
    /// Share of a short move that is spent cruising, 0..1.
    pub min_cruise_share: Stated<f64>,
    /// Largest jump of the extruder's speed where two moves meet, E units per second; `None`: no limit of its own.
    pub e_step_mm_s: Stated<Option<f64>>,
    /// Highest speed of the extruder without motion along X and Y, E units per second; `None`: no limit.
    pub e_only_speed_mm_s: Stated<Option<f64>>,
    /// Its highest acceleration, E units per second squared; `None`: that of the path.
    pub e_only_accel_mm_s2: Stated<Option<f64>>,
    /// Moves the controller plans ahead, a whole number; `None`: as many as there are.
    pub look_ahead_moves: Stated<Option<f64>>,
    /// Most steps a second that the controller gives a motor, Hz; `None`: not checked.
    pub max_step_rate_hz: Stated<Option<f64>>,
    /// What to do with lines that switch on the controller's own compensation of melt lag.
    pub lag_commands: Stated<LagCommands>,
    /// What becomes of too much E in a line.
    pub excess_e_is: Stated<ExcessEffect>,
    /// What a number with an exponent is read as.
    pub exponent: Stated<Exponent>,
    /// Most characters of a line that are read, comments aside; `None`: no limit.
    pub max_line_characters: Stated<Option<f64>>,
    /// Arcs that are followed.
    pub arcs: Stated<ArcForm>,
    /// Commands that are answered with an error.
    pub refused_commands: Stated<Vec<String>>,
    /// Commands that are not known and skipped.
    pub skipped_commands: Stated<Vec<String>>,
    /// Commands that are known only if the controller was built or set up for them.
    pub optional_commands: Stated<Vec<String>>,
    /// Further commands that are known.
    pub own_commands: Stated<Vec<String>>,
    /// Whether commands written as names with arguments are known.
    pub named_commands: Stated<bool>,
    /// Whether `G01` is read as `G1`.
    pub leading_zeros: Stated<bool>,
    /// Whether commands in lower case are read.
    pub lower_case: Stated<bool>,
    /// Whether each of several G commands on a line is carried out.
    pub several_commands: Stated<bool>,
    /// Whether lines without a command repeat the last motion.
    pub modal_lines: Stated<bool>,
    /// Whether comments in parentheses behind words are left out.
    pub parentheses: Stated<bool>,
    /// Whether `F0` is let through.
    pub zero_feed: Stated<bool>,
    /// Whether `M204`, `M220` and `M221` take zero.
    pub zero_settings: Stated<bool>,
    /// Whether `M204` takes `P` or `T` alone.
    pub lone_accel_words: Stated<bool>,
    /// Longest smoothing time of the controller's own lag compensation, s; `None`: no limit.
    pub max_lag_smoothing_s: Stated<Option<f64>>,
    /// Whether moves are refused until the axes are homed.
    pub needs_homing: Stated<bool>,
    /// Whether switching the motors off (`M84`, `M18`) makes the axes count as not homed.
    pub motors_off_unhomes: Stated<bool>,
    /// Least nozzle temperature at which the extruder turns, °C; `None`: not checked.
    pub min_extrude_temperature_c: Stated<Option<f64>>,
    /// Largest absolute E that is still held finely enough, units of E; `None`: no limit.
    pub max_absolute_e: Stated<Option<f64>>,
    /// Whether a last line without a line end is dropped.
    pub needs_final_line_end: Stated<bool>,
    /// Whether bytes that are not UTF-8 text end the print.
    pub needs_utf8: Stated<bool>,
}

/// What one unit of E means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum EUnit {
    /// Millimetres of a strand with the virtual diameter.
    VirtualFilament,
    /// Turns of the screw.
    ScrewTurns,
    /// Cubic millimetres.
    Mm3,
}

/// Who makes up for the lag of the melt.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LagCompensation {
    /// The E of each bead, written so that flow follows.
    File,
    /// The controller, which adds to the extruder's travel in proportion to its speed.
    Controller,
    /// Nobody.
    None,
}

/// What one unit of E means in the files this program writes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum OutputUnit {
    /// The same as in the file that came in.
    AsInFile,
    /// Millimetres of a strand with the output diameter.
    VirtualFilament,
    /// Turns of the screw.
    ScrewTurns,
    /// Cubic millimetres.
    Mm3,
}

/// How the controller takes an acceleration.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AccelWords {
    /// `M204 S`, for all moves.
    AllMoves,
    /// `M204 P`, for moves with extrusion alone.
    Beads,
}

/// How the controller takes a corner rule.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CornerWords {
    /// By a named command, which sets the speed at a right angle.
    Named,
    /// `M205`: `X` and `Y` under the rule by axis, `J` under that of a deviation.
    ByRule,
    /// There is no word for it, or none is to be written.
    None,
}

/// The screw and the drive.
#[derive(Clone, Debug, PartialEq)]
pub struct Screw {
    /// Output against screw speed.
    pub output: Stated<Output>,
    /// Highest screw speed, rev/min.
    pub max_speed_rpm: Stated<f64>,
    /// What the barrel can melt, mm³/s; `None`: no limit known.
    pub melting_limit_mm3_s: Stated<Option<f64>>,
    /// Share of the computed capacity that is used, 0..=1.
    pub derate: Stated<f64>,
    /// Capacity for single moves, mm³/s; wins over everything computed.
    pub peak_flow_mm3_s: Stated<Option<f64>>,
    /// Capacity for the moving average, mm³/s; wins over everything computed.
    pub sustained_flow_mm3_s: Stated<Option<f64>>,
    /// Window of the moving average, s.
    pub sustained_window_s: Stated<f64>,
    /// Time constant of the melt, s.
    pub melt_lag_s: Stated<f64>,
    /// Time between the screw's turning and the first answer of the melt, s.
    pub dead_time_s: Stated<f64>,
    /// Who makes up for the lag.
    pub lag_compensated_by: Stated<LagCompensation>,
    /// Where nobody makes up for the lag: share by which flow may be astray on ramps, 0..=1; `None`: not held.
    pub max_ramp_error: Stated<Option<f64>>,
    /// The same where the bead area jumps inside a run: largest jump of flow, mm³/s; `None`: not held.
    pub max_flow_step_mm3_s: Stated<Option<f64>>,
    /// Farthest the screw is turned back at one time, turns.
    pub max_reverse_turns: Stated<f64>,
    /// Ways without extrusion shorter than this need no turn back, mm.
    pub min_travel_mm: Stated<f64>,
    /// What one unit of E means in what is written.
    pub output_e_unit: Stated<OutputUnit>,
    /// Diameter of the strand E is counted in there, mm.
    pub output_diameter_mm: Stated<f64>,
    /// What one unit of E means.
    pub e_unit: Stated<EUnit>,
    /// Diameter of the strand E is counted in, mm; `None`: taken from the file.
    pub virtual_diameter_mm: Stated<Option<f64>>,
    /// Tool numbers that are this screw; moves of other tools are left alone.
    pub tools: Stated<Vec<u32>>,
    /// Letter of the extruder axis in the file: `E`, `A` or `B`.
    pub axis: Stated<u8>,
}

impl Screw {
    /// The tool that is the screw, the first where there are several; 0 where none is named.
    pub fn tool(&self) -> u32 {
        self.tools.value.first().copied().unwrap_or(0)
    }
}

/// The nozzle.
#[derive(Clone, Debug, PartialEq)]
pub struct Nozzle {
    /// Bore, mm.
    pub diameter_mm: Stated<f64>,
    /// Diameter of the flat face around it, mm; `None`: twice the bore.
    pub face_mm: Stated<Option<f64>>,
}

/// What is in the hopper.
#[derive(Clone, Debug, PartialEq)]
pub struct Feedstock {
    /// Name of the grade.
    pub name: Stated<String>,
    /// Lot.
    pub lot: Stated<Option<String>>,
    /// Density at room temperature, g/cm³.
    pub density_g_cm3: Stated<f64>,
    /// Hardness, Shore A.
    pub shore_a: Stated<f64>,
    /// Hardness, Shore OO, in its place.
    pub shore_oo: Stated<Option<f64>>,
    /// Hardness, Shore D, in its place.
    pub shore_d: Stated<Option<f64>>,
    /// Modulus of elasticity, MPa; `None`: from the hardness.
    pub modulus_mpa: Stated<Option<f64>>,
    /// How hardness becomes a modulus.
    pub stiffness_relation: Stated<StiffnessRelation>,
    /// Share of the stiffness that a part still warm from printing has, above 0 to 1.
    pub warm_stiffness_share: Stated<f64>,
    /// Thermal conductivity, W/(m·K).
    pub conductivity_w_m_k: Stated<f64>,
    /// Heat capacity, J/(kg·K).
    pub heat_capacity_j_kg_k: Stated<f64>,
    /// Consistency of the melt, Pa·s^n.
    pub melt_consistency_pa_s_n: Stated<f64>,
    /// Exponent of its power law.
    pub melt_index_n: Stated<f64>,
    /// Lowest nozzle temperature, °C.
    pub nozzle_temperature_min_c: Stated<f64>,
    /// Highest nozzle temperature, °C.
    pub nozzle_temperature_max_c: Stated<f64>,
    /// Drying temperature, °C.
    pub drying_temperature_c: Stated<Option<f64>>,
    /// Drying time, h.
    pub drying_time_h: Stated<Option<f64>>,
    /// How long granules may lie open after drying, h; `None`: that does them no harm.
    pub open_time_h: Stated<Option<f64>>,
    /// Strongest part fan it bears, 0..=1; `None`: any.
    pub max_fan_share: Stated<Option<f64>>,
}

/// The hopper, or the cup in its place.
#[derive(Clone, Debug, PartialEq)]
pub struct Hopper {
    /// Content that can be used before it has to be refilled, g; `None`: not known, refills are not planned.
    pub usable_g: Stated<Option<f64>>,
    /// It is refilled before less than this is left of it, g.
    pub margin_g: Stated<f64>,
    /// Density of the granules as poured, g/cm³; `None`: a usual share of the solid.
    pub bulk_density_g_cm3: Stated<Option<f64>>,
    /// Cost of a kilogram, in the user's own currency.
    pub cost_per_kg: Stated<Option<f64>>,
    /// A line the controller knows that parks the head and waits; written at refills. `None`: refills are only planned.
    pub pause_command: Stated<Option<String>>,
    /// Melt pushed out at the park position after each refill, mm³.
    pub purge_mm3: Stated<f64>,
}

/// What the soft part bears, and how it cools.
#[derive(Clone, Debug, PartialEq)]
pub struct Part {
    /// How far it may sway, share of the bead width.
    pub sway_share: Stated<f64>,
    /// Dynamic deflection over the static one, 1 to 4.
    pub sway_factor: Stated<f64>,
    /// Least acceleration that is set, mm/s².
    pub least_accel_mm_s2: Stated<f64>,
    /// Beads are slowed where the nozzle would drag the part further than it may sway.
    pub clamp_drag: Stated<bool>,
    /// Temperature to which a layer is to cool before the next, °C; `None`: layers get no time to cool.
    pub solid_temperature_c: Stated<Option<f64>>,
    /// Temperature of the air around the part, °C.
    pub air_temperature_c: Stated<f64>,
    /// What the air takes from the part, W/(m²·K).
    pub air_w_m2_k: Stated<f64>,
    /// Least speed to which beads are slowed for cooling, mm/s.
    pub least_speed_mm_s: Stated<f64>,
    /// Least flow to which beads are slowed for cooling, mm³/s.
    pub least_flow_mm3_s: Stated<f64>,
}

/// What an audit says, and what not.
#[derive(Clone, Debug, PartialEq)]
pub struct Audit {
    /// Codes of findings that are counted and not shown.
    pub allow: Stated<Vec<String>>,
}

/// Everything the passes know.
#[derive(Clone, Debug, PartialEq)]
pub struct Profile {
    /// The machine.
    pub machine: Machine,
    /// The controller.
    pub controller: Controller,
    /// The screw.
    pub screw: Screw,
    /// The nozzle.
    pub nozzle: Nozzle,
    /// The feedstock.
    pub feedstock: Feedstock,
    /// The hopper.
    pub hopper: Hopper,
    /// The part.
    pub part: Part,
    /// What an audit says, and what not.
    pub audit: Audit,
    /// Notes written beside values, by the full name of the key.
    pub notes: BTreeMap<&'static str, String>,
}

impl fmt::Display for Provenance {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Measured => "measured",
            Self::Assumed => "assumed",
        })
    }
}

impl fmt::Display for Origin {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Default => "default",
            Self::Preset => "preset",
            Self::Profile => "profile",
            Self::CommandLine => "command line",
        })
    }
}
