//! Water in the container: level, volume, age.
//!
//! Age by parcels, first in first out (oldest water), and completely mixed (mean age); real tanks
//! mix, so the mixed mean is reported and the first-in-first-out age warns. Own bookkeeping rules,
//! checked in `tests/reference/storage_age.csv`.
//!
//! Invariant: the list of parcels is bounded; neighbours of like age are merged by weighted age,
//! never the oldest parcel.

use crate::units::{Days, Litres};
use serde::{Deserialize, Serialize};

/// Most parcels kept.
const PARCELS_MAX: usize = 200;
/// Less than this is nothing, L.
const NOTHING: f64 = 1e-9;
const GRAVITY: f64 = 9.806_65;

/// Height in m of water of this density above a sender that shows `kpa`. `None` without density.
pub fn level_from_pressure(kpa: f64, density: f64) -> Option<f64> {
    (density > 0.0).then(|| 1000.0 * kpa / (density * GRAVITY))
}

/// Shape of a container.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum Shape {
    /// Straight walls: ground area in m².
    Straight(f64),
    /// Height in m and litres, rising; linear between.
    Table(Vec<(f64, f64)>),
}

impl Shape {
    /// Litres at a height in m. `None` below zero, above a table, or for a table that does not rise.
    pub fn litres(&self, height: f64) -> Option<Litres> {
        match self {
            Self::Straight(area) => {
                (height >= 0.0 && *area > 0.0).then(|| Litres::checked(1000.0 * area * height))?
            }
            Self::Table(rows) => {
                if rows.windows(2).any(|w| w[1].0 <= w[0].0 || w[1].1 < w[0].1) {
                    return None;
                }
                let above = rows.iter().position(|row| row.0 >= height)?;
                let (from, to) = (rows[above.saturating_sub(1)], rows[above]);
                if above == 0 {
                    return (height == to.0).then(|| Litres::checked(to.1))?;
                }
                Litres::checked(from.1 + (to.1 - from.1) * (height - from.0) / (to.0 - from.0))
            }
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Parcel {
    litres: f64,
    days: f64,
}

/// Age of the water in a container.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Ages {
    /// Oldest first.
    parcels: Vec<Parcel>,
    mixed_days: f64,
}

impl Ages {
    /// A container with this much fresh water.
    pub fn new(litres: Litres) -> Self {
        let mut parcels = Vec::new();
        if litres.get() > NOTHING {
            parcels.push(Parcel { litres: litres.get(), days: 0.0 });
        }
        Self { parcels, mixed_days: 0.0 }
    }

    /// Time passes.
    pub fn pass(&mut self, time: Days) {
        let days = time.get().max(0.0);
        for parcel in &mut self.parcels {
            parcel.days += days;
        }
        if !self.parcels.is_empty() {
            self.mixed_days += days;
        }
    }

    /// Water is drawn: the oldest first.
    pub fn draw(&mut self, litres: Litres) {
        let mut left = litres.get().max(0.0);
        let mut gone = 0;
        for parcel in &mut self.parcels {
            let take = left.min(parcel.litres);
            parcel.litres -= take;
            left -= take;
            if parcel.litres > NOTHING {
                break;
            }
            gone += 1;
        }
        self.parcels.drain(..gone);
        if self.parcels.is_empty() {
            self.mixed_days = 0.0;
        }
    }

    /// Fresh water comes in.
    pub fn add(&mut self, litres: Litres) {
        let new = litres.get();
        if new <= 0.0 {
            return;
        }
        let held = self.litres().get();
        self.mixed_days *= held / (held + new);
        self.parcels.push(Parcel { litres: new, days: 0.0 });
        if self.parcels.len() > PARCELS_MAX {
            self.merge();
        }
    }

    /// Sets the volume after a level reading or a float: what is missing was drawn, what is too much
    /// came in unseen.
    pub fn correct(&mut self, litres: Litres) {
        let difference = litres.get() - self.litres().get();
        if difference < 0.0 {
            self.draw(Litres::new(-difference));
        } else {
            self.add(Litres::new(difference));
        }
    }

    fn merge(&mut self) {
        // The pair of neighbours closest in age, of equals the youngest; never the oldest parcel.
        let pair = (1..self.parcels.len() - 1)
            .min_by(|&a, &b| {
                let gap = |i: usize| self.parcels[i].days - self.parcels[i + 1].days;
                gap(a).total_cmp(&gap(b)).then(b.cmp(&a))
            })
            .expect("far more than two parcels");
        let (old, young) = (self.parcels[pair], self.parcels[pair + 1]);
        let litres = old.litres + young.litres;
        let days = (old.litres * old.days + young.litres * young.days) / litres;
        self.parcels[pair] = Parcel { litres, days };
        self.parcels.remove(pair + 1);
    }

    /// Water in the container.
    pub fn litres(&self) -> Litres {
        Litres::new(self.parcels.iter().map(|p| p.litres).sum())
    }

    /// Age of the oldest water, first in first out; 0 when empty.
    pub fn oldest(&self) -> Days {
        Days::new(self.parcels.first().map_or(0.0, |p| p.days))
    }

    /// Mean age, first in first out; 0 when empty.
    pub fn mean(&self) -> Days {
        let litres = self.litres().get();
        if litres <= 0.0 {
            return Days::new(0.0);
        }
        Days::new(self.parcels.iter().map(|p| p.litres * p.days).sum::<f64>() / litres)
    }

    /// Mean age when all of it mixes; 0 when empty.
    pub fn mixed(&self) -> Days {
        Days::new(self.mixed_days)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Worked example of the reference sheet 8: 4.905 kPa is 0.501 m; in 40 x 40 cm 80.2 L.
    #[test]
    fn level_of_the_worked_example() {
        let height = level_from_pressure(4.905, 998.2).expect("density");
        assert!((height - 0.501).abs() < 0.0005, "{height}");
        let litres = Shape::Straight(0.16).litres(height).expect("inside").get();
        assert!((litres - 80.2).abs() < 0.1, "{litres}");
    }

    #[test]
    fn a_table_is_linear_between_its_rows_and_silent_beyond() {
        let shape = Shape::Table(vec![(0.0, 0.0), (0.2, 10.0), (0.5, 40.0)]);
        assert_eq!(shape.litres(0.1), Some(Litres::new(5.0)));
        assert!((shape.litres(0.35).expect("inside").get() - 25.0).abs() < 1e-9);
        assert_eq!(shape.litres(0.6), None);
        assert_eq!(Shape::Table(vec![(0.2, 5.0), (0.1, 6.0)]).litres(0.15), None);
    }

    #[test]
    fn parcels_are_bounded_and_the_oldest_stays_exact() {
        let mut ages = Ages::new(Litres::new(5.0));
        for _ in 0..1000 {
            ages.pass(Days::new(0.01));
            ages.add(Litres::new(0.1));
        }
        assert!(ages.parcels.len() <= PARCELS_MAX);
        assert!((ages.oldest().get() - 10.0).abs() < 1e-6, "{:?}", ages.oldest());
        assert!((ages.litres().get() - 105.0).abs() < 1e-6);
    }
}
