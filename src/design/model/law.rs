//! A motor's controller as an exact function of frequency.

use crate::control::controller::MotorGains;
use crate::control::solve::{bisect, geometric};
use nalgebra::Complex;
use std::f64::consts::{FRAC_PI_2, PI};

/// The continuous law `C(s) = kp + ki s^-lambda + kd s^mu/(s/corner + 1)^n` of one motor, prepared
/// for many frequencies. `n = 1` for mu up to 1, else 2; an infinite corner means no roll-off.
///
/// Source of `(jw)^a = w^a e^(j a pi/2)`: principal branch, e.g. NIST DLMF 4.2(iv).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Law {
    gains: MotorGains,
    roll_off: f64,
    /// Direction of `(jw)^-lambda`.
    integral: Complex<f64>,
    /// Direction of `(jw)^mu`.
    derivative: Complex<f64>,
    /// Range of frequencies where the phase of the law is below -pi, rad/s.
    behind: Option<(f64, f64)>,
}

/// The law's response at one frequency, with its slope.
pub(super) struct Sloped {
    /// The law's response.
    pub value: Complex<f64>,
    /// Its derivative with respect to `ln w`.
    pub slope: Complex<f64>,
}

impl Law {
    /// Prepares the law. Gains must be finite and 0 or more, orders inside (0, 2), the corner above
    /// 0.
    pub fn new(gains: &MotorGains) -> Self {
        let mut law = Self {
            gains: *gains,
            roll_off: f64::from(Self::roll_off_of(gains.derivative_order)),
            integral: Complex::from_polar(1.0, -gains.integral_order * FRAC_PI_2),
            derivative: Complex::from_polar(1.0, gains.derivative_order * FRAC_PI_2),
            behind: None,
        };
        law.behind = law.find_behind();
        law
    }

    /// Returns the number of roll-off poles of a derivative of `order`.
    pub fn roll_off_of(order: f64) -> u8 {
        if order <= 1.0 { 1 } else { 2 }
    }

    /// Returns the gains the law was made from.
    pub fn gains(&self) -> &MotorGains {
        &self.gains
    }

    /// Returns the transfer function at `s`, off the negative real axis.
    pub fn at(&self, s: Complex<f64>) -> Complex<f64> {
        let g = &self.gains;
        let mut sum = Complex::from(g.kp);
        if g.ki > 0.0 {
            sum += s.powf(-g.integral_order) * g.ki;
        }
        if g.kd > 0.0 {
            // 1/inf is 0: no roll-off.
            let roll = s * g.derivative_corner.recip() + 1.0;
            let roll = if self.roll_off > 1.0 {
                roll * roll
            } else {
                roll
            };
            sum += s.powf(g.derivative_order) * g.kd / roll;
        }
        sum
    }

    /// Returns the initial value of the response to a unit step: the limit for large `s`, apart
    /// from a derivative without roll-off.
    pub(crate) fn at_once(&self) -> f64 {
        let g = &self.gains;
        let jumps = g.kd > 0.0 && g.derivative_order == self.roll_off;
        g.kp + if jumps {
            g.kd * g.derivative_corner.powf(self.roll_off)
        } else {
            0.0
        }
    }

    /// Returns `(jw)^mu/(jw/corner + 1)^n` and its logarithmic slope with respect to `ln w`,
    /// `mu - n jx/(1 + jx)` with `x = w/corner`; also for a gain of 0.
    pub(crate) fn derivative(&self, w: f64) -> (Complex<f64>, Complex<f64>) {
        self.derivative_at(w, w.ln())
    }

    fn derivative_at(&self, w: f64, v: f64) -> (Complex<f64>, Complex<f64>) {
        let order = self.gains.derivative_order;
        let x = w / self.gains.derivative_corner;
        let rolled = Complex::new(1.0, -x) / (1.0 + x * x);
        let slope = order - self.roll_off * x * Complex::new(0.0, 1.0) * rolled;
        let roll = if self.roll_off > 1.0 {
            rolled * rolled
        } else {
            rolled
        };
        (self.derivative * roll * (order * v).exp(), slope)
    }

    /// Returns the response and its derivative with respect to `ln w` at `w = e^v`.
    pub(super) fn sloped(&self, w: f64, v: f64) -> Sloped {
        let g = &self.gains;
        let mut value = Complex::from(g.kp);
        let mut slope = Complex::from(0.0);
        if g.ki > 0.0 {
            let part = self.integral * (g.ki * (-g.integral_order * v).exp());
            value += part;
            slope -= part * g.integral_order;
        }
        if g.kd > 0.0 {
            let (part, rise) = self.derivative_at(w, v);
            let part = part * g.kd;
            value += part;
            slope += part * rise;
        }
        Sloped { value, slope }
    }

    /// Returns the frequency response at `w` rad/s, above 0.
    pub fn response(&self, w: f64) -> Complex<f64> {
        self.sloped(w, w.ln()).value
    }

    /// Returns the phase of the frequency response, rad. It is continuous from zero frequency,
    /// where it is `-lambda pi/2` with integral action.
    pub fn phase(&self, w: f64) -> f64 {
        self.phase_of(w, self.response(w))
    }

    /// Returns the same as [`Self::phase`] where the response at `w` is known.
    pub(super) fn phase_of(&self, w: f64, response: Complex<f64>) -> f64 {
        let behind = self.behind.is_some_and(|(from, to)| from < w && w < to);
        response.arg() - if behind { 2.0 * PI } else { 0.0 }
    }

    /// Returns the range of frequencies where the phase is below -pi.
    ///
    /// The law's parts point from `-lambda pi/2` to at most `mu pi/2`. If that is less than half a
    /// turn, their sum stays clear of the negative real axis and its principal argument is
    /// continuous. Otherwise the sum may cross that axis, where its imaginary part is zero and its
    /// real part negative. The imaginary part is
    /// `-ki w^-lambda sin(lambda pi/2) + kd |Y| sin(arg Y)`. Divided by `w^-lambda`, its second
    /// term rises from 0 to one maximum and falls again (roll-off). There are therefore two zeros
    /// or none.
    fn find_behind(&self) -> Option<(f64, f64)> {
        let g = &self.gains;
        if !(g.ki > 0.0 && g.kd > 0.0 && g.integral_order + g.derivative_order >= 2.0) {
            return None;
        }
        let zero = |w: f64| self.response(w).im;
        // Without roll-off the zero is at `early`; with it, the zero is at a higher frequency.
        let sine = |order: f64| (order * FRAC_PI_2).sin();
        let ratio = g.ki * sine(g.integral_order) / (g.kd * sine(g.derivative_order));
        let early = ratio.powf(1.0 / (g.integral_order + g.derivative_order));
        if g.derivative_corner.is_infinite() {
            return (self.response(early).re < 0.0).then_some((early, f64::INFINITY));
        }
        // d ln(|Y| sin(arg Y) w^lambda)/d ln w falls; it is
        // mu + lambda - n x^2/(1 + x^2) - n x/(1 + x^2) cot(arg Y).
        let rises = |w: f64| {
            let (part, slope) = self.derivative(w);
            part.im > 0.0 && g.integral_order + slope.re + slope.im * part.re / part.im > 0.0
        };
        let corner = g.derivative_corner;
        let (top, _) = bisect((1e-6 * corner, 1e6 * corner), 100, geometric, rises);
        if zero(top) <= 0.0 {
            return None;
        }
        let (from, _) = bisect((0.5 * early, top), 100, geometric, |w| zero(w) < 0.0);
        // Written so that NaN counts as short of it.
        let (to, _) = bisect((top, 1e9 * top), 100, geometric, |w| !(zero(w) < 0.0));
        if self.response(from).re >= 0.0 {
            return None;
        }
        let returns = zero(1e9 * top) < 0.0 && self.response(to).re < 0.0;
        Some((from, if returns { to } else { f64::INFINITY }))
    }
}
