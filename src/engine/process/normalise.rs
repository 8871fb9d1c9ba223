//! Driving pressure, and permeate flow, salt passage and pressure drop at a reference state, so that
//! winter water and a weak mains evening do not look like a dying membrane.
//!
//! Form of ASTM D4516 (flow equation 6.1 confirmed from a secondary text; salt passage re-derived
//! from the solution-diffusion model, reference sheet 2.5 and 3; the standard itself was not read).
//! Validity: one stage, no leaks, 5 to 35 °C, pressures all gauge. What dominates the error is the
//! choice of temperature factor, not the probes: fit it to the owner's own seasons
//! ([`fit_temperature_constant`]) once they span 8 K.

use super::membrane::log_mean_factor;
use super::water::relative_viscosity;
use crate::engine::value::{Input, Result, derive};
use crate::units::{Bar, Celsius, LitresPerMinute, Ratio, Tds};
use serde::{Deserialize, Serialize};

/// Molar mass of sodium chloride, g/mol.
const NACL_G_PER_MOL: f64 = 58.442_77;
/// Gas constant, J/(mol K).
const GAS: f64 = 8.314_462_618_153_24;
const KPA_PER_BAR: f64 = 100.0;

/// How osmotic pressure is taken from a concentration. On tap water they differ by 4 kPa of 400:
/// choose one and keep it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Osmotic {
    /// `C (t + 320)/491000` bar: natural waters below 20 g/L. Common practice, no source.
    #[default]
    Natural,
    /// `2 c R T`, sodium chloride at infinite dilution (van 't Hoff).
    VantHoff,
    /// `0.2654 C T/(1000 - C/1000)` kPa: form of ASTM D4516 for sodium chloride, from memory.
    D4516,
}

/// How flow at a temperature compares with that at 25 °C.
#[derive(Clone, Copy, Debug, PartialEq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TemperatureFactor {
    /// `exp(K (1/298.15 - 1/T))`, K 2640 from 25 °C up and 3020 below. Common practice, no standard.
    #[default]
    Arrhenius,
    /// Viscosity of water alone (IAPWS 2008).
    Viscosity,
    /// 3 % for each degree, compounded: rule of a trade association's text.
    ThreePercent,
    /// Arrhenius with this membrane's own constant in kelvin, from [`fit_temperature_constant`].
    Own(f64),
}

/// Osmotic pressure of `mg_per_litre` of dissolved solids. `None` below zero, above 20 g/L or
/// outside 0 to 50 °C.
pub fn osmotic_pressure(mg_per_litre: f64, at: Celsius, form: Osmotic) -> Option<Bar> {
    let (c, t) = (mg_per_litre, at.get());
    if !(0.0..=20_000.0).contains(&c) || !(0.0..=50.0).contains(&t) {
        return None;
    }
    let kpa = match form {
        Osmotic::Natural => KPA_PER_BAR * c * (t + 320.0) / 491_000.0,
        Osmotic::VantHoff => 2.0 * c / 1000.0 / NACL_G_PER_MOL * GAS * (t + 273.15),
        Osmotic::D4516 => 0.2654 * c * (t + 273.15) / (1000.0 - c / 1000.0),
    };
    Bar::checked(kpa / KPA_PER_BAR)
}

impl TemperatureFactor {
    /// Permeate flow at `at` over that at 25 °C and the same net driving pressure. `None` outside 0
    /// to 50 °C.
    pub fn at(self, at: Celsius) -> Option<f64> {
        let t = at.get();
        if !(0.0..=50.0).contains(&t) {
            return None;
        }
        let arrhenius = |k: f64| (k * (1.0 / 298.15 - 1.0 / (t + 273.15))).exp();
        match self {
            Self::Arrhenius => Some(arrhenius(if t >= 25.0 { 2640.0 } else { 3020.0 })),
            Self::Viscosity => Some(1.0 / relative_viscosity(at)?),
            Self::ThreePercent => Some(1.03f64.powf(t - 25.0)),
            Self::Own(k) => Some(arrhenius(k)),
        }
    }
}

/// A running state of the membrane.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct State {
    /// Feed flow.
    pub feed_flow: LitresPerMinute,
    /// Permeate flow.
    pub permeate_flow: LitresPerMinute,
    /// Feed.
    pub feed: Tds,
    /// Permeate.
    pub permeate: Tds,
    /// Pressure at the membrane's inlet.
    pub feed_pressure: Bar,
    /// Pressure drop along the feed side; rarely measured at home, 0 then.
    pub pressure_drop: Bar,
    /// Back pressure of vessels and float valve; 0 when unknown.
    pub permeate_pressure: Bar,
    /// Water temperature.
    pub temperature: Celsius,
}

/// Which forms are used; the same for the reference and for every state compared with it.
#[derive(Clone, Copy, Debug, PartialEq, Default, Serialize, Deserialize)]
pub struct Forms {
    /// Osmotic pressure.
    pub osmotic: Osmotic,
    /// Temperature.
    pub temperature: TemperatureFactor,
}

/// A state at the reference conditions.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Normalised {
    /// Permeate flow at reference pressure and temperature.
    pub flow: LitresPerMinute,
    /// Nominal salt passage at reference flow and temperature.
    pub passage: Ratio,
    /// Pressure drop at reference flow.
    pub pressure_drop: Bar,
}

impl State {
    /// Recovery; `None` when it is no share.
    pub fn recovery(&self) -> Option<Ratio> {
        let y = self.permeate_flow.get() / self.feed_flow.get();
        (self.feed_flow.get() > 0.0 && (0.0..1.0).contains(&y)).then(|| Ratio::new(y))
    }

    /// `Pf - dP/2 - Pp - (pi_fb - pi_p)`. May be negative: then nothing drives water through.
    pub fn net_driving_pressure(&self, osmotic: Osmotic) -> Option<Bar> {
        let factor = log_mean_factor(self.recovery()?)?;
        let feed_side = osmotic_pressure(self.feed.get() * factor, self.temperature, osmotic)?;
        let permeate = osmotic_pressure(self.permeate.get(), self.temperature, osmotic)?;
        Bar::checked(
            self.feed_pressure.get()
                - self.pressure_drop.get() / 2.0
                - self.permeate_pressure.get()
                - feed_side.get()
                + permeate.get(),
        )
    }

    /// This state at the conditions of `reference`: `Qps = Qpa (NDPs TCFs)/(NDPa TCFa)`,
    /// `SPs = SPa (Qpa/Qps0)(TCFs/TCFa)(CFs/CFa)`, `dPs = dPa (Qfc_s/Qfc_a)^1.5`; the salt's
    /// temperature factor taken equal to that of water. `None` outside the range of any part.
    pub fn normalised(&self, reference: &State, forms: Forms) -> Option<Normalised> {
        self.against(reference, Factors::of(reference, forms)?, forms)
    }

    /// The same for whom the factors of the reference are at hand.
    fn against(&self, reference: &State, of: Factors, forms: Forms) -> Option<Normalised> {
        let Factors { ndp, tcf, factor } = Factors::of(self, forms)?;
        let (ndp_reference, tcf_reference, factor_reference) = (of.ndp, of.tcf, of.factor);
        let passage = self.permeate.get() / positive(self.feed.get())?;
        let mean = |s: &State| s.feed_flow.get() - s.permeate_flow.get() / 2.0;
        let flow = self.permeate_flow.get() * ndp_reference * tcf_reference / (ndp * tcf);
        let share = passage
            * (self.permeate_flow.get() / positive(reference.permeate_flow.get())?)
            * (tcf_reference / tcf)
            * (factor_reference / factor);
        let drop = self.pressure_drop.get() * (mean(reference) / mean(self)).powf(1.5);
        Some(Normalised {
            flow: LitresPerMinute::checked(flow)?,
            passage: Ratio::checked(share)?,
            pressure_drop: Bar::checked(drop)?,
        })
    }
}

/// What of a state a comparison rests on.
#[derive(Clone, Copy, Debug)]
struct Factors {
    /// Net driving pressure, bar, above 0.
    ndp: f64,
    /// Of the temperature.
    tcf: f64,
    /// Mean concentration on the feed side over that of the feed.
    factor: f64,
}

impl Factors {
    fn of(state: &State, forms: Forms) -> Option<Self> {
        Some(Self {
            ndp: positive(state.net_driving_pressure(forms.osmotic)?.get())?,
            tcf: forms.temperature.at(state.temperature)?,
            factor: log_mean_factor(state.recovery()?)?,
        })
    }
}

fn positive(x: f64) -> Option<f64> {
    (x > 0.0).then_some(x)
}

/// A state whose members carry their uncertainty, in the units of [`State`].
#[derive(Clone, Copy, Debug)]
pub struct Inputs<'a> {
    /// Feed flow, L/min.
    pub feed_flow: Input<'a>,
    /// Permeate flow, L/min.
    pub permeate_flow: Input<'a>,
    /// Feed, ppm.
    pub feed: Input<'a>,
    /// Permeate, ppm.
    pub permeate: Input<'a>,
    /// Feed pressure, bar.
    pub feed_pressure: Input<'a>,
    /// Pressure drop along the feed side, bar; a constant of 0 where unknown.
    pub pressure_drop: Input<'a>,
    /// Back pressure, bar; a constant of 0 where unknown.
    pub permeate_pressure: Input<'a>,
    /// Water temperature, °C.
    pub temperature: Input<'a>,
}

impl<'a> Inputs<'a> {
    fn derive(&self, f: impl Fn(&State) -> Option<f64>) -> Result<f64> {
        let all = [
            self.feed_flow,
            self.permeate_flow,
            self.feed,
            self.permeate,
            self.feed_pressure,
            self.pressure_drop,
            self.permeate_pressure,
            self.temperature,
        ];
        derive(&all, |x| {
            f(&State {
                feed_flow: LitresPerMinute::checked(x[0])?,
                permeate_flow: LitresPerMinute::checked(x[1])?,
                feed: Tds::checked(x[2])?,
                permeate: Tds::checked(x[3])?,
                feed_pressure: Bar::checked(x[4])?,
                pressure_drop: Bar::checked(x[5])?,
                permeate_pressure: Bar::checked(x[6])?,
                temperature: Celsius::checked(x[7])?,
            })
        })
    }

    /// Net driving pressure in bar.
    ///
    /// # Errors
    /// `Unsupported` outside the range of the formulas.
    pub fn net_driving_pressure(&self, osmotic: Osmotic) -> Result<f64> {
        self.derive(|state| state.net_driving_pressure(osmotic).map(Bar::get))
    }

    /// Permeate flow in L/min at the conditions of `reference`.
    ///
    /// # Errors
    /// `Unsupported` outside the range of the formulas.
    pub fn flow(&self, reference: &State, forms: Forms) -> Result<f64> {
        let of = Factors::of(reference, forms);
        self.derive(|state| Some(state.against(reference, of?, forms)?.flow.get()))
    }

    /// Nominal salt passage at the conditions of `reference`.
    ///
    /// # Errors
    /// `Unsupported` outside the range of the formulas.
    pub fn passage(&self, reference: &State, forms: Forms) -> Result<f64> {
        let of = Factors::of(reference, forms);
        self.derive(|state| Some(state.against(reference, of?, forms)?.passage.get()))
    }
}

/// The membrane's own temperature constant in kelvin from its seasons: slope of `ln(flow/NDP)` over
/// `-1/T` by least squares, for [`TemperatureFactor::Own`]. `points` are temperature and flow per
/// driving pressure. `None` below ten points, below a span of 8 K, or for a result outside 1000 to
/// 5000 K, which no membrane has.
pub fn fit_temperature_constant(points: &[(Celsius, f64)]) -> Option<f64> {
    let usable: Vec<(f64, f64)> = points
        .iter()
        .filter(|(t, flow)| *flow > 0.0 && (0.0..=50.0).contains(&t.get()))
        .map(|(t, flow)| (-1.0 / (t.get() + 273.15), flow.ln()))
        .collect();
    let span = points.iter().map(|p| p.0.get()).fold(f64::MIN, f64::max)
        - points.iter().map(|p| p.0.get()).fold(f64::MAX, f64::min);
    if usable.len() < 10 || span < 8.0 {
        return None;
    }
    let n = usable.len() as f64;
    let (mx, my) =
        (usable.iter().map(|p| p.0).sum::<f64>() / n, usable.iter().map(|p| p.1).sum::<f64>() / n);
    let square: f64 = usable.iter().map(|p| (p.0 - mx).powi(2)).sum();
    let slope = usable.iter().map(|p| (p.0 - mx) * (p.1 - my)).sum::<f64>() / square;
    (1000.0..=5000.0).contains(&slope).then_some(slope)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_membrane_s_own_constant_is_found_from_its_seasons() {
        let truth = TemperatureFactor::Own(2800.0);
        let points: Vec<(Celsius, f64)> = (0..20)
            .map(|i| {
                let t = Celsius::new(6.0 + f64::from(i) * 0.8);
                (t, 0.04 * truth.at(t).expect("in range"))
            })
            .collect();
        let found = fit_temperature_constant(&points).expect("wide enough");
        assert!((found - 2800.0).abs() < 1.0, "{found}");
        assert_eq!(fit_temperature_constant(&points[..9]), None);
    }

    #[test]
    fn outside_their_range_the_formulas_are_silent() {
        assert_eq!(osmotic_pressure(30_000.0, Celsius::new(20.0), Osmotic::Natural), None);
        assert_eq!(TemperatureFactor::Arrhenius.at(Celsius::new(60.0)), None);
    }
}
