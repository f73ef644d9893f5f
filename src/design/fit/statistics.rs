//! Distributions and tests of the goodness of a fit.

/// Whiteness of residuals, by the test of Ljung and Box 1978, "On a measure of lack of fit in time
/// series models". For white residuals `Q = n (n + 2) sum_k r_k^2 / (n - k)` over the first lags is
/// chi-squared with one degree of freedom per lag. The model is driven by a known input and not by
/// past outputs, so its parameters remove no degrees of freedom.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Whiteness {
    /// `Q`.
    pub statistic: f64,
    /// Lags counted, samples.
    pub lags: usize,
    /// Probability of a `Q` at least this large if the residuals are white.
    pub p_value: f64,
    /// Correlation between neighbouring residuals.
    pub lag_one: f64,
}

/// Probability below which residuals count as not white (common practice, no source).
pub const WHITE_FROM: f64 = 0.01;
/// Maximum number of lags (common practice, no source).
const LAGS: usize = 20;

/// Returns the correlation of values with those `1`, `2`, .. `lags` samples before, about their
/// mean; 0 where nothing varies. Work: `lags` passes.
pub fn autocorrelation(values: &[f64], lags: usize) -> Vec<f64> {
    let n = values.len();
    let mean = values.iter().sum::<f64>() / n as f64;
    let about = |i: usize| values[i] - mean;
    let power: f64 = (0..n).map(|i| about(i).powi(2)).sum();
    let correlation = |lag: usize| {
        let sum: f64 = (lag..n).map(|i| about(i) * about(i - lag)).sum();
        if power > 0.0 { sum / power } else { 0.0 }
    };
    (1..=lags).map(correlation).collect()
}

impl Whiteness {
    /// Returns the test of residuals in the order of their samples.
    pub fn of(residuals: &[f64]) -> Self {
        let n = residuals.len();
        let lags = LAGS.min(n / 5).max(1);
        let correlations = autocorrelation(residuals, lags.min(n.saturating_sub(1)));
        let each = correlations.iter().enumerate();
        let sum: f64 = each.map(|(i, r)| r.powi(2) / (n - i - 1) as f64).sum();
        let statistic = n as f64 * (n as f64 + 2.0) * sum;
        Self {
            statistic,
            lags,
            p_value: chi_squared_beyond(statistic, lags),
            lag_one: correlations.first().copied().unwrap_or(0.0),
        }
    }

    /// Returns true if the residuals pass as white.
    pub fn white(&self) -> bool {
        self.p_value >= WHITE_FROM
    }
}

/// Returns the probability that a chi-squared variable of `freedom` degrees, at least 1, is beyond
/// `x`. This is the upper incomplete gamma function `Q(freedom/2, x/2)`, by its recurrence
/// `Q(a + 1, x) = Q(a, x) + x^a e^-x / Gamma(a + 1)`. Source: NIST Digital Library of Mathematical
/// Functions, 8.8.6; checked against SciPy.
pub fn chi_squared_beyond(x: f64, freedom: usize) -> f64 {
    if !(x > 0.0) {
        return 1.0;
    }
    let half = 0.5 * x;
    let (mut order, mut q, mut term) = if freedom.is_multiple_of(2) {
        // a = 1: Q = e^-x, and x^1 e^-x / Gamma(2) comes next.
        (1.0, (-half).exp(), half * (-half).exp())
    } else {
        // a = 1/2: Q = erfc(sqrt x), and x^(1/2) e^-x / Gamma(3/2) comes next.
        let next = 2.0 * (half / std::f64::consts::PI).sqrt() * (-half).exp();
        (0.5, erfc(half.sqrt()), next)
    };
    while order + 0.75 < 0.5 * freedom as f64 {
        q += term;
        order += 1.0;
        term *= half / order;
    }
    q.min(1.0)
}

/// Returns the complementary error function for `x >= 0`: Taylor series below 2, continued fraction
/// above, both to about 1e-15. Source: NIST Digital Library of Mathematical Functions, 7.6.2 and
/// 7.9.1.
fn erfc(x: f64) -> f64 {
    let root = std::f64::consts::PI.sqrt();
    if x < 2.0 {
        let (mut term, mut sum) = (x, x);
        for n in 1..60 {
            term *= 2.0 * x * x / f64::from(2 * n + 1);
            sum += term;
        }
        1.0 - 2.0 / root * (-x * x).exp() * sum
    } else {
        let mut fraction = 0.0;
        for n in (1..=120).rev() {
            fraction = 0.5 * f64::from(n) / (x + fraction);
        }
        (-x * x).exp() / root / (x + fraction)
    }
}

/// Returns the half width of the 95 % interval in standard errors, for `freedom` degrees: Student's
/// t by its expansion about the normal deviate. Source: Abramowitz and Stegun 1964, 26.7.5; within
/// 0.001 from 10 degrees on.
pub fn interval_95(freedom: usize) -> f64 {
    let z: f64 = 1.959_963_984_540_054;
    let v = freedom.max(1) as f64;
    let (z3, z5) = (z.powi(3), z.powi(5));
    z + (z3 + z) / (4.0 * v)
        + (5.0 * z5 + 16.0 * z3 + 3.0 * z) / (96.0 * v * v)
        + (3.0 * z.powi(7) + 19.0 * z5 + 17.0 * z3 - 15.0 * z) / (384.0 * v.powi(3))
}

/// Returns Akaike's criterion corrected for few samples, of a model with `parameters` parameters
/// (the noise's variance is one more) whose residuals have the sum of squares `rss`. Lower is
/// better. Source: Hurvich and Tsai 1989, "Regression and time series model selection in small
/// samples".
pub(super) fn aicc(rss: f64, n: usize, parameters: usize) -> f64 {
    let (n, k) = (n as f64, parameters as f64 + 1.0);
    n * (rss / n).ln() + 2.0 * k * n / (n - k - 1.0)
}

/// Returns the Bayesian criterion, as [`aicc`]. Source: Schwarz 1978, "Estimating the dimension of
/// a model".
pub(super) fn bic(rss: f64, n: usize, parameters: usize) -> f64 {
    let (n, k) = (n as f64, parameters as f64 + 1.0);
    n * (rss / n).ln() + k * n.ln()
}

/// Returns the median, the upper one of an even count; 0 for no values. Partly sorts the values.
pub(super) fn median(values: &mut [f64]) -> f64 {
    let middle = values.len() / 2;
    if values.is_empty() {
        return 0.0;
    }
    *values.select_nth_unstable_by(middle, f64::total_cmp).1
}
