//! What the tests of examined loops share.

use withy::control::controller::MotorGains;

/// A motor's gains in a reference table.
pub fn gains_of(value: &serde_json::Value) -> MotorGains {
    let number = |key: &str| value[key].as_f64().unwrap();
    MotorGains {
        kp: number("kp"),
        ki: number("ki"),
        kd: number("kd"),
        integral_order: number("lambda"),
        derivative_order: number("mu"),
        derivative_corner: number("corner"),
    }
}
