//! Settings of tests with random cases.

use proptest::test_runner::{Config, RngSeed};

/// Returns the settings for `cases` cases drawn from `seed`.
pub fn seeded(seed: u64, cases: u32) -> Config {
    Config {
        failure_persistence: None,
        rng_seed: RngSeed::Fixed(seed),
        ..Config::with_cases(cases)
    }
}
