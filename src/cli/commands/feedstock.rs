//! `meltwright feedstock`

use meltwright::error::Result;
use meltwright::feedstock::library::{Grade, Library, Sourced};
use meltwright::physics::stiffness::{Stiffness, estimate};
use schemars::JsonSchema;
use serde::Serialize;

use super::tell;
use crate::cli::Exit;
use crate::cli::material_args::FeedstockAction;
use crate::cli::render::feedstock;

/// A grade with what follows from its hardness and its family.
#[derive(Serialize, JsonSchema)]
pub struct Account<'a> {
    #[serde(flatten)]
    grade: &'a Grade,
    stiffness_by_hardness: Option<Stiffness>,
    hazards: &'a [Sourced<String>],
}

/// Lists the library or shows a grade of it.
///
/// # Errors
/// For an unknown grade, with the nearest one.
pub fn run(action: &FeedstockAction) -> Result<Exit> {
    let library = Library::embedded();
    match action {
        FeedstockAction::List { json } => {
            tell(&feedstock::list(library.grades()), json.as_deref(), &library.grades())?;
        }
        FeedstockAction::Show { name, json } => {
            let grade = library.grade(name)?;
            let family = library.family(&grade.family);
            let account = Account {
                grade,
                stiffness_by_hardness: grade.hardness.as_ref().and_then(|hardness| estimate(hardness.value).ok()),
                hazards: family.map_or(&[], |family| &family.hazards),
            };
            tell(&feedstock::show(grade, family), json.as_deref(), &account)?;
        }
    }
    Ok(Exit::Done)
}
