//! Cleaning: plausibility, standard tests, outliers, smoothing, quantisation, sensor health.
//!
//! Purpose: a box of small tools, each a plain struct that is fed one reading at a time and keeps
//! bounded memory. The guard path takes [`plausible`], [`median`], [`debounce`], [`interval`] and
//! [`totaliser`]; the trend path takes all of them. The order that keeps each step honest:
//! [`order`] and [`plausible`], then [`totaliser`], then [`qc`] and [`hampel`], then [`smooth`] for
//! display. Totals, alarms and fits take the data *before* smoothing.
//!
//! Invariants: time comes in as [`Mono`](super::time::Mono) and never from a clock; inside, plain
//! `f64` in the canonical unit of the quantity; a reading that is missing or not finite is never
//! taken for a number, never clears and never hides anything; no tool gives a value outside the
//! range of the readings it was fed; a tool that needs several readings says nothing before it has
//! them; state holds no number that is not finite, so that every snapshot can be read back.
//!
//! Absent on purpose: thresholds tuned to one plant, correction of drift (four standard tests do
//! not see it; only a second sensor, a reference or a known state does), and any decision about
//! valves.

pub mod attenuated;
pub mod debounce;
pub mod hampel;
pub mod integrate;
pub mod interval;
pub mod median;
pub mod order;
pub mod plausible;
pub mod qc;
pub mod quantise;
pub mod smooth;
pub mod totaliser;
