//! The equations of a design: three specifications, one root.
//!
//! At the crossover w the joint has magnitude a, unwrapped phase psi and phase fall D = -d psi/d ln
//! w. The loop's phase must be -pi + margin there, so the law's phase is `margin - pi - psi`. The
//! loop's magnitude must be 1, so the law's is 1/a. The loop's phase must be flat, so the law's
//! must rise by D per `ln w`. Flat phase as a specification: Chen and Moore 2005, "Relay feedback
//! tuning of robust PID controllers with iso-damping property", IEEE Trans. SMC B 35(1) (from
//! memory).

use super::{Form, Reason, Specification};
use crate::control::controller::MotorGains;
use crate::control::solve::{halfway, root};
use crate::design::model::{Law, Plant};
use nalgebra::Complex;
use std::f64::consts::{FRAC_2_PI, FRAC_PI_2, PI};

/// Derivative corner of a law without derivative, for one that is set during operation, rad/s.
pub(super) const UNUSED_CORNER: f64 = 100.0;

/// Properties of the law required at the crossover.
struct Wanted {
    /// Phase of the law, rad.
    phase: f64,
    /// Magnitude of the law.
    size: f64,
    /// Rise of its phase with respect to `ln w`, rad.
    rise: f64,
}

impl Wanted {
    fn of(plant: &Plant, asked: &Specification) -> Self {
        let w = asked.crossover;
        Self {
            phase: asked.phase_margin - PI - plant.phase(w),
            size: 1.0 / plant.magnitude(w),
            rise: plant.phase_fall(w),
        }
    }
}

/// Returns the order nu of `kp + k s^(-nu)` or `kp + k s^nu` for a flat phase. The law's phase lags
/// or leads by `phi`, `0 < phi < pi`, and rises by `fall` rad per `ln w`. The order is the root of
///
/// `nu sin phi (cos phi - sin phi cot(nu pi/2)) = fall` on `(2 phi/pi, 2)`.
///
/// The left side rises strictly from 0 to infinity there, so there is exactly one root for
/// `fall > 0`, and none otherwise. It is the derivative of `arg(kp + k (jw)^nu)` with respect to
/// `ln w` with the two gains expressed by phi.
///
/// Multiplied by `sin alpha`, `alpha = nu pi/2`, the equation has no pole:
/// `nu sin phi sin(alpha - phi) = fall sin alpha`. Newton's steps run inside the bracket, from the
/// root for a nearby constant in place of the first nu; three or four are enough.
pub fn flat_phase_order(phi: f64, fall: f64) -> Option<f64> {
    if !(phi > 0.0 && phi < PI && fall > 0.0 && fall.is_finite()) {
        return None;
    }
    Some(FRAC_2_PI * flat_phase_angle(phi, fall))
}

fn flat_phase_angle(phi: f64, fall: f64) -> f64 {
    let (sin_phi, cos_phi) = phi.sin_cos();
    let (square, product) = (sin_phi * sin_phi, sin_phi * cos_phi);
    let nearby = |nu: f64| (nu * square).atan2(nu * product - fall);
    let start = nearby((FRAC_2_PI * nearby(1.0)).clamp(0.1, 2.0));
    let start = if phi < start && start < PI {
        start
    } else {
        halfway(phi, PI)
    };
    let value = |alpha: f64| {
        let (sin, cos) = alpha.sin_cos();
        let ahead = sin * product - cos * square;
        let value = FRAC_2_PI * alpha * ahead - fall * sin;
        let slope = FRAC_2_PI * (ahead + alpha * (cos * product + sin * square)) - fall * cos;
        (value, slope)
    };
    root(value, phi, PI, start)
}

/// Returns the gains of `form` that meet `asked` with flat phase around `plant` (delays included).
/// They are not checked for stability.
pub(super) fn gains(
    plant: &Plant,
    asked: &Specification,
    form: Form,
) -> Result<MotorGains, Reason> {
    let wanted = Wanted::of(plant, asked);
    if !(wanted.rise > 0.0) {
        return Err(Reason::FlatAlready);
    }
    match form {
        Form::ProportionalIntegral => proportional_integral(&wanted, asked),
        Form::ProportionalDerivative { corner } => proportional_derivative(&wanted, asked, corner),
        Form::Full {
            integral_order,
            derivative_order,
            corner,
        } => full(&wanted, asked, integral_order, derivative_order, corner),
    }
}

fn proportional_integral(wanted: &Wanted, asked: &Specification) -> Result<MotorGains, Reason> {
    // The law lags by phi. Its gains are the imaginary part of kp + ki w^-nu e^(-j alpha) = e^(-j
    // phi)/a, then the real part.
    let phi = -wanted.phase;
    if !(phi > 0.0) {
        let most = asked.phase_margin + phi;
        return Err(Reason::TooMuchLag { most });
    }
    // phi is below pi, since the joint lags and the margin is above zero.
    let alpha = flat_phase_angle(phi, wanted.rise);
    let order = FRAC_2_PI * alpha;
    let scale = wanted.size / alpha.sin();
    Ok(MotorGains {
        kp: scale * (alpha - phi).sin(),
        ki: scale * phi.sin() * asked.crossover.powf(order),
        kd: 0.0,
        integral_order: order,
        derivative_order: 1.0,
        derivative_corner: UNUSED_CORNER,
    })
}

fn proportional_derivative(
    wanted: &Wanted,
    asked: &Specification,
    corner: f64,
) -> Result<MotorGains, Reason> {
    // The law leads by phi.
    let phi = wanted.phase;
    if !(phi > 0.0) {
        let least = asked.phase_margin - phi;
        return Err(Reason::NoLeadNeeded { least });
    }
    let most = asked.phase_margin + PI - phi;
    if !(phi < PI) {
        return Err(Reason::TooMuchLag { most });
    }
    let w = asked.crossover;
    let (order, angle, part) = if corner.is_infinite() {
        let alpha = flat_phase_angle(phi, wanted.rise);
        (FRAC_2_PI * alpha, alpha, w.powf(FRAC_2_PI * alpha))
    } else {
        let order = rolled_order(phi, wanted.rise, w / corner).ok_or(Reason::NoOrder)?;
        let roll = f64::from(Law::roll_off_of(order));
        let x = w / corner;
        let angle = order * FRAC_PI_2 - roll * x.atan();
        (order, angle, w.powf(order) / x.hypot(1.0).powf(roll))
    };
    let scale = wanted.size / angle.sin();
    Ok(MotorGains {
        kp: scale * (angle - phi).sin(),
        ki: 0.0,
        kd: scale * phi.sin() / part,
        integral_order: 1.0,
        derivative_order: order,
        derivative_corner: corner,
    })
}

/// Returns the order of a derivative with its roll-off, `x = w/corner`. This is
/// [`flat_phase_order`]'s equation with the operator's own phase, `alpha = nu pi/2 - n atan x`, and
/// logarithmic slope, `nu - n x^2/(1 + x^2) - j n x/(1 + x^2)`, in place of `nu pi/2` and nu. The
/// number n of roll-off poles changes at order 1, so there are two intervals to search.
fn rolled_order(phi: f64, fall: f64, x: f64) -> Option<f64> {
    let square = 1.0 + x * x;
    let sin_phi = phi.sin();
    for (roll, low, high) in [(1.0, 0.0, 1.0), (2.0, 1.0 + f64::EPSILON, 2.0 - 1e-9)] {
        let angle = |nu: f64| nu * FRAC_PI_2 - roll * x.atan();
        let value = |nu: f64| {
            let (alpha, rise, turn) = (angle(nu), nu - roll * x * x / square, -roll * x / square);
            let (sin, cos) = (alpha - phi).sin_cos();
            let value = sin_phi * (rise * sin + turn * cos) - fall * alpha.sin();
            let slope = sin_phi * (sin + FRAC_PI_2 * (rise * cos - turn * sin))
                - FRAC_PI_2 * fall * alpha.cos();
            (value, slope)
        };
        // Below phi the proportional gain would be negative.
        let low = low.max(FRAC_2_PI * (phi + roll * x.atan()));
        if low < high && value(low).0 < 0.0 && value(high).0 >= 0.0 {
            return Some(root(value, low, high, halfway(low, high)));
        }
    }
    None
}

/// Solves for the three gains: real part, imaginary part and slope at the crossover are linear in
/// them; the real part gives kp.
fn full(
    wanted: &Wanted,
    asked: &Specification,
    integral_order: f64,
    derivative_order: f64,
    corner: f64,
) -> Result<MotorGains, Reason> {
    let w = asked.crossover;
    let unit = MotorGains {
        kp: 0.0,
        ki: 0.0,
        kd: 1.0,
        integral_order,
        derivative_order,
        derivative_corner: corner,
    };
    let target = Complex::from_polar(wanted.size, wanted.phase);
    let integral = Complex::from_polar(w.powf(-integral_order), -integral_order * FRAC_PI_2);
    let (derivative, slope) = Law::new(&unit).derivative(w);
    // Im(C'/C) = rise with C' = -lambda ki X + (slope) kd Y, times |C|^2.
    let turned = |part: Complex<f64>| (part * target.conj()).im;
    let (a, b) = (integral.im, derivative.im);
    let (c, d) = (
        turned(integral * -integral_order),
        turned(derivative * slope),
    );
    let (e, f) = (target.im, wanted.rise * target.norm_sqr());
    let determinant = a * d - b * c;
    if !(determinant.abs() > 1e-12 * ((a * d).abs() + (b * c).abs())) {
        return Err(Reason::NoOrder);
    }
    let ki = (e * d - b * f) / determinant;
    let kd = (a * f - e * c) / determinant;
    let kp = target.re - ki * integral.re - kd * derivative.re;
    for (key, value) in [("kp", kp), ("ki", ki), ("kd", kd)] {
        if !(value >= 0.0 && value.is_finite()) {
            return Err(Reason::NegativeGain { key, value });
        }
    }
    Ok(MotorGains { kp, ki, kd, ..unit })
}

/// Returns the integer PI of the same margin and crossover, with the flattest phase it can have.
/// None if it would need a negative gain.
pub fn integer_pi(plant: &Plant, asked: &Specification) -> Option<MotorGains> {
    let wanted = Wanted::of(plant, asked);
    let phi = -wanted.phase;
    // cos(pi/2) as computed is above zero: a margin at the integral's limit keeps kp = 0 within
    // rounding.
    (phi > 0.0 && phi <= FRAC_PI_2).then(|| MotorGains {
        kp: wanted.size * phi.cos(),
        ki: wanted.size * phi.sin() * asked.crossover,
        kd: 0.0,
        integral_order: 1.0,
        derivative_order: 1.0,
        derivative_corner: UNUSED_CORNER,
    })
}
