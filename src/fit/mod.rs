//! A model of one valve from readings of it.
//!
//! A type's model is the average of its makers' sheets; a valve on the bench differs from it in
//! current, mu and contact potential by what production allows (`device::production`), and its
//! curves bend as the law of the type does, within what that law misses of its own sheets. These
//! are the priors. Readings move the parameters from there as far as they can tell:
//! maximum a posteriori with Gaussian priors, so that one reading sets the current and nothing
//! else, three set current, mu and contact potential, and twenty the shape too; a valve far
//! from any reading is the type's, never an absurd one.
//!
//! The least squares are this project's own (`least_squares`, 100 lines). The crate
//! `levenberg-marquardt` (0.15) knows neither bounds nor priors and works on `nalgebra`
//! matrices, whose products choose instructions by processor at run time, so that a model
//! written here and one written elsewhere could differ in the last digit; `nalgebra` would be a
//! second library of matrices in the tool beside. With twelve unknowns at most there is nothing
//! to gain: a fit of 20 readings takes some milliseconds.

pub mod bottle;
pub mod estimate;
pub mod frame;
pub mod least_squares;
pub mod model;
pub mod pairs;
pub mod plausible;
pub mod problem;
pub mod readings;
pub mod table;
