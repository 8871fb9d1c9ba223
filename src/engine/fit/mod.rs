//! Curve fits with guards and goodness of fit.
//!
//! Purpose: turn a trace of readings into a few numbers with uncertainties, or into the reason why
//! it cannot be done. Invariants: every search is bounded and deterministic; a fit that its data do
//! not support is refused with a [`NoFit`], never softened; display steps are counted as what they
//! are, intervals, and never as noise.
//!
//! Absent on purpose: general optimisers, and start values that a caller would have to guess.

pub mod display;
pub mod informed;
pub mod lead;
pub mod least;
pub mod special;
pub mod washout;

use serde::{Deserialize, Serialize};

/// Why there is no fit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, Hash)]
#[serde(rename_all = "kebab-case")]
pub enum NoFit {
    /// Fewer points than the shape needs.
    TooFewPoints,
    /// Too few of the points lie clear of the level to which the curve falls, or above zero.
    TooFewAbove,
    /// The curve never moves by more than the display can tell from standing still.
    NoChange,
    /// The trace ends before the curve has shown its shape.
    CutShort,
    /// The points scatter too far about the curve.
    Rough,
    /// The curve explains too little of what the points do.
    Poor,
    /// The result is so uncertain that it says nothing.
    Uncertain,
    /// The search found no minimum inside its bounds.
    NoMinimum,
}

impl NoFit {
    /// One clause for people, after "no fit: ".
    pub const fn text(self) -> &'static str {
        match self {
            Self::TooFewPoints => "too few readings",
            Self::TooFewAbove => "too few readings above the settled value",
            Self::NoChange => "the reading hardly moved",
            Self::CutShort => "the run ended too early",
            Self::Rough => "the readings scatter too much",
            Self::Poor => "the readings do not follow a wash-out curve",
            Self::Uncertain => "the result would be too uncertain",
            Self::NoMinimum => "no curve fits best",
        }
    }
}
