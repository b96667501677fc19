//! Every kind of finding: its level, its name, and in a sentence each what it is, why it matters and what to do.

use super::Level;

macro_rules! codes {
    ($($(#[$doc:meta])* $code:ident, $level:ident, $name:literal, $what:literal, $why:literal, $help:literal;)+) => {
        /// Every kind of finding.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
        pub enum Code { $($(#[$doc])* $code,)+ }

        impl Code {
            /// All of them, most serious first.
            pub const ALL: &[Self] = &[$(Self::$code,)+];

            pub(super) const fn parts(self) -> (Level, [&'static str; 4]) {
                match self { $(Self::$code => (Level::$level, [$name, $what, $why, $help]),)+ }
            }
        }
    };
}

codes! {
    /// A move ends where the machine does not reach.
    OutOfReach, Error, "out-of-reach",
        "moves end outside of what the machine reaches",
        "the controller ends the print there, or the machine runs against its end and has lost its place from then on",
        "place the part and the start and end code within the machine, or correct machine.reach_mm";
    /// A bead asks more than the peak capacity.
    PeakDemand, Error, "peak-demand",
        "beads ask more than the screw can give at once: they will be starved",
        "starved beads are thin and bond badly, and the screw stays behind for some time afterwards",
        "run `meltwright rewrite`, or slice with lower speed or thinner beads";
    /// The moving average is above the sustained capacity.
    SustainedDemand, Error, "sustained-demand",
        "stretches ask more on average than the screw can keep up: flow will fade there",
        "flow fades slowly, so the beads get thin without any one move looking wrong",
        "run `meltwright rewrite`, or slice with lower speed";
    /// The part does not carry its own weight.
    PartSags, Error, "part-sags",
        "the part does not carry its own weight: it will bend over while it is printed",
        "no setting of the machine can hold up a column that buckles under itself",
        "make it wider or lower, lean it on a support, or take a stiffer feedstock";
    /// Extrusion without motion asks a faster screw than there is.
    ScrewSpeed, Warning, "screw-speed",
        "reversals and refills ask a faster screw than there is",
        "the drive slips or lags behind, and what the file took back is not all there again when the next bead starts",
        "run `meltwright rewrite`, or slice with a lower speed for reversals and refills";
    /// An output asks more than the screw gives where it is executed otherwise than planned.
    OutputBeyondScrew, Warning, "output-beyond-screw",
        "pieces of this output are executed faster than planned, and ask more than the screw gives there",
        "what is beyond the screw is not laid, mostly a fraction of a cubic millimetre",
        "`meltwright replay` tells how much is lost; if it matters, rewrite the original with a lower screw.max_speed_rpm, which leaves the screw more to spare";
    /// More E in a line than the controller takes.
    ExcessE, Error, "excess-e",
        "lines hold more E than the controller takes in one line: it stops the print or moves on without the E",
        "a print that stops in the middle of a bead is lost, and a missing charge leaves a gap",
        "run `meltwright rewrite`, which splits such lines unless controller.excess_e is \"report\" (arcs and lines of other tools must be split by the slicing program), or raise the limit in the controller and in the profile";
    /// Bead area above what the controller lets through.
    BeadArea, Error, "bead-area",
        "beads are thicker than the controller lets through: it stops at such a line",
        "the print ends at the first such line, with the nozzle standing on the part",
        "raise the cross-section limit in the controller's configuration, then set controller.max_bead_area_per_nozzle_sq to match";
    /// Extrusion is switched by M101 and M103.
    SwitchedExtruder, Error, "switched-extruder",
        "the extruder is switched on and off by M101 and M103, without E words: demand cannot be computed",
        "without amounts nothing can be said of demand, mass or hopper, and nothing can be put right",
        "export with E words, or name the letter of the extruder axis if the file has one, for example `--set screw.axis=A`";
    /// A file that is copied cannot be judged.
    NotJudged, Note, "not-judged",
        "the file was copied as it is, and its figures are missing",
        "nothing is known of what it asks of the screw",
        "nothing needs to be done for the copy; `meltwright audit` tells what stands in the way";
    /// A number with an exponent, which the controller misreads.
    Exponent, Error, "exponent",
        "numbers are written with an exponent, and the controller reads them as other numbers",
        "the axis goes somewhere else than the file means, perhaps into the part or the end of its way",
        "have the program that made the file write plain decimals";
    /// More characters than the controller reads.
    LineTooLong, Error, "line-too-long",
        "lines are longer than the controller reads: the words at their end are lost or the line is refused",
        "a lost word is a lost coordinate or a lost extrusion, and nothing on the machine tells of it",
        "have the slicing program write fewer decimals or shorter names; a longer line buffer goes into controller.max_line_characters";
    /// A command the controller answers with an error.
    CommandRefused, Error, "command-refused",
        "commands are answered with an error by this controller: a print from a stored file ends there",
        "the print ends without a word, hours in, and the nozzle stays hot on the part",
        "have the slicing program write the file without them; if your controller takes them, take them out of controller.refused_commands";
    /// A command spelled as the controller does not know it.
    CommandSpelling, Error, "command-spelling",
        "commands are spelled in a way this controller does not know: it skips them, and what they should do is lost",
        "a heater, a fan or a mode that the file relies on stays as it was",
        "write them in upper case and without leading zeros (G1, not G01 or g1), or correct controller.leading_zeros and controller.lower_case";
    /// Several commands on a line.
    SeveralCommands, Error, "several-commands",
        "lines hold several G commands, of which this controller carries out one: the others are lost",
        "a mode or a move that is left out shifts everything that follows",
        "give each command a line of its own";
    /// A line without a command.
    ModalLine, Error, "modal-line",
        "lines without a command are to repeat the last motion: this controller does not know them and skips them",
        "whole moves are left out, and the beads after them start from the wrong place",
        "have the program that made the file write the command on each line, or correct controller.modal_lines";
    /// A comment in parentheses behind words.
    Parentheses, Error, "parentheses",
        "comments in parentheses stand behind words: this controller cannot read the word before them and refuses the line",
        "a refused line is a missing move, or the end of the print",
        "remove these comments, or write them behind a semicolon";
    /// A setting of zero or below, or otherwise out of the controller's range.
    SettingRefused, Error, "setting-refused",
        "settings are out of the controller's range: it refuses the line, or the machine stands still",
        "the machine keeps other limits than the file was made for, or does not move at all",
        "look at these lines: accelerations and factors must be above zero";
    /// An arc in a form the controller does not follow.
    ArcForm, Error, "arc-form",
        "arcs are given by radius or in relative positions: this controller refuses them",
        "a refused arc is a bead that is not laid, and the next one is drawn straight from where the head was",
        "have the slicing program write straight moves, or arcs with I and J in absolute positions";
    /// A feed of zero or below where the controller stops at it.
    FeedRefused, Error, "feed-refused",
        "feeds are zero, below zero or not filled in: this controller refuses the line",
        "the move is left out, or the print ends there",
        "look at these lines and put a feed in, in the start or end code of the slicing profile";
    /// E is a volume in the file, and the controller does not know the command that says so.
    VolumetricSkipped, Error, "volumetric-skipped",
        "the file counts E as a volume by M200, which this controller skips: it would extrude another amount",
        "every bead comes out too thick or too thin by the same large factor",
        "have the slicing program count E in millimetres of filament";
    /// Moves after the motors were switched off.
    MotorsOff, Error, "motors-off",
        "moves follow M84 or M18, which make this controller forget where its axes are: it refuses all of them",
        "none of the later moves is made, and the axes may have sunk or shifted meanwhile",
        "remove the M84 or M18, or home again behind it";
    /// More fan than the feedstock bears.
    FanTooStrong, Warning, "fan-too-strong",
        "the part fan is set stronger than the feedstock bears",
        "beads that are chilled too early do not bond, and a stream of air moves a soft part",
        "slice with a weaker fan, or correct feedstock.max_fan_share";
    /// The nozzle stands so near to the bed that the melt cannot leave it freely.
    FirstLayerNear, Warning, "first-layer-near",
        "the first layer is so low that the gap below the nozzle is narrower than its bore",
        "pressure rises steeply, the melt creeps up beside the nozzle, and a soft feedstock pushes the screw back",
        "slice the first layer at least a quarter of the bore high";
    /// Granules stay open for longer than they may.
    OpenTime, Warning, "open-time",
        "granules stay in the hopper for longer than they may lie open after drying",
        "feedstock that has taken up water foams in the barrel: beads get bubbles, output falls and swings",
        "fill in less at a time from a closed, dry container, or keep the hopper dry and set feedstock.open_time_h = \"none\"";
    /// Nothing is extruded.
    NoExtrusion, Warning, "no-extrusion",
        "no move of a screw extrudes anything",
        "either this is no print or its extrusion was not found, so nothing else in this account means anything",
        "check that the file is a sliced print, that screw.tools names its tool, and that screw.axis is its extruder letter";
    /// A line that cannot be read was passed through.
    UnreadableLine, Warning, "unreadable-line",
        "lines cannot be read and were passed through: what follows them may be judged wrongly",
        "a motion line that is not understood leaves it open where the head stands and what is still in the screw",
        "have the program that made the file write these lines as it does the others; a rewrite stops at the first unless it is told `--lenient`";
    /// A checksum does not match.
    Checksum, Warning, "checksum",
        "lines carry a checksum that does not match: the controller will refuse them",
        "a damaged line may be a move, and what else in the file is damaged is not known",
        "export again; the file was damaged or edited by hand";
    /// A feed is a placeholder.
    Placeholder, Warning, "placeholder",
        "feeds are placeholders that the slicing program did not fill in: the feed in force is taken",
        "the controller stops at such a line or moves at an odd speed",
        "look at these lines and put the feed in, in the start or end code of the slicing profile";
    /// A motion command that is not followed.
    MotionNotFollowed, Warning, "motion-not-followed",
        "motion commands other than G0 to G3 are passed through as they are, without judging their demand",
        "what these moves ask of the screw may be too much without being found",
        "have the slicing program write straight moves or arcs instead";
    /// A line leads where only the controller knows.
    PlaceUnknown, Warning, "place-unknown",
        "lines go back to a place that the file did not keep, or count from an origin that it does not set",
        "where the head stands then only the controller knows: until each axis is sent to a stated place, path and times are a guess, and beads stay whole",
        "keep the place (G60) or set the origin (G10 L2) in the file before these lines, or send X, Y and Z to stated places without E right behind them";
    /// A letter twice on a motion line.
    DuplicateWord, Warning, "duplicate-word",
        "motion lines hold the same letter twice: controllers differ in which one they take (the last is taken here)",
        "the path or the amount differs from controller to controller, so that this account may not fit yours",
        "look at these lines and remove one of the words";
    /// The end of an arc is not on its circle.
    ArcEnd, Warning, "arc-end",
        "arcs end more than 0.05 mm away from their circle",
        "the controller bends the arc or jumps to its end, and the bead is not where it should be",
        "check the program that made the arcs; the length along the circle was taken";
    /// F of zero or below, or beyond all reason.
    FeedIgnored, Warning, "feed-ignored",
        "feeds of zero, below zero or beyond all reason are ignored, and some controllers stop at them",
        "the speed in force may be that of a travel, far too fast for a bead",
        "look at these lines and give a feed";
    /// Extrusion below the temperature from which the controller allows it.
    ColdExtrusion, Warning, "cold-extrusion",
        "the screw is to turn while the nozzle is set below the least temperature at which the controller allows it: it refuses the line or drops the E",
        "the beads are missing, while the head moves on as if they were laid",
        "lower that temperature in the controller's configuration if the feedstock melts there, then set controller.min_extrude_temperature_c to match";
    /// The screw turns though nothing has heated the nozzle.
    NoHeat, Warning, "no-heat",
        "the screw is to turn, but nothing in the file has heated the nozzle before",
        "a screw that turns in cold melt can break its drive or itself, and pressure that is stuck comes out at once when it melts",
        "set and wait for the temperature in the start code (M109), or make sure that barrel and nozzle are hot through before the start; keep clear of the nozzle";
    /// The temperature was set and not waited for.
    HeatNotWaited, Warning, "heat-not-waited",
        "the screw is to turn before the nozzle temperature was waited for",
        "a barrel takes minutes to heat: a screw that turns in cold melt can break its drive or itself",
        "wait for the temperature in the start code (M109 instead of M104)";
    /// Beads at a temperature that the feedstock is not made for.
    NozzleTemperature, Warning, "nozzle-temperature",
        "beads are laid with the nozzle set outside the range of the feedstock",
        "too cold, the melt is stiff and bonds badly and the drive labours; too hot, it droops, gives off fumes and decomposes",
        "correct the temperature in the slicing profile, or feedstock.nozzle_temperature_min_c and feedstock.nozzle_temperature_max_c from the data sheet; ventilate";
    /// Beads beyond the bed.
    OutsideBed, Warning, "outside-bed",
        "beads are laid outside the bed",
        "the head runs against the end of its way and loses its place, or lays beads in the air",
        "move the part in the slicing program, look at its bed size and origin, or correct machine.bed_mm";
    /// Most of the first layer is wider than the nozzle's face.
    FirstLayerOverfilled, Warning, "first-layer-overfilled",
        "the first layer holds more than fits between nozzle and bed: it is pressed out far beyond the nozzle's face",
        "melt wells up around the nozzle, sticks to it and is dragged along, and the pressure bears on the screw and the bed",
        "raise the first layer or lower its width or flow in the slicing profile; if the face is wider, set nozzle.face_mm";
    /// Beads narrower or wider than the nozzle lays.
    BeadWidth, Warning, "bead-width",
        "much of the print has beads narrower or wider than this nozzle lays",
        "narrow beads are drawn out and tear, wide ones are pressed out beyond the face of the nozzle and smear over their neighbours",
        "slice with a bead width between the bore and the face, or set nozzle.diameter_mm and nozzle.face_mm to what is mounted; where all beads are out by one factor, correct screw.e_unit";
    /// Layers higher than the nozzle lays.
    BeadHeight, Warning, "bead-height",
        "layers are higher than four fifths of the bore",
        "a bead that is not pressed down bonds badly to the layer below",
        "slice with lower layers, or set nozzle.diameter_mm to the bore that is mounted";
    /// Absolute E beyond what the controller holds finely enough.
    LargeE, Warning, "large-e",
        "absolute E grows so large that this controller can no longer hold it finely: beads come out uneven",
        "beads get steps in their thickness that grow with the print, and the top is worse than the bottom",
        "slice with relative E (M83), or have E set back by G92 E0 at each layer";
    /// The controller's own lag compensation is on.
    LagFeature, Warning, "lag-feature",
        "the file sets the controller's own compensation of melt lag, beside or in place of the one that is counted on",
        "the melt is pushed ahead twice, by another lag than the screw's or not at all, and much of it is laid wrong",
        "leave it out of the slicing profile, it is made for lags far shorter than a screw's, and set the controller as `meltwright controller` says; a rewrite takes it out of the file where another one is counted on, or as controller.lag_commands says";
    /// The profile leaves a long lag to the controller.
    LongControllerLag, Warning, "long-controller-lag",
        "the controller is to make up for a lag that is far longer than those it is made for",
        "with tenths of a second some controllers hardly speed up any more, and some stop with an error in the middle of a print",
        "look into the manual of the controller and try it away from the part first, or set screw.lag_compensated_by = \"file\"";
    /// `G4` in a form that does not wait.
    DwellForm, Warning, "dwell-form",
        "dwells are given in seconds by G4 S, which does not wait on this controller",
        "the time the file wants to wait, for melt or for cooling, is not waited",
        "write G4 P with milliseconds";
    /// `M204` with one of two words.
    AccelIgnored, Warning, "acceleration-ignored",
        "M204 names only one of P and T: this controller ignores it and keeps the acceleration it had",
        "moves are executed with another acceleration than planned: flow, sway and time differ",
        "write M204 S, or P and T on one line";
    /// Bytes that are not text.
    ForeignBytes, Warning, "foreign-bytes",
        "there are bytes that are not UTF-8 text, often in comments: a print from a stored file ends at the first",
        "the print ends part of the way, though the same file may run over a cable",
        "save the file as UTF-8, or remove these characters from object and profile names";
    /// Commands the controller does not know.
    CommandSkipped, Note, "command-skipped",
        "commands are not known to this controller: it skips them with a message",
        "what such a command sets keeps its old value, which rarely harms and sometimes does",
        "set in the controller's configuration what they are meant to set; here, too, nothing is taken from them";
    /// Named commands the controller does not know.
    NamedSkipped, Note, "named-command-skipped",
        "commands are written as names: this controller does not know such commands and skips them",
        "what they set or mark does not happen, which rarely harms and sometimes does",
        "make sure that nothing depends on them, or choose the preset of the controller the file was made for";
    /// Commands the controller knows only if it was set up for them.
    CommandOptional, Note, "command-optional",
        "commands are known to this controller only if it was built or set up for them",
        "without that option the print may end there or leave out a step",
        "make sure it is, then take them out of controller.optional_commands";
    /// Motion without homing.
    NotHomed, Note, "not-homed",
        "the file moves before it homes: this controller refuses moves of axes that are not homed",
        "the print does not start, or starts from a place nobody knows",
        "home before the print, or have the start code do it (G28)";
    /// The last command has no line end.
    NoFinalLineEnd, Note, "no-final-line-end",
        "the last line has no line end: this controller drops it when it prints from a stored file",
        "the last command often switches something off: a heater or a motor may stay on",
        "add an empty line at the end of the end code of the slicing profile";
    /// Beads before homing, on a controller that lets them through.
    HomeMissing, Note, "home-missing",
        "the file lays beads without homing before: this controller takes the place where the head stands for the one it last knew",
        "a head that does not know its height can be driven into the bed, or lay the first layer in the air",
        "home in the start code (G28), or make sure that the machine is homed by hand before";
    /// Tools that are no screw.
    ToolNotScrew, Note, "tool-not-screw",
        "moves belong to tools that are not named as screws in the profile: they were left alone",
        "if one of them is a screw, its demand was not judged",
        "name those that are screws in screw.tools, as it stands beside each tool";
    /// The part carries its own weight with little margin.
    PartNearlySags, Warning, "part-nearly-sags",
        "the part carries its own weight with little margin, and warm stuff creeps",
        "a little more heat or time than planned is enough for it to lean, and a leaning layer cannot be put right",
        "make it wider or lower, lean it on a support, or let it cool longer";
    /// The part would sway too far at the least acceleration.
    PartSways, Warning, "part-sways",
        "the part would need a lower acceleration than the least that is set: it cannot be printed well on this bed",
        "layers miss each other by a good part of a bead, which shows and weakens the part",
        "change the part or the feedstock as the place says, or print it where the bed stands still";
    /// The nozzle drags the part too far.
    PartDragged, Warning, "part-dragged",
        "the nozzle drags the part further than it may sway",
        "beads are laid where the part was pulled to and spring back with it, so that walls come out wavy",
        "where the place names a speed, slice with it or set part.clamp_drag = true; where none is low enough, change the \
         part as it says";
    /// Corners shake the part too far.
    PartJolted, Warning, "part-jolted",
        "jumps of speed at corners shake the part further than it may sway",
        "the part swings on after each corner while the next beads are laid",
        "lower the corner speed in the controller's configuration to what the place says, and machine.corner with it; where \
         the controller has a word for its rule, controller.corner_words has it written";
    /// The walls of a hollow part give way by themselves.
    PartThinWalled, Warning, "part-thin-walled",
        "the part is a thin shell: its walls bend and buckle by themselves, which the figures of the part leave out",
        "a wall that stands free over its width bears far less than the part as a whole, down to a hundredth",
        "give it thicker walls, ribs or infill, or lower the accelerations and speeds far below what is told, and watch the first one";
    /// No layer is given time to cool.
    CoolingOff, Warning, "cooling-off",
        "no layer is given time to cool: what a bead is to cool down to does not lie between the air and the melt",
        "beads are laid on what is still soft, and nothing here looks after it",
        "set part.solid_temperature_c to where the stuff is firm, between part.air_temperature_c and the temperature of the nozzle, or to \"none\"";
    /// A layer gets less time than it needs.
    LayerTime, Warning, "layer-time",
        "layers are laid on beads that are still hot",
        "hot layers give way under the next: edges slump and details round off",
        "run `meltwright rewrite`, print several parts at once, or cool more";
    /// The same in an output, where the head has nowhere to wait.
    LayerHurried, Warning, "layer-hurried",
        "layers get less time to cool than they need, since the head has nowhere to wait",
        "hot layers give way under the next: edges slump and details round off",
        "set machine.park_x_mm and machine.park_y_mm, or machine.bed_mm; where the place says why the head cannot go there, see to that";
    /// Limits of the part that no line can be written for.
    PartNumbered, Warning, "part-numbered",
        "lines are numbered and bear no others between them, so that what the part bears and needs stays out of the output",
        "it sways further than it may there, and the next layer is laid on beads that are still hot",
        "switch line numbers off in the slicing program (who sends the file adds its own), then rewrite it again";
    /// The lag of the melt for which no line can be written.
    LagNumbered, Warning, "lag-numbered",
        "lines are numbered and bear no others between them, so that nothing makes up for the lag of the melt",
        "beads begin thin and end thick, and the reversals of the file stay",
        "switch line numbers off in the slicing program (who sends the file adds its own), then rewrite it again";
    /// E of the output has a unit of its own.
    OutputUnit, Warning, "output-unit",
        "E of the output counts in another unit than E of the input: the controller has to be set up for it",
        "with the old setting every bead is too thick or too thin by the same large factor",
        "set the steps of E (or the turn of the drive) and the strand diameter in the controller's configuration, then mark screw.output_diameter_mm as measured (screw.output_e_unit, where E counts no strand); or keep E as it is with screw.output_e_unit = \"as-in-file\"";
    /// The file sets by how much a unit of E turns the drive.
    EStepsInFile, Warning, "e-steps-in-file",
        "the file sets the motor steps of E itself, while E of the output counts in another unit than E of the input",
        "with the steps of the old unit every bead is too thick or too thin by the same large factor",
        "take the line out of the start code, or give it the steps for one unit of E of the output, as `meltwright controller` tells";
    /// The output does not push what the file wants.
    VolumeOff, Warning, "volume-off",
        "the output pushes more or less than the file wants, beyond what drools and what is stored at the end",
        "beads get too thin or too thick where screw or controller cannot follow the flow, mostly along short connections",
        "slice with slower short moves or a smaller bead; look at screw.melt_lag_s, or try screw.lag_compensated_by = \"none\"";
    /// The controller brakes at a junction because E per mm changes there.
    EStepStall, Warning, "e-step-stall",
        "the controller brakes where E per mm changes, far below what the corner alone would ask: the print stalls there",
        "each stall leaves a blob, and the print takes longer than it looks",
        "rewrite the file, or count E of the output on a thicker strand (screw.output_diameter_mm); raise controller.e_step_mm_s if the controller takes more";
    /// A limit of the extruder axis slows whole moves.
    ELimit, Warning, "e-limit",
        "moves with extrusion are slowed as a whole, as they reach the limit of speed or acceleration of E",
        "corners and ramps come out slower than planned, so that flow, time and cooling differ from the file",
        "rewrite the file, or count E of the output on a thicker strand (screw.output_diameter_mm); raise E in machine.axis_speed_mm_s and machine.axis_accel_mm_s2 if the drive bears more";
    /// Motor steps faster than the controller gives them.
    StepRate, Warning, "step-rate",
        "motors need more steps a second than the controller gives: it slows down, stutters or loses its place",
        "a motor that loses its place shifts everything that follows",
        "slice with lower speed, take coarser microsteps (machine.steps_per_mm), or correct controller.max_step_rate_hz";
    /// The profile has left the conditions of its calibration.
    StaleCalibration, Warning, "stale-calibration",
        "the output of the screw was weighed under other conditions than the profile now has",
        "output shifts with nozzle, temperature, lot and drying, so that all capacities here may be off",
        "weigh again with what is mounted and filled in now, or set the profile to what was weighed";
    /// Strand of the file and of the profile differ.
    DiameterDiffers, Warning, "diameter-differs",
        "the file was sliced for another strand than the profile counts E by",
        "volume, mass and every demand go by the square of it",
        "set screw.virtual_diameter_mm to the strand of the slicing profile, or to \"none\" to take what each file states";
    /// A stretch takes more than the hopper holds.
    HopperShort, Warning, "hopper-short",
        "stretches of the print take more than the hopper holds above its margin, and there is no place to refill within them",
        "a screw that runs empty takes in air, and it takes minutes until beads are whole again",
        "use a larger hopper (hopper.usable_g), or keep refilling by hand over these stretches";
    /// A refill falls on a bead that may be seen.
    HopperVisible, Warning, "hopper-visible",
        "refills fall within beads that may be seen: there is no layer change, infill or support in reach",
        "the bead changes where the head stands still: a blob or a seam is seen there",
        "refill there without stopping the print, or use a larger hopper (hopper.usable_g)";
    /// The controller brakes where E steps, so that E cannot follow the flow along the path.
    EStepTooSmall, Warning, "e-step-too-small",
        "the controller brakes at every larger change of E, so the lag was made up for at rest instead of along the path",
        "turns at rest make up for starts and stops only; ramps and corners stay as uneven as the melt makes them",
        "count E on a thicker strand, or raise controller.e_step_mm_s if the controller takes more";
    /// The melt answers too late for E to lead it along the path.
    DeadTime, Warning, "dead-time",
        "the melt answers only after a dead time, so the lag was made up for at rest instead of along the path",
        "E along the path does not lead by a dead time: every ramp would be laid too late, and more of the path astray than without",
        "look for what gives way between drive and nozzle, and set screw.dead_time_s to what is left: below 0.025 s E follows the path";
    /// Reversals by the controller lift the head.
    ReversalLifts, Warning, "reversal-lifts",
        "the file has the controller lift the head at its reversals: where a rewrite takes these out, the lift goes with them",
        "the head then travels at the height of the layer, and drags over what was laid",
        "let the slicing program lift the head by moves of its own, and leave the lift of the reversals at 0 (`M207 Z0`)";
    /// The controller takes a change of E per mm as a corner.
    SeamsBrake, Warning, "seams-brake",
        "the controller takes a change of E per mm as a corner, so that it brakes where pieces of a bead meet",
        "the print takes longer than is told, in the worst case by a quarter, and along more of its path the flow is off",
        "count E on a thicker strand; a replay of the output tells what becomes of time and flow";
    /// A command that may move by itself runs under what was lowered for the beads before it.
    CommandSlowed, Note, "command-slowed",
        "commands that may move by themselves run under what was lowered for the beads before them: their lines bear no others before them",
        "what a macro, a pause or a change of tool does without a feed of its own takes longer, and a hot nozzle lingers",
        "switch line numbers off in the slicing program (who sends the file adds its own), give such commands lines of their own, then rewrite it again";
    /// A pause without the way to the park position.
    PauseNotParked, Note, "pause-not-parked",
        "pauses for refills were written without the way to the park position",
        "a hot nozzle that waits on a soft part melts into it",
        "park the head by hand there, or by the command itself (hopper.pause_command); the places say why";
    /// Refills for which no pause could be written.
    PauseLeftOut, Warning, "pause-left-out",
        "the output has no pause for refills that may be due",
        "if nobody refills it in time the hopper runs empty, and nothing is laid any more",
        "stand by with granules at the times of the plan, or see to what is said here of the reason and rewrite it again";
    /// The fan is off though layer times count on it.
    FanOff, Note, "fan-off",
        "the file hardly runs the fan, while the time that layers get to cool counts on moving air",
        "layers cool more slowly than computed, so that the next is laid on beads that are still hot",
        "switch the fan on in the slicing profile, or set part.air_w_m2_k to still air (2 to 25); a fan that is not run by the file is fine";
    /// The fan is on though layer times count on still air.
    FanOn, Note, "fan-on",
        "the file runs the fan, while the time that layers get to cool counts on still air",
        "layers cool faster than computed: waits are longer than needed, and layers of a soft part may bond worse",
        "switch the fan off in the slicing profile, or set part.air_w_m2_k to moving air";
    /// Much of the print asks less flow than the screw holds evenly.
    LowFlow, Note, "low-flow",
        "much of the print asks less flow than the screw holds evenly",
        "at such flow beads pulse with the turns of the screw, and the melt stays hot for long",
        "slice with higher speed, wider beads or higher layers, take a smaller screw, or correct part.least_flow_mm3_s";
    /// The screw rests long within the print.
    LongRest, Note, "long-rest",
        "the screw rests for long while the nozzle is hot",
        "melt droops out and ages meanwhile, so that the next bead starts empty or scorched",
        "have the file purge before it goes on, or lower the temperature during the wait";
    /// Much drools out on the way.
    Drool, Note, "drool",
        "a good part of the melt drools out while the head travels with the screw at rest",
        "it hangs on the part as strings, and is missing from the beads that follow",
        "run `meltwright rewrite`, which turns the screw back and charges it again as the melt asks for; or slice with fewer and shorter ways";
    /// Nothing says whether the file counts in millimetres or inches.
    UnitsNotSet, Note, "units-not-set",
        "the file moves before it says whether it counts in millimetres or inches, and it matters here",
        "until then the controller goes on in the unit of whatever ran before: distances may be wrong by a factor of 25.4",
        "write G21 (or G20 for inches) at the top of the start code";
    /// Commands that no list of the controller knows.
    UnknownCommand, Note, "unknown-command",
        "commands are used that are not known of any such controller",
        "whether it skips them, stops there or runs a macro of that name cannot be told",
        "look at these lines; name commands that your controller does know in controller.own_commands";
    /// The file is an output of this program.
    Rewritten, Note, "rewritten",
        "this program wrote the file: its E leads the flow, and it is judged by the highest speed of the screw",
        "how wide its beads are and what the part bears cannot be told from such E",
        "audit the file it was made from for widths of beads and what the part bears; `meltwright replay` with that file (`--against`) tells what this one lays";
    /// An output is judged with another profile than it was written with.
    OtherProfile, Note, "other-profile",
        "the file was rewritten with another profile than it is judged with",
        "lag, capacity and units of E may be others than it was made for, and what is told of it then holds for neither",
        "give the profile it was rewritten with (`--profile`, `--set`), or rewrite the sliced file with this one";
    /// Nozzle of the file and of the profile differ.
    NozzleDiffers, Note, "nozzle-differs",
        "the file was sliced for another nozzle than the profile names",
        "bead width and height were chosen for another bore: thin beads tear and thick ones smear over their neighbours",
        "slice for the nozzle that is mounted, or set nozzle.diameter_mm if that is another one";
}

impl Code {
    /// The code of this name.
    pub fn named(name: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|code| code.name() == name)
    }

    /// Stable short name, `kebab-case`.
    pub const fn name(self) -> &'static str {
        self.parts().1[0]
    }

    /// How serious such findings are.
    pub const fn level(self) -> Level {
        self.parts().0
    }

    /// What is found, one sentence.
    pub const fn what(self) -> &'static str {
        self.parts().1[1]
    }

    /// Why it matters, one sentence.
    pub const fn why(self) -> &'static str {
        self.parts().1[2]
    }

    /// What to do about it, one sentence.
    pub const fn help(self) -> &'static str {
        self.parts().1[3]
    }

    /// Its place in [`Code::ALL`].
    pub(super) const fn index(self) -> usize {
        self as usize
    }
}
