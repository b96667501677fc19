//! `meltwright feedstock`

use meltwright::error::Result;
use meltwright::feedstock::library::Library;

use super::tell;
use crate::cli::Exit;
use crate::cli::material_args::FeedstockAction;
use crate::cli::render::feedstock;

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
            tell(&feedstock::show(grade, library.family(&grade.family)), json.as_deref(), grade)?;
        }
    }
    Ok(Exit::Done)
}
