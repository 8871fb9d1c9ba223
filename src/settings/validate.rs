//! Rules that cross fields; reports every problem at once.

use super::problem::{Locate, Problem};
use super::schema::Settings;

/// Every problem of settings that could be read: errors and warnings.
pub fn validate(_settings: &Settings, _locate: &dyn Locate) -> Vec<Problem> {
    Vec::new()
}
