//! What goes into the hopper: generic grades, recipes of several of them, and the change from one to another.
//!
//! - [`library`] holds generic grades, each value with its source.
//! - [`component`] reads what a recipe names: a share of a grade, or of values of the user's own.
//! - [`blend`] mixes components: density, stiffness, output, drying; [`caution`] says what speaks against it.
//! - [`section`] writes a blend as a section of a profile.
//! - [`changeover`] says how much has to be purged, and where in a print the hopper has to be changed.
//!
//! # Example
//!
//! Two styrenic grades in equal volumes. 20A and 40A are 0.73 and 1.69 MPa by Gent; the mixture lies between the
//! Hashin-Shtrikman bounds of 1.11 and 1.15 MPa.
//!
//! ```
//! use meltwright::feedstock::blend::{Basis, Blend};
//! use meltwright::feedstock::component::Component;
//! use meltwright::feedstock::library::Library;
//! use meltwright::units::{Mass, SpecificOutput};
//!
//! let library = Library::embedded();
//! let entries = ["50:tpe-20a", "50:tpe-40a,density=0.91"];
//! let components = entries.map(|text| Component::parse(text, &library)).into_iter().collect::<Result<_, _>>()?;
//! let blend = Blend::new(components, Basis::Volume, SpecificOutput::from_mm3_rev(15.0), &library)?;
//!
//! let stiffness = blend.stiffness.expect("both hardnesses are known").hashin_shtrikman_mpa;
//! assert_eq!(format!("{:.2} to {:.2}", stiffness.low.as_mpa(), stiffness.high.as_mpa()), "1.11 to 1.15");
//! // 0.88 and 0.91 g/cm³: of 179 g, 88 and 91.
//! assert!((blend.weighings(Mass::from_g(179.0))[1].mass_g.as_g() - 91.0).abs() < 1e-9);
//! # Ok::<(), meltwright::error::Error>(())
//! ```

pub mod blend;
pub mod caution;
pub mod changeover;
pub mod component;
pub mod library;
pub mod section;

use crate::error::Error;
use crate::physics::range::OutOfRange;

/// A number for which a model has no answer, as an error of the command line.
pub fn no_answer(refusal: OutOfRange) -> Error {
    Error::usage(refusal.to_string(), "check the number, its sign and its unit, and that the parts fit each other")
}
