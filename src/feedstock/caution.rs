//! What speaks against a recipe.

use std::fmt;

use serde::Serialize;

/// Something that speaks against a recipe or has to be known.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(tag = "caution", rename_all = "kebab-case")]
pub enum Caution {
    /// Two components separate.
    Separates {
        /// One of them.
        one: String,
        /// The other.
        other: String,
        /// Who says so.
        source: String,
    },
    /// Nothing says that two components mix.
    NotKnownToMix {
        /// One of them.
        one: String,
        /// The other.
        other: String,
    },
    /// No temperature suits all.
    NoCommonTemperature {
        /// Highest of the lowest temperatures, °C.
        least_c: f64,
        /// Lowest of the highest temperatures, °C.
        most_c: f64,
    },
    /// A component has no temperatures.
    TemperatureUnknown {
        /// Which.
        name: String,
    },
    /// Components dry at different temperatures.
    DryApart {
        /// Lowest of the temperatures, °C.
        temperature_c: f64,
        /// Longest of the times, h.
        time_h: f64,
    },
    /// A component's drying is not known.
    DryingUnknown {
        /// Which.
        name: String,
    },
    /// A component's stiffness is not known.
    StiffnessUnknown {
        /// Which.
        name: String,
    },
    /// A component's hardness lies where relations are extrapolated.
    Extrapolated {
        /// Which.
        name: String,
    },
}

/// How far flow swings where components separate.
const SWING: &str = "flow can swing between 50 and 200 % (common practice, no source) and layers may peel";

impl fmt::Display for Caution {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Separates { one, other, source } => {
                write!(f, "{one} and {other} separate: {SWING}. Source: {source}")
            }
            Self::NotKnownToMix { one, other } => {
                write!(f, "nothing says that {one} and {other} mix: expect them to separate; {SWING}")
            }
            Self::NoCommonTemperature { least_c, most_c } => write!(
                f,
                "no nozzle temperature suits all: one needs at least {least_c} °C, another bears {most_c} °C at most"
            ),
            Self::TemperatureUnknown { name } => {
                write!(f, "the nozzle temperatures of {name} are not known: see its data sheet")
            }
            Self::DryApart { temperature_c, time_h } => write!(
                f,
                "dry each component by itself before mixing; together only at the lowest temperature for the longest \
                 time, {temperature_c} °C for {time_h} h"
            ),
            Self::DryingUnknown { name } => {
                write!(f, "it is not known whether {name} has to be dried: see its data sheet")
            }
            Self::StiffnessUnknown { name } => {
                write!(f, "neither hardness nor modulus of {name} is known: the blend has no stiffness band")
            }
            Self::Extrapolated { name } => {
                write!(f, "the stiffness of {name} is extrapolated: measure it where it matters")
            }
        }
    }
}
