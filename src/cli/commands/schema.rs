//! `meltwright schema`

use meltwright::error::Result;
use meltwright::feedstock::library::Grade;
use meltwright::summary::Summary;
use schemars::generate::SchemaSettings;
use schemars::{JsonSchema, Schema};

use super::{blend, feedstock};
use crate::cli::record_args::{SchemaArgs, SchemaOf};
use crate::cli::render::json::{self, Audit, Failed, Full, Named, Queued, Replayed};
use crate::cli::render::{changeover, controller, reconcile, record, screw, weigh};
use crate::cli::{Exit, output};

/// An account, or why there is none.
#[derive(JsonSchema)]
#[serde(untagged)]
#[expect(dead_code, reason = "only its shape is asked for")]
enum OrFailed<T> {
    Done(T),
    Failed(Named<'static, Failed>),
}

/// A grade, or all of them.
#[derive(JsonSchema)]
#[serde(untagged)]
#[expect(dead_code, reason = "only its shape is asked for")]
enum Grades {
    Shown(feedstock::Account<'static>),
    Listed(Vec<Grade>),
}

/// Prints the shape of what a command writes as JSON.
///
/// # Errors
/// When it cannot be printed.
pub fn run(args: &SchemaArgs) -> Result<Exit> {
    let (title, schema) = match args.of {
        SchemaOf::Audit => ("an audit", of::<OrFailed<Named<'_, Full<'_, Audit<'_>>>>>()),
        SchemaOf::Results => ("a line of results of audits", of::<OrFailed<Named<'_, Queued<'_>>>>()),
        SchemaOf::Rewrite => ("a rewrite", of::<OrFailed<Named<'_, Full<'_, Summary>>>>()),
        SchemaOf::Replay => ("a replay", of::<Replayed<'_>>()),
        SchemaOf::Record => ("a record", of::<record::Record<'_>>()),
        SchemaOf::Controller => ("settings of a controller", of::<controller::Sheet>()),
        SchemaOf::WeighPlan => ("a plan of weighings", of::<weigh::NamedPlan<'_>>()),
        SchemaOf::WeighFit => ("a fit of weighings", of::<weigh::NamedFit<'_>>()),
        SchemaOf::Screw => ("an estimate of a screw", of::<screw::Account<'_>>()),
        SchemaOf::Blend => ("a blend", of::<blend::Account<'_>>()),
        SchemaOf::Changeover => ("a change-over", of::<changeover::Account>()),
        SchemaOf::Reconcile => ("a reconciliation", of::<reconcile::Account>()),
        SchemaOf::Feedstock => ("feedstock", of::<Grades>()),
    };
    output::to_stdout(&json::alone(&titled(schema, title))?)?;
    Ok(Exit::Done)
}

/// The schema of a type as it is written, in the form of 2020-12.
fn of<T: JsonSchema>() -> Schema {
    SchemaSettings::draft2020_12().for_serialize().into_generator().into_root_schema_for::<T>()
}

/// Names of types of this program say nothing to others.
fn titled(mut schema: Schema, title: &str) -> Schema {
    let (program, version) = (env!("CARGO_PKG_NAME"), env!("CARGO_PKG_VERSION"));
    schema.insert("title".to_owned(), format!("{program} {version}: {title}").into());
    schema.insert("$comment".to_owned(), "Keys are only ever added: pass over those that you do not know.".into());
    schema
}
