//! Every key of the profile, declared once: its name, field, form, range and meaning.

use std::collections::BTreeMap;

use super::check::{above_zero, any, each_above_zero, if_some, name, reach, tools, whole, within};
use super::fault::{Complaint, Refusal};
use super::form::{
    Axes, AxisLetter, Blank, CommandNames, ConstantOutput, CornerRule, FindingNames, Flag, Form, Node, Number, OrNone,
    OutputCurve, Reach, Rectangle, Text, Tools, Word,
};
use super::pause;
use super::{
    AccelWords, ArcForm, Audit, Controller, CornerWords, DwellWords, EUnit, Excess, ExcessEffect, Exponent, Feedstock,
    Hopper, Kinematics, LagCommands, LagCompensation, LimitWords, Machine, Nozzle, Origin, Output, OutputUnit, Part,
    PartMoves, Preset, Profile, Provenance, Screw, Stated, StiffnessRelation,
};

/// Highest screw speed that is no slip of the unit, rev/min.
pub const HIGHEST_RPM: f64 = 10_000.0;

/// One key and what is done with it.
pub(super) struct Key {
    /// Full name, `section.key`.
    pub name: &'static str,
    /// Full name of the field; two keys that set the same field exclude each other.
    pub field: &'static str,
    /// What it means, with its unit.
    pub about: &'static str,
    /// Whether a plain value is itself a table.
    pub is_table: bool,
    /// Reads, judges and stores a value.
    pub set: fn(&mut Profile, &Node<'_>, Provenance, Origin) -> Result<(), Refusal>,
    /// The value as TOML; `None` if the field is written through its other key.
    pub get: fn(&Profile) -> Option<Stated<String>>,
}

impl Key {
    /// Section and key.
    pub fn parts(&self) -> (&'static str, &'static str) {
        self.name.split_once('.').unwrap_or(("", self.name))
    }

    /// The key with this full name.
    pub fn find(name: &str) -> Option<&'static Key> {
        KEYS.iter().find(|key| key.name == name)
    }
}

/// Keeps the types of a check and of the field it judges together.
fn judged<T>(node: &Node<'_>, value: T, check: impl Fn(&T) -> Result<(), Complaint>) -> Result<T, Refusal> {
    check(&value).map_err(|complaint| complaint.at(node.span()))?;
    Ok(value)
}

/// One row a key: `field: "key" as Form, check, "meaning";`. A further row with `|` in front is another way to
/// set the field above it.
macro_rules! keys {
    ($($section:ident: $Section:ident {
        $($field:ident: $key:literal as $form:ty, $check:expr, $about:literal;
            $(| $other_key:literal as $other_form:ty, $other_check:expr, $other_about:literal;)*)+
    })+) => {
        /// All keys, in the order they are shown.
        pub(super) static KEYS: &[Key] = &[$($(
            keys!(@row $section, $field, $key, $form, $check, $about),
            $(keys!(@row $section, $field, $other_key, $other_form, $other_check, $other_about),)*
        )+)+];

        /// A profile of placeholders; the default profile and a preset replace every one of them.
        pub(super) fn blank() -> Profile {
            Profile {
                $($section: $Section { $($field: Stated::assumed(Blank::blank()),)+ },)+
                notes: BTreeMap::new(),
            }
        }
    };
    (@row $section:ident, $field:ident, $key:literal, $form:ty, $check:expr, $about:literal) => {
        Key {
            name: concat!(stringify!($section), ".", $key),
            field: concat!(stringify!($section), ".", stringify!($field)),
            about: $about,
            is_table: <$form as Form>::IS_TABLE,
            set: |profile, node, provenance, origin| {
                let value = judged(node, <$form as Form>::read(node)?, $check)?;
                profile.$section.$field = Stated { value, provenance, origin };
                Ok(())
            },
            get: |profile| {
                let Stated { value, provenance, origin } = &profile.$section.$field;
                let value = <$form as Form>::write(value)?;
                Some(Stated { value, provenance: *provenance, origin: *origin })
            },
        }
    };
}

keys! {
    machine: Machine {
        kinematics: "kinematics" as Word<Kinematics>, any,
            "how axes map to motors: \"cartesian\", \"crossed-belts\" or \"delta\"";
        part_moves: "part_moves" as Word<PartMoves>, any,
            "axes that move the part instead of the head: \"y\", \"xy\" or \"none\"";
        max_speed_mm_s: "max_speed_mm_s" as Number,
            |v| above_zero(*v, 5000.0, "mm/s", "the highest speed the machine is set to, in mm/s (not mm/min)"),
            "highest speed along the path, mm/s";
        max_accel_mm_s2: "max_accel_mm_s2" as Number,
            |v| above_zero(*v, 200_000.0, "mm/s²", "the highest acceleration the machine is set to, in mm/s²"),
            "highest acceleration along the path, mm/s²";
        corner: "corner" as CornerRule, any,
            "how the controller limits speed at corners";
        axis_speed_mm_s: "axis_speed_mm_s" as OrNone<Axes>,
            |v| if_some(v, |v| each_above_zero(v, 1e6, "mm/s", "\"none\" if the controller knows no limit by axis")),
            "highest speed by axis [x, y, z, e], mm/s, or \"none\"";
        axis_accel_mm_s2: "axis_accel_mm_s2" as OrNone<Axes>,
            |v| if_some(v, |v| each_above_zero(v, 1e7, "mm/s²", "\"none\" if the controller knows no limit by axis")),
            "highest acceleration by axis [x, y, z, e], mm/s², or \"none\"";
        steps_per_mm: "steps_per_mm" as Axes,
            |v| each_above_zero(v, 1e6, "", "motor steps for one mm of the axis, as the machine is set"),
            "motor steps for one mm of [x, y, z] and one unit of e";
        bed_mm: "bed_mm" as OrNone<Rectangle>,
            |v| if_some(v, bed),
            "bed as the machine counts it, [least x, least y, largest x, largest y], mm, or \"none\"";
        reach_mm: "reach_mm" as OrNone<Reach>,
            |v| if_some(v, reach),
            "where the nozzle can be, [least x, least y, least z, largest x, largest y, largest z], mm, or \"none\"";
        park_x_mm: "park_x_mm" as OrNone<Number>,
            |v| if_some(v, |v| within(*v, -1e4, 1e4, "mm", PARK)),
            "where the head waits, X of the machine, mm, or \"none\"";
        park_y_mm: "park_y_mm" as OrNone<Number>,
            |v| if_some(v, |v| within(*v, -1e4, 1e4, "mm", PARK)),
            "where the head waits, Y of the machine, mm, or \"none\"";
        park_lift_mm: "park_lift_mm" as Number,
            |v| within(*v, 0.0, 1e3, "mm", "how far the nozzle is lifted before the way there; the machine must have that much room above the print"),
            "lift before the way to the park position, mm";
        park_speed_mm_s: "park_speed_mm_s" as OrNone<Number>,
            |v| if_some(v, |v| above_zero(*v, 5000.0, "mm/s", "in mm/s (not mm/min); \"none\" takes the speed of the file's travels")),
            "speed of the way to the park position and back, mm/s, or \"none\": that of the file's travels";
    }
    controller: Controller {
        preset: "preset" as Word<Preset>, any,
            "behaviour the rules start from: \"host\", \"board\", \"network\" or \"custom\"";
        initial_feed_mm_s: "initial_feed_mm_s" as Number,
            |v| above_zero(*v, 5000.0, "mm/s", "the speed of a move before the first F word, in mm/s (not mm/min)"),
            "feed in force before the first F word, mm/s";
        dwell: "dwell" as Word<DwellWords>, any,
            "words of G4: \"p-only\" (P in ms counts, S does not wait) or \"s-wins\" (S in s wins over P)";
        max_e_only_mm: "max_e_only_mm" as OrNone<Number>,
            |v| if_some(v, |v| within(*v, 0.1, 1e6, "", "lines would become very many; \"none\" switches the limit off")),
            "most E in one line without motion, or \"none\"";
        max_e_per_line_mm: "max_e_per_line_mm" as OrNone<Number>,
            |v| if_some(v, |v| within(*v, 0.1, 1e6, "", "lines would become very many; \"none\" switches the limit off")),
            "most E in any line, or \"none\"";
        max_bead_area_per_nozzle_sq: "max_bead_area_per_nozzle_sq" as OrNone<Number>,
            |v| if_some(v, |v| above_zero(*v, 1e4, "", "\"none\" switches the check off")),
            "largest bead area as a multiple of the nozzle diameter squared, or \"none\"";
        excess_e: "excess_e" as Word<Excess>, any,
            "what to do with too much E in a line: \"split\" or \"report\"";
        accel_words: "accel_words" as Word<AccelWords>, any,
            "how accelerations are written: \"all-moves\" (M204 S) or \"beads\" (M204 P)";
        corner_words: "corner_words" as Word<CornerWords>, any,
            "how corner rules are written: \"named\" (a named command), \"by-rule\" (M205 X Y or J) or \"none\"";
        g90_sets_e: "g90_sets_e" as Flag, any,
            "whether G90 also makes E absolute and ends M83: true or false";
        flow_factor_at_rest: "flow_factor_at_rest" as Flag, any,
            "whether M221 also scales E in lines without motion: true or false";
        max_flow_percent: "max_flow_percent" as OrNone<Number>,
            |v| if_some(v, |v| within(*v, 1.0, 1e6, "%", "\"none\" for no limit")),
            "largest factor on E that M221 sets, %, or \"none\"";
        limit_words: "limit_words" as Word<LimitWords>, any,
            "commands that set limits of motion: \"named\", \"per-second\" or \"per-minute\"";
        min_cruise_share: "min_cruise_share" as Number,
            |v| within(*v, 0.0, 0.99, "", "0 lets short moves speed up as far as they can"),
            "least share of a short move that is spent at constant speed, 0 to 0.99";
        e_step_mm_s: "e_step_mm_s" as OrNone<Number>,
            |v| if_some(v, |v| above_zero(*v, 1e6, "", "\"none\" if the controller knows no such limit")),
            "largest jump of the speed of E where two moves meet, units of E a second, or \"none\"";
        e_only_speed_mm_s: "e_only_speed_mm_s" as OrNone<Number>,
            |v| if_some(v, |v| above_zero(*v, 1e6, "", "\"none\" switches the limit off")),
            "highest speed of E without motion along X and Y, units of E a second, or \"none\"";
        e_only_accel_mm_s2: "e_only_accel_mm_s2" as OrNone<Number>,
            |v| if_some(v, |v| above_zero(*v, 1e7, "", "\"none\" takes the acceleration along the path")),
            "acceleration of E without motion along X and Y, units of E a second squared, or \"none\"";
        look_ahead_moves: "look_ahead_moves" as OrNone<Number>,
            |v| if_some(v, |v| whole(*v, 3.0, 10_000.0, "\"none\" if the controller looks ahead without limit")),
            "moves the controller plans ahead, 3 or more, or \"none\"";
        max_step_rate_hz: "max_step_rate_hz" as OrNone<Number>,
            |v| if_some(v, |v| within(*v, 1000.0, 1e8, "Hz", "\"none\" switches the check off")),
            "most steps a second that the controller gives a motor, or \"none\"";
        lag_commands: "lag_commands" as Word<LagCommands>, any,
            "commands of the file that switch on the controller's own compensation of lag: \"keep\", \"take-out\" or \"as-needed\"";
        excess_e_is: "excess_e_is" as Word<ExcessEffect>, any,
            "what becomes of too much E in a line: \"refused\" (the print ends) or \"dropped\" (the head moves on dry)";
        exponent: "exponent" as Word<Exponent>, any,
            "what E1e-5 is read as: \"number\" (0.00001), \"cut\" (E1) or \"word\" (E-5)";
        max_line_characters: "max_line_characters" as OrNone<Number>,
            |v| if_some(v, |v| within(*v, 32.0, 1e6, "", "\"none\" switches the check off")),
            "most characters of a line that are read, comments aside, or \"none\"";
        arcs: "arcs" as Word<ArcForm>, any,
            "arcs that are followed: \"centre-absolute\" (I and J, while positions are absolute) or \"any\"";
        refused_commands: "refused_commands" as CommandNames, any,
            "commands that are answered with an error, such as [\"G20\"]";
        skipped_commands: "skipped_commands" as CommandNames, any,
            "commands that are not known and skipped, such as [\"M205\"]";
        optional_commands: "optional_commands" as CommandNames, any,
            "commands that are known only if the controller is set up for them, such as [\"G2\", \"G3\"]";
        own_commands: "own_commands" as CommandNames, any,
            "further commands that this controller knows by letter and number, such as [\"M1200\"]";
        named_commands: "named_commands" as Flag, any,
            "whether commands written as NAME KEY=VALUE are known: true or false";
        leading_zeros: "leading_zeros" as Flag, any,
            "whether G01 is read as G1: true or false";
        lower_case: "lower_case" as Flag, any,
            "whether commands in lower case are read: true or false";
        several_commands: "several_commands" as Flag, any,
            "whether each of several G commands on a line is carried out: true or false";
        modal_lines: "modal_lines" as Flag, any,
            "whether lines without a command repeat the last motion: true or false";
        parentheses: "parentheses" as Flag, any,
            "whether comments in parentheses behind words are left out: true or false";
        zero_feed: "zero_feed" as Flag, any,
            "whether F0 is let through: true or false";
        zero_settings: "zero_settings" as Flag, any,
            "whether M204, M220 and M221 take zero: true or false";
        lone_accel_words: "lone_accel_words" as Flag, any,
            "whether M204 takes P or T alone: true or false";
        max_lag_smoothing_s: "max_lag_smoothing_s" as OrNone<Number>,
            |v| if_some(v, |v| above_zero(*v, 60.0, "s", "\"none\" switches the check off")),
            "longest smoothing time of the controller's own lag compensation, s, or \"none\"";
        needs_homing: "needs_homing" as Flag, any,
            "whether moves are refused until the axes are homed: true or false";
        motors_off_unhomes: "motors_off_unhomes" as Flag, any,
            "whether M84 and M18 make the axes count as not homed: true or false";
        min_extrude_temperature_c: "min_extrude_temperature_c" as OrNone<Number>,
            |v| if_some(v, |v| within(*v, 0.0, 500.0, "°C", "\"none\" if the screw turns at any temperature")),
            "least nozzle temperature at which the controller turns the extruder, °C, or \"none\"";
        max_absolute_e: "max_absolute_e" as OrNone<Number>,
            |v| if_some(v, |v| above_zero(*v, 1e12, "", "\"none\" switches the check off")),
            "largest absolute E that is still held finely enough, in the unit of E, or \"none\"";
        needs_final_line_end: "needs_final_line_end" as Flag, any,
            "whether a last line without a line end is dropped: true or false";
        needs_utf8: "needs_utf8" as Flag, any,
            "whether bytes that are not UTF-8 text end the print: true or false";
    }
    screw: Screw {
        output: "specific_output_mm3_rev" as ConstantOutput, output_above_zero,
            "output of one turn, the same at every speed, mm³/rev";
            | "output_curve" as OutputCurve, any,
            "output against screw speed: [[rev/min, mm³/s], ...], rising in both";
        max_speed_rpm: "max_speed_rpm" as Number,
            |v| above_zero(*v, HIGHEST_RPM, "rev/min", "the highest speed the drive holds without losing steps, in rev/min"),
            "highest screw speed, rev/min";
        melting_limit_mm3_s: "melting_limit_mm3_s" as OrNone<Number>,
            |v| if_some(v, |v| above_zero(*v, 1e5, "mm³/s", "\"none\" if no melting limit is known")),
            "what the barrel can melt, mm³/s, or \"none\"";
        derate: "derate" as Number,
            |v| above_zero(*v, 1.0, "", "the share of the computed capacity that is used; 1 uses all of it, 0.9 keeps a tenth back"),
            "share of the computed capacity that is used, above 0 and up to 1";
        peak_flow_mm3_s: "peak_flow_mm3_s" as OrNone<Number>,
            |v| if_some(v, |v| above_zero(*v, 1e5, "mm³/s", "\"none\" computes it from output, speed and melting limit")),
            "capacity for single moves, mm³/s, or \"none\"; wins over everything computed";
        sustained_flow_mm3_s: "sustained_flow_mm3_s" as OrNone<Number>,
            |v| if_some(v, |v| above_zero(*v, 1e5, "mm³/s", "\"none\" takes the peak capacity")),
            "capacity for the moving average, mm³/s, or \"none\"";
        sustained_window_s: "sustained_window_s" as Number,
            |v| above_zero(*v, 3600.0, "s", "the time over which flow is averaged; a minute suits most heads"),
            "window of the moving average, s";
        melt_lag_s: "melt_lag_s" as Number,
            |v| within(*v, 0.0, 60.0, "s", "weigh what drools out after a stop and divide its volume by the flow before; 0 means no lag"),
            "time constant of the melt, s";
        dead_time_s: "dead_time_s" as Number,
            |v| within(*v, 0.0, 10.0, "s", "the time from the screw's start until flow begins to rise; 0 if it is not known"),
            "time before the melt begins to answer the screw, s";
        lag_compensated_by: "lag_compensated_by" as Word<LagCompensation>, any,
            "who makes up for the lag: \"file\", \"controller\" or \"none\"";
        max_ramp_error: "max_ramp_error" as OrNone<Number>,
            |v| if_some(v, |v| above_zero(*v, 1.0, "", "a share of the flow: 0.2 for a fifth; \"none\" leaves accelerations alone")),
            "with lag_compensated_by \"none\": share by which flow may be astray on ramps, up to 1, or \"none\"";
        max_flow_step_mm3_s: "max_flow_step_mm3_s" as OrNone<Number>,
            |v| if_some(v, |v| within(*v, 0.01, 1e5, "mm³/s", "\"none\" leaves such beads alone")),
            "with lag_compensated_by \"none\": largest jump of flow where the bead area changes, mm³/s, or \"none\"";
        max_reverse_turns: "max_reverse_turns" as Number,
            |v| within(*v, 0.0, 20.0, "rev", "a reversed screw relieves pressure and then sucks air; half a turn is plenty"),
            "farthest the screw is turned back at one time, turns";
        min_travel_mm: "min_travel_mm" as Number,
            |v| within(*v, 0.0, 1e4, "mm", "the length of a way over which a little drool does no harm"),
            "ways without extrusion shorter than this need no turn back, mm";
        output_e_unit: "output_e_unit" as Word<OutputUnit>, any,
            "what one unit of E means in the output: \"as-in-file\", \"virtual-filament-mm\", \"screw-turns\" or \"mm3\"";
        output_diameter_mm: "output_diameter_mm" as Number,
            |v| within(*v, 0.1, 200.0, "mm", "the diameter of the strand the controller is set up for, in mm"),
            "diameter of the strand whose millimetres E of the output counts, mm";
        e_unit: "e_unit" as Word<EUnit>, any,
            "what one unit of E means: \"virtual-filament-mm\", \"screw-turns\" or \"mm3\"";
        virtual_diameter_mm: "virtual_diameter_mm" as OrNone<Number>,
            |v| if_some(v, |v| within(*v, 0.1, 200.0, "mm", "the filament diameter the slicing profile was given, in mm")),
            "diameter of the strand E is counted in, mm, or \"none\" to take it from the file";
        tools: "tools" as Tools, |v| tools(v),
            "tool numbers that are this screw, such as [0]";
        axis: "axis" as AxisLetter, any,
            "letter of the extruder axis in the file: \"E\", \"A\" or \"B\"";
    }
    nozzle: Nozzle {
        diameter_mm: "diameter_mm" as Number,
            |v| within(*v, 0.1, 10.0, "mm", "the bore of the nozzle, in mm"),
            "bore of the nozzle, mm";
        face_mm: "face_mm" as OrNone<Number>,
            |v| if_some(v, |v| within(*v, 0.1, 50.0, "mm", "the flat around the bore, measured across; \"none\" takes twice the bore")),
            "diameter of the flat face around the bore, mm, or \"none\"";
    }
    feedstock: Feedstock {
        name: "name" as Text, |v| name(v),
            "name of the grade, text";
        lot: "lot" as OrNone<Text>, |v| if_some(v, |v| name(v)),
            "lot of the feedstock, text or \"none\"";
        density_g_cm3: "density_g_cm3" as Number,
            |v| within(*v, 0.5, 5.0, "g/cm³", "density of the solid from the data sheet, in g/cm³ (1120 kg/m³ is 1.12)"),
            "density at room temperature, g/cm³";
        shore_a: "shore_a" as Number,
            |v| within(*v, 0.0, 100.0, "Shore A", "other scales have keys of their own, feedstock.shore_oo and feedstock.shore_d; very hard grades are 100"),
            "hardness, Shore A";
        shore_oo: "shore_oo" as OrNone<Number>,
            |v| if_some(v, |v| within(*v, 0.0, 70.0, "Shore OO", "harder stuff is told by Shore A, feedstock.shore_a")),
            "hardness of gels, Shore OO, or \"none\": Shore A counts";
        shore_d: "shore_d" as OrNone<Number>,
            |v| if_some(v, |v| within(*v, 10.0, 95.0, "Shore D", "softer stuff is told by Shore A, feedstock.shore_a")),
            "hardness of stiff stuff, Shore D, or \"none\": Shore A counts";
        modulus_mpa: "modulus_mpa" as OrNone<Number>,
            |v| if_some(v, |v| within(*v, 1e-3, 1e5, "MPa", "the slope of the first tenth of a tensile test, in MPa; \"none\" takes it from the hardness")),
            "modulus of elasticity, MPa, or \"none\": from the hardness";
        stiffness_relation: "stiffness_relation" as Word<StiffnessRelation>, any,
            "how hardness becomes a modulus: \"gent\" or \"log-linear\"";
        warm_stiffness_share: "warm_stiffness_share" as Number,
            |v| above_zero(*v, 1.0, "", "the stiffness of the part as it is printed over that at room temperature; 1 for a cold part"),
            "share of the stiffness that a part still warm from printing has";
        conductivity_w_m_k: "conductivity_w_m_k" as Number,
            |v| within(*v, 0.01, 10.0, "W/(m K)", "from the data sheet; 0.2 is usual for elastomers"),
            "thermal conductivity, W/(m K)";
        heat_capacity_j_kg_k: "heat_capacity_j_kg_k" as Number,
            |v| within(*v, 200.0, 10_000.0, "J/(kg K)", "from the data sheet; 1700 is usual for elastomers"),
            "heat capacity, J/(kg K)";
        melt_consistency_pa_s_n: "melt_consistency_pa_s_n" as Number,
            |v| within(*v, 1e-3, 1e7, "Pa s^n", "the viscosity of the melt at a shear rate of 1/s"),
            "consistency of the melt, Pa s^n";
        melt_index_n: "melt_index_n" as Number,
            |v| within(*v, 0.05, 1.5, "", "how the viscosity falls with shear: 1 not at all, 0.3 to 0.6 for most melts"),
            "exponent of the melt's power law";
        nozzle_temperature_min_c: "nozzle_temperature_min_c" as Number,
            |v| within(*v, 20.0, 500.0, "°C", "from the data sheet of the feedstock, in degrees Celsius"),
            "lowest nozzle temperature, °C";
        nozzle_temperature_max_c: "nozzle_temperature_max_c" as Number,
            |v| within(*v, 20.0, 500.0, "°C", "from the data sheet of the feedstock, in degrees Celsius"),
            "highest nozzle temperature, °C";
        drying_temperature_c: "drying_temperature_c" as OrNone<Number>,
            |v| if_some(v, |v| within(*v, 20.0, 250.0, "°C", "\"none\" if the feedstock needs no drying")),
            "drying temperature, °C, or \"none\"";
        drying_time_h: "drying_time_h" as OrNone<Number>,
            |v| if_some(v, |v| above_zero(*v, 240.0, "h", "\"none\" if the feedstock needs no drying")),
            "drying time, h, or \"none\"";
        open_time_h: "open_time_h" as OrNone<Number>,
            |v| if_some(v, |v| above_zero(*v, 10_000.0, "h", "how long dried granules may lie open; \"none\" if that does them no harm")),
            "how long granules may lie open after drying, h, or \"none\"";
        max_fan_share: "max_fan_share" as OrNone<Number>,
            |v| if_some(v, |v| within(*v, 0.0, 1.0, "", "a share of the full fan: 0 for no fan at all; \"none\" if any will do")),
            "strongest part fan the feedstock bears, 0 to 1, or \"none\"";
    }
    hopper: Hopper {
        usable_g: "usable_g" as OrNone<Number>,
            |v| if_some(v, |v| within(*v, 1.0, 1e6, "g", "fill the hopper, let the screw take it and weigh; \"none\" plans no refills")),
            "content of the full hopper that can be used, g, or \"none\"";
        margin_g: "margin_g" as Number,
            |v| within(*v, 0.0, 1e6, "g", "what must be left in the hopper when it is refilled; 0 runs it empty"),
            "least content at which the hopper is refilled, g";
        bulk_density_g_cm3: "bulk_density_g_cm3" as OrNone<Number>,
            |v| if_some(v, |v| within(*v, 0.05, 5.0, "g/cm³", "weigh a litre as poured: 560 g are 0.56; \"none\" takes 0.55 of the solid")),
            "density of the granules as poured, g/cm³, or \"none\"";
        cost_per_kg: "cost_per_kg" as OrNone<Number>,
            |v| if_some(v, |v| within(*v, 0.0, 1e6, "", "\"none\" if cost is of no interest")),
            "cost of a kilogram of feedstock in your own currency, or \"none\"";
        pause_command: "pause_command" as OrNone<Text>, |v| if_some(v, |v| pause::command(v)),
            "a line your controller knows that parks the head and waits, written at refills, or \"none\"";
        purge_mm3: "purge_mm3" as Number,
            |v| within(*v, 0.0, 1e5, "mm³", "what leaves the nozzle at the park position after a refill; 0 purges nothing"),
            "melt pushed out at the park position after each refill, mm³";
    }
    part: Part {
        sway_share: "sway_share" as Number,
            |v| above_zero(*v, 1.0, "", "a share of the bead width: 0.2 lets the tip move by a fifth of it"),
            "how far the part may sway, share of the bead width";
        sway_factor: "sway_factor" as Number,
            |v| within(*v, 1.0, 4.0, "", "2 for an acceleration that sets in at once, 4 for the worst reversal"),
            "dynamic deflection over the static one";
        least_accel_mm_s2: "least_accel_mm_s2" as Number,
            |v| within(*v, 1.0, 1e5, "mm/s²", "below this no acceleration is set: the print would take for ever"),
            "least acceleration that is set for a soft part, mm/s²";
        clamp_drag: "clamp_drag" as Flag, any,
            "whether beads are slowed where the nozzle would drag the part further than it may sway";
        solid_temperature_c: "solid_temperature_c" as OrNone<Number>,
            |v| if_some(v, |v| within(*v, 0.0, 400.0, "°C", "the temperature at which a bead bears the next one; \"none\" gives layers no time to cool")),
            "temperature to which a layer is to cool before the next, °C, or \"none\"";
        air_temperature_c: "air_temperature_c" as Number,
            |v| within(*v, -50.0, 200.0, "°C", "the air around the part"),
            "temperature of the air around the part, °C";
        air_w_m2_k: "air_w_m2_k" as Number,
            |v| within(*v, 0.5, 1000.0, "W/(m² K)", "2 to 25 for still air, more with a fan"),
            "what the air takes from the part, W/(m² K)";
        least_speed_mm_s: "least_speed_mm_s" as Number,
            |v| above_zero(*v, 1000.0, "mm/s", "the slowest speed that still lays an even bead"),
            "least speed to which beads are slowed for cooling, mm/s";
        least_flow_mm3_s: "least_flow_mm3_s" as Number,
            |v| within(*v, 0.0, 1e4, "mm³/s", "the lowest flow the screw holds evenly; 0 if it holds any"),
            "least flow to which beads are slowed for cooling, mm³/s";
    }
    audit: Audit {
        allow: "allow" as FindingNames, any,
            "findings that are counted and not shown, by their codes";
    }
}

/// A bed has an extent along both axes.
fn bed([least_x, least_y, most_x, most_y]: &[f64; 4]) -> Result<(), Complaint> {
    let sound =
        [least_x, least_y, most_x, most_y].iter().all(|v| v.abs() <= 1e4) && least_x < most_x && least_y < most_y;
    if sound {
        return Ok(());
    }
    Err(Complaint::new("must be [least x, least y, largest x, largest y] within 10 m", "this is no such bed")
        .help("for a bed of 220 by 220 mm whose corner is zero: [0, 0, 220, 220]"))
}

/// Help for a park position.
const PARK: &str = "a place the head reaches beside the part, as the machine counts it";

fn output_above_zero(output: &Output) -> Result<(), Complaint> {
    match output {
        Output::Constant(volume) => above_zero(
            *volume,
            1e5,
            "mm³/rev",
            "weigh what a number of turns puts out and divide its volume by the turns",
        ),
        Output::Curve(_) => Ok(()),
    }
}
