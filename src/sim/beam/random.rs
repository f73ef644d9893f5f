//! A small seeded generator: the same seed gives the same joint and the same noise on every
//! machine.

/// SplitMix64 (Steele, Lea and Flood 2014, "Fast splittable pseudorandom number generators"): 64
/// bits of state, full period, no allocation. Not for secrets.
#[derive(Clone, Debug)]
pub(super) struct Random {
    state: u64,
    spare: Option<f64>,
}

impl Random {
    /// Returns a generator for `seed`. `stream` separates uses of one seed, so that adding noise
    /// samples to one sensor does not change the draws of another.
    pub(super) fn new(seed: u64, stream: u64) -> Self {
        let mut random = Self {
            state: seed ^ stream.wrapping_mul(0xD1B5_4A32_D192_ED03),
            spare: None,
        };
        // Two draws decorrelate neighbouring seeds.
        random.next();
        random.next();
        random
    }

    fn next(&mut self) -> u64 {
        self.state = self.state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.state;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Returns a number uniform in the open interval (0, 1).
    pub(super) fn unit(&mut self) -> f64 {
        ((self.next() >> 11) as f64 + 0.5) / (1u64 << 53) as f64
    }

    /// Returns a number uniform in (-1, 1).
    pub(super) fn symmetric(&mut self) -> f64 {
        2.0 * self.unit() - 1.0
    }

    /// Returns a standard normal number (Box and Muller 1958).
    pub(super) fn normal(&mut self) -> f64 {
        if let Some(spare) = self.spare.take() {
            return spare;
        }
        let radius = (-2.0 * self.unit().ln()).sqrt();
        let (sin, cos) = (std::f64::consts::TAU * self.unit()).sin_cos();
        self.spare = Some(radius * sin);
        radius * cos
    }
}
