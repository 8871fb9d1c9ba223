//! A small seeded generator: same seed, same numbers, on every machine.

/// SplitMix64 (Steele, Lea, Flood 2014, public domain reference code): 64 bits of state, passes the
/// usual statistical batteries, and cannot be seeded badly.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Random {
    state: u64,
}

impl Random {
    /// A generator from a seed.
    pub const fn new(seed: u64) -> Self {
        Self { state: seed }
    }

    /// A generator for a named purpose, independent of the others of the same seed.
    pub fn branch(seed: u64, purpose: &str) -> Self {
        // FNV-1a over the name, so that adding a purpose does not shift the numbers of the others.
        let mut hash = 0xcbf2_9ce4_8422_2325_u64;
        for byte in purpose.bytes() {
            hash = (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3);
        }
        let mut random = Self::new(seed ^ hash);
        random.bits();
        random
    }

    /// The next 64 bits.
    pub fn bits(&mut self) -> u64 {
        self.state = self.state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.state;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// A number from 0 (included) to 1 (excluded).
    pub fn unit(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// A number between two bounds, evenly spread.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// A number between two positive bounds, evenly spread in its logarithm.
    pub fn between_log(&mut self, low: f64, high: f64) -> f64 {
        self.between(low.ln(), high.ln()).exp()
    }

    /// A standard normal number (Box and Muller 1958).
    pub fn normal(&mut self) -> f64 {
        let radius = (-2.0 * (1.0 - self.unit()).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.unit()).cos()
    }

    /// True with this probability.
    pub fn chance(&mut self, probability: f64) -> bool {
        self.unit() < probability
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_numbers_of_seed_zero_are_those_of_the_published_generator() {
        // SplitMix64 reference code, seed 0.
        let mut random = Random::new(0);
        assert_eq!(random.bits(), 0xe220_a839_7b1d_cdaf);
        assert_eq!(random.bits(), 0x6e78_9e6a_a1b9_65f4);
        assert_eq!(random.bits(), 0x06c4_5d18_8009_454f);
    }

    #[test]
    fn normal_numbers_have_mean_zero_and_variance_one() {
        let mut random = Random::new(7);
        let n = 20_000;
        let numbers: Vec<f64> = (0..n).map(|_| random.normal()).collect();
        let mean = numbers.iter().sum::<f64>() / f64::from(n);
        let variance = numbers.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / f64::from(n);
        assert!(mean.abs() < 0.03, "{mean}");
        assert!((variance - 1.0).abs() < 0.05, "{variance}");
    }
}
