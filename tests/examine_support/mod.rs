//! Common parts of the tests of examined loops.

use withy::control::controller::MotorGains;

/// Reads a motor's gains from a reference table.
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
