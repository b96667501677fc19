//! The lag of the melt: what the screw is told so that flow comes when the head needs it.
//!
//! The melt between screw and nozzle is a spring that holds S = τ Q at a steady flow Q. Whoever wants another flow has
//! to fill or empty it first. Two ways:
//!
//! - along the path ([`ramp`]): while the head speeds up or brakes, the screw turns faster or slower than the bead
//!   needs by τ dQ/dt. A bead is written as a few pieces with their own E, and [`accel`] keeps the head from speeding
//!   up faster than the screw can follow;
//! - at rest ([`rest`]): the screw turns back a little when a run of beads ends and forward when the next begins, as
//!   much as the flow before, the flow to come and the time between ask for. [`gaps`] finds these places and takes the
//!   file's own fixed reversals out.
//!
//! Both keep account of S over the whole print ([`spring`]), so that an error made in one place is made good in the
//! next. Where nobody is to make up for the lag, [`flow_step`] and [`accel`] can keep flow from changing much or quickly.

pub mod accel;
pub mod flow_step;
pub mod gaps;
pub mod ramp;
pub mod rest;
pub mod spring;
