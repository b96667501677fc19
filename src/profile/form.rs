//! How the text of a value is read and written: one form for each kind of value a key can hold.

use std::ops::Range;

use serde_spanned::Spanned;
use toml::de::DeValue;

use super::check;
use super::fault::{Complaint, Refusal, nearest, quote};
use super::{
    AccelWords, ArcForm, Corner, CornerWords, DwellWords, EUnit, Excess, ExcessEffect, Exponent, Kinematics,
    LagCommands, LagCompensation, LimitWords, Output, OutputUnit, PartMoves, Preset, Provenance, StiffnessRelation,
};
use crate::findings::Code;

/// A TOML value with its place in the text.
pub(super) type Node<'t> = Spanned<DeValue<'t>>;

/// One way to write values of a type.
pub(super) trait Form {
    /// What is read.
    type Value;
    /// Whether a plain value is itself a table.
    const IS_TABLE: bool = false;
    /// Reads a value, judging its type alone.
    fn read(node: &Node<'_>) -> Result<Self::Value, Refusal>;
    /// TOML text of a value; `None` if this form does not cover it.
    fn write(value: &Self::Value) -> Option<String>;
}

/// Placeholder of a type, in place until the default profile has been read.
pub(super) trait Blank {
    /// The placeholder.
    fn blank() -> Self;
}

/// The word that switches an optional value off.
const NONE: &str = "none";

/// A finite number.
pub(super) struct Number;
/// Any of the above, or `"none"`.
pub(super) struct OrNone<F>(std::marker::PhantomData<F>);
/// Text.
pub(super) struct Text;
/// `true` or `false`.
pub(super) struct Flag;
/// One word of a closed list.
pub(super) struct Word<T>(std::marker::PhantomData<T>);
/// One number for each axis, X, Y, Z, E.
pub(super) struct Axes;
/// Least X, Y, then largest X, Y.
pub(super) struct Rectangle;
/// Least X, Y, Z, then largest X, Y, Z.
pub(super) struct Reach;
/// A list of tool numbers.
pub(super) struct Tools;
/// A list of codes of findings.
pub(super) struct FindingNames;
/// A list of G and M commands.
pub(super) struct CommandNames;
/// The letter of the extruder axis.
pub(super) struct AxisLetter;
/// A corner rule: `{ rule = "..", .. }`.
pub(super) struct CornerRule;
/// Output as one number, mm³/rev.
pub(super) struct ConstantOutput;
/// Output as a list of points.
pub(super) struct OutputCurve;

/// A type whose values are words.
pub(super) trait Words: Copy + PartialEq + 'static {
    /// Every word with its value.
    const WORDS: &'static [(&'static str, Self)];
}

macro_rules! words {
    ($($type:ident { $($word:literal => $variant:ident),+ $(,)? })+) => {$(
        impl Words for $type {
            const WORDS: &'static [(&'static str, Self)] = &[$(($word, Self::$variant)),+];
        }
    )+};
}

macro_rules! blank {
    ($($type:ty => $value:expr;)+) => {$(
        impl Blank for $type {
            fn blank() -> Self {
                $value
            }
        }
    )+};
}

words! {
    Kinematics { "cartesian" => Cartesian, "crossed-belts" => CrossedBelts, "delta" => Delta }
    PartMoves { "y" => Y, "xy" => Xy, "none" => None }
    StiffnessRelation { "gent" => Gent, "log-linear" => LogLinear }
    Preset { "host" => Host, "board" => Board, "network" => Network, "custom" => Custom }
    DwellWords { "p-only" => POnly, "s-wins" => SWins }
    LimitWords { "named" => Named, "per-second" => PerSecond, "per-minute" => PerMinute }
    LagCommands { "keep" => Keep, "take-out" => TakeOut, "as-needed" => AsNeeded }
    Excess { "split" => Split, "report" => Report }
    ExcessEffect { "refused" => Refused, "dropped" => Dropped }
    Exponent { "number" => Number, "cut" => Cut, "word" => Word }
    ArcForm { "centre-absolute" => CentreAbsolute, "any" => Any }
    EUnit { "virtual-filament-mm" => VirtualFilament, "screw-turns" => ScrewTurns, "mm3" => Mm3 }
    OutputUnit { "as-in-file" => AsInFile, "virtual-filament-mm" => VirtualFilament, "screw-turns" => ScrewTurns, "mm3" => Mm3 }
    AccelWords { "all-moves" => AllMoves, "beads" => Beads }
    CornerWords { "named" => Named, "by-rule" => ByRule, "none" => None }
    LagCompensation { "file" => File, "controller" => Controller, "none" => None }
    Provenance { "measured" => Measured, "assumed" => Assumed }
}

impl Preset {
    /// Its name, as it is typed.
    pub fn name(self) -> &'static str {
        Self::WORDS.iter().find(|(_, known)| *known == self).map_or("", |(word, _)| word)
    }
}

blank! {
    f64 => 0.0;
    [f64; 4] => [0.0; 4];
    [f64; 6] => [0.0; 6];
    u8 => b'E';
    bool => false;
    String => String::new();
    Vec<u32> => Vec::new();
    Kinematics => Self::Cartesian;
    PartMoves => Self::None;
    StiffnessRelation => Self::Gent;
    Preset => Self::Host;
    DwellWords => Self::POnly;
    LimitWords => Self::Named;
    LagCommands => Self::Keep;
    Excess => Self::Report;
    ExcessEffect => Self::Refused;
    Exponent => Self::Number;
    ArcForm => Self::Any;
    Vec<String> => Vec::new();
    EUnit => Self::VirtualFilament;
    LagCompensation => Self::None;
    OutputUnit => Self::AsInFile;
    AccelWords => Self::AllMoves;
    CornerWords => Self::None;
    Corner => Self::RightAngleSpeed(0.0);
    Output => Self::Constant(0.0);
}

impl<T> Blank for Option<T> {
    fn blank() -> Self {
        None
    }
}

impl Form for Number {
    type Value = f64;

    fn read(node: &Node<'_>) -> Result<f64, Refusal> {
        let number = match node.get_ref() {
            DeValue::Float(float) => float.as_str().parse::<f64>().ok(),
            // Whole numbers are read as text first: `i64` would refuse long but harmless ones.
            DeValue::Integer(whole) if whole.radix() == 10 => whole.as_str().parse::<f64>().ok(),
            DeValue::Integer(whole) => i64::from_str_radix(whole.as_str(), whole.radix()).ok().map(|n| n as f64),
            DeValue::String(text) if looks_like_comma_decimal(text) => {
                return Err(wrong_type("a number", node).with_help(comma_help(text)));
            }
            DeValue::String(text) if text.trim().parse::<f64>().is_ok_and(f64::is_finite) => {
                return Err(
                    wrong_type("a number", node).with_help(format!("write {} without quotes", quote(text.trim())))
                );
            }
            DeValue::String(text) if number_before_unit(text.trim()).is_some() => {
                let number = number_before_unit(text.trim()).unwrap_or_default();
                let help = format!("write {number} alone, in the unit of the key");
                return Err(wrong_type("a number", node).with_help(help));
            }
            _ => None,
        };
        match number {
            Some(number) if number.is_finite() => Ok(number),
            Some(_) => Err(Complaint::new("must be a finite number", "not finite").at(node.span())),
            None => Err(wrong_type("a number", node)),
        }
    }

    fn write(value: &f64) -> Option<String> {
        Some(number_text(*value))
    }
}

impl<F: Form> Form for OrNone<F> {
    type Value = Option<F::Value>;

    fn read(node: &Node<'_>) -> Result<Self::Value, Refusal> {
        if node.get_ref().as_str() == Some(NONE) {
            return Ok(None);
        }
        F::read(node).map(Some)
    }

    fn write(value: &Self::Value) -> Option<String> {
        match value {
            Some(value) => F::write(value),
            None => Some(text_literal(NONE)),
        }
    }
}

impl Form for Text {
    type Value = String;

    fn read(node: &Node<'_>) -> Result<String, Refusal> {
        node.get_ref().as_str().map(str::to_owned).ok_or_else(|| wrong_type("text in quotes", node))
    }

    fn write(value: &String) -> Option<String> {
        Some(text_literal(value))
    }
}

impl Form for Flag {
    type Value = bool;

    fn read(node: &Node<'_>) -> Result<bool, Refusal> {
        node.get_ref().as_bool().ok_or_else(|| wrong_type("true or false, without quotes", node))
    }

    fn write(value: &bool) -> Option<String> {
        Some(value.to_string())
    }
}

impl<T: Words> Form for Word<T> {
    type Value = T;

    fn read(node: &Node<'_>) -> Result<T, Refusal> {
        let expected = list(T::WORDS.iter().map(|(word, _)| *word));
        let Some(found) = node.get_ref().as_str() else {
            return Err(wrong_type(&expected, node));
        };
        if let Some((_, value)) = T::WORDS.iter().find(|(word, _)| *word == found) {
            return Ok(*value);
        }
        // One letter is as near to any other.
        let near =
            nearest(found, T::WORDS.iter().map(|(word, _)| *word)).filter(|word| word.len() > 1 && found.len() > 1);
        let label = match near {
            Some(word) => format!("did you mean \"{word}\"?"),
            None => "not one of these".to_owned(),
        };
        Err(Complaint::new(format!("must be {expected}, not \"{}\"", quote(found)), label).at(node.span()))
    }

    fn write(value: &T) -> Option<String> {
        T::WORDS.iter().find(|(_, known)| known == value).map(|(word, _)| text_literal(word))
    }
}

impl Form for Tools {
    type Value = Vec<u32>;

    fn read(node: &Node<'_>) -> Result<Vec<u32>, Refusal> {
        const EXPECTED: &str = "a list of tool numbers such as [0]";
        let DeValue::Array(items) = node.get_ref() else {
            return Err(wrong_type(EXPECTED, node));
        };
        let number = |item: &Node<'_>| match item.get_ref() {
            DeValue::Integer(whole) => u32::from_str_radix(whole.as_str(), whole.radix())
                .map_err(|_| Complaint::new(format!("must be {EXPECTED}"), "not a tool number").at(item.span())),
            _ => Err(wrong_type(EXPECTED, item)),
        };
        items.iter().map(number).collect()
    }

    fn write(value: &Vec<u32>) -> Option<String> {
        let tools: Vec<String> = value.iter().map(u32::to_string).collect();
        Some(format!("[{}]", tools.join(", ")))
    }
}

impl Form for Axes {
    type Value = [f64; 4];

    fn read(node: &Node<'_>) -> Result<[f64; 4], Refusal> {
        numbers(node, "four numbers [x, y, z, e]")
    }

    fn write(value: &[f64; 4]) -> Option<String> {
        Some(numbers_text(value))
    }
}

impl Form for Rectangle {
    type Value = [f64; 4];

    fn read(node: &Node<'_>) -> Result<[f64; 4], Refusal> {
        numbers(node, "four numbers [least x, least y, largest x, largest y]")
    }

    fn write(value: &[f64; 4]) -> Option<String> {
        Some(numbers_text(value))
    }
}

impl Form for Reach {
    type Value = [f64; 6];

    fn read(node: &Node<'_>) -> Result<[f64; 6], Refusal> {
        numbers(node, "six numbers [least x, least y, least z, largest x, largest y, largest z]")
    }

    fn write(value: &[f64; 6]) -> Option<String> {
        Some(numbers_text(value))
    }
}

impl Form for FindingNames {
    type Value = Vec<String>;

    fn read(node: &Node<'_>) -> Result<Vec<String>, Refusal> {
        const EXPECTED: &str = "a list of codes of findings such as [\"nozzle-differs\"]";
        let DeValue::Array(items) = node.get_ref() else {
            return Err(wrong_type(EXPECTED, node));
        };
        let name = |item: &Node<'_>| {
            let Some(text) = item.get_ref().as_str() else {
                return Err(wrong_type(EXPECTED, item));
            };
            if Code::named(text).is_some() {
                return Ok(text.to_owned());
            }
            let label = match nearest(text, Code::ALL.iter().map(|code| code.name())) {
                Some(known) => format!("did you mean \"{known}\"?"),
                None => "no such finding".to_owned(),
            };
            let complaint = Complaint::new(format!("names \"{}\", which is no code of a finding", quote(text)), label);
            Err(complaint.help("`meltwright why` lists all codes, and what each means").at(item.span()))
        };
        items.iter().map(name).collect()
    }

    fn write(value: &Vec<String>) -> Option<String> {
        let names: Vec<String> = value.iter().map(|name| text_literal(name)).collect();
        Some(format!("[{}]", names.join(", ")))
    }
}

impl Form for CommandNames {
    type Value = Vec<String>;

    fn read(node: &Node<'_>) -> Result<Vec<String>, Refusal> {
        const EXPECTED: &str = "a list of commands such as [\"G20\", \"M205\"]";
        let DeValue::Array(items) = node.get_ref() else {
            return Err(wrong_type(EXPECTED, node));
        };
        let name = |item: &Node<'_>| {
            let Some(text) = item.get_ref().as_str() else {
                return Err(wrong_type(EXPECTED, item));
            };
            let digits = text.strip_prefix(['G', 'M']).unwrap_or_default();
            let plain = digits.bytes().all(|byte| byte.is_ascii_digit()) && (1..=5).contains(&digits.len());
            if !plain || digits.len() > 1 && digits.starts_with('0') {
                let complaint = Complaint::new(format!("must be {EXPECTED}"), "not G or M with a plain number");
                return Err(complaint.at(item.span()));
            }
            Ok(text.to_owned())
        };
        items.iter().map(name).collect()
    }

    fn write(value: &Vec<String>) -> Option<String> {
        let names: Vec<String> = value.iter().map(|name| text_literal(name)).collect();
        Some(format!("[{}]", names.join(", ")))
    }
}

impl Form for AxisLetter {
    type Value = u8;

    fn read(node: &Node<'_>) -> Result<u8, Refusal> {
        const EXPECTED: &str = "\"E\", \"A\" or \"B\"";
        match node.get_ref().as_str() {
            Some("E") => Ok(b'E'),
            Some("A") => Ok(b'A'),
            Some("B") => Ok(b'B'),
            Some(other) => {
                let complaint =
                    Complaint::new(format!("must be {EXPECTED}, not \"{}\"", quote(other)), "not an extruder axis");
                Err(complaint.help("use the letter of the words that drive the screw in the file").at(node.span()))
            }
            None => Err(wrong_type(EXPECTED, node)),
        }
    }

    fn write(value: &u8) -> Option<String> {
        Some(text_literal(&char::from(*value).to_string()))
    }
}

impl Form for ConstantOutput {
    type Value = Output;

    fn read(node: &Node<'_>) -> Result<Output, Refusal> {
        Number::read(node).map(Output::Constant)
    }

    fn write(value: &Output) -> Option<String> {
        match value {
            Output::Constant(volume) => Some(number_text(*volume)),
            Output::Curve(_) => None,
        }
    }
}

impl Form for OutputCurve {
    type Value = Output;

    fn read(node: &Node<'_>) -> Result<Output, Refusal> {
        const EXPECTED: &str = "a list of points [rev/min, mm³/s]";
        let DeValue::Array(items) = node.get_ref() else {
            return Err(wrong_type(EXPECTED, node));
        };
        let points: Vec<([f64; 2], Range<usize>)> =
            items.iter().map(|item| Ok((numbers(item, EXPECTED)?, item.span()))).collect::<Result<_, Refusal>>()?;
        check::curve(&points, node.span())?;
        Ok(Output::Curve(points.into_iter().map(|(point, _)| point).collect()))
    }

    fn write(value: &Output) -> Option<String> {
        match value {
            Output::Constant(_) => None,
            Output::Curve(points) => {
                let points: Vec<String> = points.iter().map(|point| numbers_text(point)).collect();
                Some(format!("[{}]", points.join(", ")))
            }
        }
    }
}

/// Keys of a corner rule and the value each rule needs.
const CORNER_RULES: [(&str, &str); 3] = [("right-angle-speed", "mm_s"), ("deviation", "mm"), ("axis-step", "mm_s")];

impl Form for CornerRule {
    type Value = Corner;
    const IS_TABLE: bool = true;

    fn read(node: &Node<'_>) -> Result<Corner, Refusal> {
        const EXPECTED: &str = "a corner rule such as { rule = \"right-angle-speed\", mm_s = 5 }";
        const HELP: &str = "one of { rule = \"right-angle-speed\", mm_s = 5 }, { rule = \"deviation\", mm = 0.013 }, \
                            { rule = \"axis-step\", mm_s = [10, 10, 0.3, 5] }";
        let DeValue::Table(table) = node.get_ref() else {
            return Err(wrong_type(EXPECTED, node).with_help(HELP.to_owned()));
        };
        let refuse = |what: String, label: &str, span| Err(Complaint::new(what, label).help(HELP).at(span));
        let Some(rule_node) = table.get("rule") else {
            return refuse("must name its `rule`".to_owned(), "no `rule` here", node.span());
        };
        let rule = rule_node.get_ref().as_str().unwrap_or("");
        let Some((rule, value_key)) = CORNER_RULES.iter().find(|(known, _)| *known == rule) else {
            let label = match nearest(rule, CORNER_RULES.iter().map(|(known, _)| *known)) {
                Some(known) => format!("did you mean \"{known}\"?"),
                None => "not a corner rule".to_owned(),
            };
            let rules = list(CORNER_RULES.iter().map(|(known, _)| *known));
            return refuse(format!("must have the rule {rules}"), &label, rule_node.span());
        };
        if let Some((key, _)) = table.iter().find(|(key, _)| key.get_ref() != "rule" && key.get_ref() != value_key) {
            let what = format!("has no `{}` with the rule \"{rule}\"", quote(key.get_ref()));
            return refuse(what, &format!("expected `{value_key}`"), key.span());
        }
        let Some(value) = table.get(*value_key) else {
            return refuse(format!("needs `{value_key}` with the rule \"{rule}\""), "value missing", node.span());
        };
        let corner = match *rule {
            "axis-step" => Corner::AxisStep(numbers(value, "four numbers [x, y, z, e], mm/s")?),
            "deviation" => Corner::Deviation(Number::read(value)?),
            _ => Corner::RightAngleSpeed(Number::read(value)?),
        };
        let limits: &[f64] = match &corner {
            Corner::AxisStep(steps) => steps,
            Corner::Deviation(one) | Corner::RightAngleSpeed(one) => std::slice::from_ref(one),
        };
        if limits.iter().any(|limit| *limit <= 0.0) {
            return refuse(format!("must have `{value_key}` above zero"), "not above zero", value.span());
        }
        Ok(corner)
    }

    fn write(value: &Corner) -> Option<String> {
        Some(match value {
            Corner::RightAngleSpeed(speed) => {
                format!("{{ rule = \"right-angle-speed\", mm_s = {} }}", number_text(*speed))
            }
            Corner::Deviation(deviation) => format!("{{ rule = \"deviation\", mm = {} }}", number_text(*deviation)),
            Corner::AxisStep(steps) => format!("{{ rule = \"axis-step\", mm_s = {} }}", numbers_text(steps)),
        })
    }
}

impl Refusal {
    fn with_help(mut self, help: String) -> Self {
        self.complaint.help = Some(help);
        self
    }
}

/// A value of another type than the key takes.
pub(super) fn wrong_type(expected: &str, node: &Node<'_>) -> Refusal {
    let found = match node.get_ref() {
        DeValue::String(_) => "this is text",
        DeValue::Integer(_) | DeValue::Float(_) => "this is a number",
        DeValue::Boolean(_) => "this is true or false",
        DeValue::Datetime(_) => "this is a date or time",
        DeValue::Array(_) => "this is a list",
        DeValue::Table(_) => "this is a table",
    };
    Complaint::new(format!("must be {expected}"), found).at(node.span())
}

/// A list of exactly `N` numbers.
fn numbers<const N: usize>(node: &Node<'_>, expected: &str) -> Result<[f64; N], Refusal> {
    let DeValue::Array(items) = node.get_ref() else {
        return Err(wrong_type(expected, node));
    };
    let read: Vec<f64> = items.iter().map(Number::read).collect::<Result<_, _>>()?;
    let count = read.len();
    read.try_into().map_err(|_| {
        Complaint::new(format!("must be {expected}"), format!("{count} instead of {N} numbers")).at(node.span())
    })
}

/// `"a", "b" or "c"`.
fn list<'w>(words: impl Iterator<Item = &'w str>) -> String {
    let words: Vec<String> = words.map(text_literal).collect();
    match words.split_last() {
        Some((last, rest)) if !rest.is_empty() => format!("{} or {last}", rest.join(", ")),
        _ => words.join(", "),
    }
}

/// `1,75`: a decimal with a comma.
pub(super) fn looks_like_comma_decimal(text: &str) -> bool {
    let digits = |part: &str| !part.is_empty() && part.bytes().all(|byte| byte.is_ascii_digit());
    let unsigned = text.trim().trim_start_matches(['+', '-']);
    unsigned.split_once(',').is_some_and(|(whole, fraction)| digits(whole) && digits(fraction))
}

/// The number in `5 rpm` or `5rpm`.
pub(super) fn number_before_unit(value: &str) -> Option<&str> {
    let end = value.find(|c: char| !c.is_ascii_digit() && !"+-.".contains(c))?;
    let (number, unit) = value.split_at(end);
    let unit = unit.trim_start();
    (number.parse::<f64>().is_ok() && unit.starts_with(|c: char| c.is_alphabetic() || "%°".contains(c)))
        .then_some(number)
}

/// What to do about a decimal with a comma.
pub(super) fn comma_help(text: &str) -> String {
    format!("write decimals with a point: {}", quote(&text.trim().replace(',', ".")))
}

/// A number as TOML, in the shortest form that reads back to the same value.
fn number_text(value: f64) -> String {
    format!("{value:?}")
}

fn numbers_text(values: &[f64]) -> String {
    let values: Vec<String> = values.iter().map(|value| number_text(*value)).collect();
    format!("[{}]", values.join(", "))
}

/// Text as a TOML string on one line.
pub fn text_literal(text: &str) -> String {
    let mut literal = String::with_capacity(text.len() + 2);
    literal.push('"');
    for c in text.chars() {
        match c {
            '"' | '\\' => literal.extend(['\\', c]),
            '\n' => literal.push_str("\\n"),
            '\t' => literal.push_str("\\t"),
            c if c.is_control() => literal.push_str(&format!("\\u{:04X}", u32::from(c))),
            c => literal.push(c),
        }
    }
    literal.push('"');
    literal
}
