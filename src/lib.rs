//! meltwright rewrites and audits sliced G-code for a screw extruder.
//!
//! A slicing program asks for any flow at any moment; a screw cannot follow, and the melt follows the screw late. This
//! library reads a sliced file, plans it as the controller will, lowers the speed of the moves that ask more than the
//! screw can give, at once or on average over a window, and writes E so that flow is there when the head needs it. The
//! path stays as it is, and so does every byte of the lines that need no change.
//!
//! # From bytes to bytes
//!
//! ```text
//! source -> line -> moves -> motion -> passes    -> line -> source
//! blocks    words   Move     Timing    speeds, E    edits   replaced file, and a summary
//! ```
//!
//! - [`source`] cuts a stream into blocks of whole lines, refuses what is not plain G-code, and replaces files safely.
//! - [`line`](mod@line) finds lines and words, and applies edits; it never fails.
//! - [`moves`] follows the modal state and turns each line into at most one [`moves::Move`], in mm, mm/s and mm³.
//! - [`profile`] holds what is known of machine, controller, screw and feedstock, each value with its provenance.
//! - [`physics`] and [`demand`] say what the screw can give and what moves ask of it.
//! - [`feedstock`] holds generic grades, mixes them, and says what a change from one to another takes.
//! - [`motion`] tells how the controller executes the moves.
//! - [`inspect`] looks for what does not fit machine and screw, whatever the passes do.
//! - [`survey`] finds what stands where, layer by layer, from the beads as they are laid.
//! - [`soft`] says what the part bears and needs, layer by layer.
//! - [`passes`] lower speeds, each with a reason, and lead the lag of the melt; they give F words and E words.
//! - [`summary`] and [`findings`] are the account of a run; they serialise with serde, and keys are only ever added.
//! - [`replay`] executes a file on a virtual machine and compares what is laid with what was wanted.
//! - [`hopper`] plans refills of the hopper and compares a print's mass with a weighing.
//! - [`pipeline`] wires all of this in bounded memory: [`pipeline::rewrite`] and [`pipeline::audit`] are the way in.
//! - [`weigh`] turns weighings into a profile: purge test, sheet, curve, judgement.
//! - [`error`](mod@error) and [`units`] serve all of them.
//!
//! [`guide`] has more: the library at work in examples that run, and a tutorial of the command line, from a bag of
//! granules to a part.
//!
//! # Example
//!
//! A casting pad's bead of 20 mm with 40 mm³, asked for at 10 mm/s: 20 mm³/s. The screw gives 5.
//!
//! ```
//! use std::io::Cursor;
//!
//! use meltwright::pipeline::{Options, Passes, rewrite};
//! use meltwright::profile::Profile;
//!
//! let set = ["screw.e_unit=mm3", "screw.peak_flow_mm3_s=5", "screw.sustained_flow_mm3_s=5"];
//! let set = set.map(|text| text.parse().expect("key=value"));
//! let profile = Profile::embedded_with(&set)?;
//!
//! let mut pad = Cursor::new("M83\nG1 X20 E40 F600 ; wall\n");
//! let mut output = Vec::new();
//! let options = Options { passes: Passes { capacity: true, ..Passes::NONE }, ..Options::default() };
//! let summary = rewrite(&mut pad, &mut output, &profile, &options, &mut |_bytes| {})?;
//!
//! // 40 mm³ / 20 mm = 2 mm², and 5 mm³/s / 2 mm² = 2.5 mm/s = 150 mm/min.
//! let text = String::from_utf8(output).expect("plain text");
//! assert!(text.ends_with("M83\nG1 X20 E40 F150 ; wall\n"));
//! assert_eq!(summary.changes.moves_slowed, 1);
//! assert_eq!(summary.after.volume_mm3, summary.before.volume_mm3);
//! # Ok::<(), meltwright::error::Error>(())
//! ```
//!
//! The library does no terminal output and picks no exit codes: it returns typed [`error::Error`]s with a place and a
//! remedy, and calls back with the number of bytes done. It works on the rayon pool it is called from; results do not
//! depend on the number of threads. Without the feature `cli` none of the command-line crates are built.
#![deny(missing_docs)]
#![forbid(unsafe_code)]

pub mod demand;
pub mod error;
pub mod feedstock;
pub mod findings;
pub mod guide;
pub mod hopper;
pub mod inspect;
pub mod line;
pub mod motion;
pub mod moves;
pub mod passes;
pub mod physics;
pub mod pipeline;
pub mod profile;
pub mod replay;
pub mod soft;
pub mod source;
pub mod summary;
pub mod survey;
pub mod units;
pub mod weigh;

/// Rust code in the handbooks is compiled with the examples.
#[cfg(doctest)]
mod handbooks {
    #[doc = include_str!("../README.md")]
    struct Readme;
    #[doc = include_str!("../DEVELOPERS.md")]
    struct Developers;
}
