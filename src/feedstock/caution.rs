//! What speaks against a recipe.

use serde::Serialize;

/// Something that speaks against a recipe or has to be known.
#[derive(Clone, Debug, PartialEq, thiserror::Error, Serialize)]
#[serde(tag = "caution", rename_all = "kebab-case")]
pub enum Caution {
    /// Two components separate.
    #[error(
        "{one} and {other} separate ({source_text}): flow can swing between 50 and 200 % (common practice, no source), and layers may peel"
    )]
    Separates {
        /// One of them.
        one: String,
        /// The other.
        other: String,
        /// Who says so.
        source_text: String,
    },
    /// Nothing says that two components mix.
    #[error(
        "nothing says that {one} and {other} mix: expect them to separate, with flow between 50 and 200 % (common practice, no source)"
    )]
    NotKnownToMix {
        /// One of them.
        one: String,
        /// The other.
        other: String,
    },
    /// No temperature suits all.
    #[error("no nozzle temperature suits all: one needs at least {least_c} °C, another bears {most_c} °C at most")]
    NoCommonTemperature {
        /// Highest of the lowest temperatures, °C.
        least_c: f64,
        /// Lowest of the highest temperatures, °C.
        most_c: f64,
    },
    /// A component has no temperatures.
    #[error("the nozzle temperatures of {name} are not known; those of the others are taken")]
    TemperatureUnknown {
        /// Which.
        name: String,
    },
    /// Components dry at different temperatures.
    #[error(
        "dry each component by itself before mixing; together only at the lowest temperature for the longest time, {temperature_c} °C for {time_h} h"
    )]
    DryApart {
        /// Lowest of the temperatures, °C.
        temperature_c: f64,
        /// Longest of the times, h.
        time_h: f64,
    },
    /// A component's drying is not known.
    #[error("it is not known whether {name} has to be dried: see its data sheet")]
    DryingUnknown {
        /// Which.
        name: String,
    },
    /// A component's stiffness is not known.
    #[error("neither hardness nor modulus of {name} is known: the blend has no stiffness band")]
    StiffnessUnknown {
        /// Which.
        name: String,
    },
    /// A component's hardness lies where relations are extrapolated.
    #[error("the stiffness of {name} is extrapolated: measure it where it matters")]
    Extrapolated {
        /// Which.
        name: String,
    },
}
