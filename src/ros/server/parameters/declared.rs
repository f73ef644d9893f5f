//! The declared parameters of a joint: names, types, ranges and descriptions.

use std::collections::BTreeMap;

use super::{
    Entry, GainKey, HEAVIEST, Key, LimitKey, MotorKey, NOT_TOLD, Range, USE_SIM_TIME, Value, quoted,
};
use super::{commands, kept, supervised};
use crate::control::bounds;
use crate::control::controller::CommandInterface;
use crate::files::{JointFile, SetpointMessage, TickSource};

/// Returns all parameters of a joint by name.
pub(super) fn entries(file: &JointFile, simulated_time: bool) -> BTreeMap<String, Entry> {
    let mut entries = BTreeMap::new();
    let mut add = |name: String, key, description: &str, constraints: String| {
        let entry = Entry {
            key,
            description: description.into(),
            constraints,
            range: None,
            unit: "",
        };
        entries.insert(name, entry);
    };
    let sets = quoted(file.gain_sets.iter().map(|s| &s.name));
    add(
        "gain_set".into(),
        Key::GainSet,
        "Gain set in force, for all motors at once; choosing one discards changes of single gains.",
        format!("one of {sets}"),
    );
    add(
        "feedback".into(),
        Key::Feedback,
        "Source of the measured bend: the IMU, which corrects sag, or the motors' encoders.",
        "'imu' or 'motors'".into(),
    );
    add(
        "gain_set_file".into(),
        Key::GainSetFile,
        "Gain-set file to read, relative to the joint file, and to add to gain_sets; gain_set then \
         chooses it.",
        "a file that is accepted, of a gain set with a new name".into(),
    );
    add(
        "examine.action".into(),
        Key::ExamineAction,
        "Reaction to gains below the floor on a model of the joint: a warning or a refusal. Gains \
         that are unstable on a model are refused. With off, nothing is examined.",
        "'off', 'warn' or 'refuse'".into(),
    );
    add(
        "autostart".into(),
        Key::Autostart,
        "Whether the node configures itself at start, and activates itself as soon as the joint is ready.",
        "given at start only".into(),
    );
    for (name, value, description) in fixed(file, simulated_time) {
        add(name.into(), Key::Fixed(value), description, String::new());
    }
    for (name, key, range, unit, description) in numbers(file) {
        let entry = Entry {
            key,
            description,
            constraints: format!("accepted: {}", range.words(unit)),
            range: Some(range),
            unit,
        };
        entries.insert(name, entry);
    }
    entries.extend(supervised::entries());
    entries.extend(kept::entries());
    entries.extend(commands::entries());
    entries
}

fn fixed(file: &JointFile, simulated_time: bool) -> Vec<(&'static str, Value, &'static str)> {
    let text = |text: &str| Value::Text(text.into());
    let kind = match file.kind {
        CommandInterface::Position => "position",
        CommandInterface::Velocity => "velocity",
    };
    let message = match file.setpoint_message {
        SetpointMessage::JointState => "joint_state",
        SetpointMessage::Float64Array => "float64_array",
    };
    let tick = match file.tick {
        TickSource::Timer => "timer",
        TickSource::Imu => "imu",
    };
    let sets = file.gain_sets.iter().map(|s| s.name.clone()).collect();
    vec![
        (
            "joint_file",
            text(&file.file.display().to_string()),
            "The joint file.",
        ),
        (
            "motor_names",
            Value::Texts(file.motor_names.clone()),
            "Names of the motors in joint_states, in the order of the tendons.",
        ),
        (
            "gain_sets",
            Value::Texts(sets),
            "Names of the gain sets that gain_set can choose from.",
        ),
        (
            "base_frame",
            text(&file.frames.base),
            "Frame of the base plate: commands and head poses are in it.",
        ),
        (
            "head_frame",
            text(&file.frames.head),
            "Frame of the head plate.",
        ),
        (
            "setpoint_kind",
            text(kind),
            "Quantity of the setpoints: position (rad) or velocity (rad/s).",
        ),
        (
            "setpoint_message",
            text(message),
            "Message that setpoints are published in: joint_state or float64_array.",
        ),
        (
            "tick_source",
            text(tick),
            "Trigger of the control ticks: timer or imu.",
        ),
        (
            "tick_rate_hz",
            Value::Double(rate(file.joint.period)),
            "Rate of the control ticks, Hz; nominal for tick_source imu.",
        ),
        (
            "imu_rate_hz",
            Value::Double(rate(file.imu_period)),
            "Nominal rate of IMU samples, Hz.",
        ),
        (
            "motor_rate_hz",
            Value::Double(rate(file.motor_period)),
            "Nominal rate of motor samples, Hz.",
        ),
        (
            USE_SIM_TIME,
            Value::Bool(simulated_time),
            "The loop runs on the simulated time of /clock, not on the machine's clock.",
        ),
    ]
}

/// Returns the rate of a period in s, Hz, without the rounding error of the two divisions.
fn rate(period: f64) -> f64 {
    (1e9 / period).round() / 1e9
}

type Number = (String, Key, Range, &'static str, String);

fn numbers(file: &JointFile) -> Vec<Number> {
    use GainKey as G;
    use LimitKey as L;
    use MotorKey as M;
    let mut list = Vec::new();
    let gain = Range::closed(0.0, bounds::GAIN);
    let order = Range::between(0.0, 2.0);
    // This bound follows the faster stream; the law checks the feedback in force.
    let corner = Range::above(
        0.0,
        crate::control::controller::highest_corner(file.imu_period.min(file.motor_period)),
    );
    for (i, motor) in file.motor_names.iter().enumerate() {
        for (key, name, range, unit, what) in [
            (G::Kp, "kp", gain, "", "Proportional gain, rad/rad"),
            (
                G::Ki,
                "ki",
                gain,
                "",
                "Integral gain, rad/(rad s^integral_order)",
            ),
            (
                G::Kd,
                "kd",
                gain,
                "",
                "Derivative gain, rad s^derivative_order/rad",
            ),
            (
                G::IntegralOrder,
                "integral_order",
                order,
                "",
                "Order of the integral",
            ),
            (
                G::DerivativeOrder,
                "derivative_order",
                order,
                "",
                "Order of the derivative",
            ),
            (
                G::DerivativeCorner,
                "derivative_corner",
                corner,
                " rad/s",
                "Corner of the derivative's roll-off, rad/s",
            ),
        ] {
            let per_second =
                matches!(key, G::Kp | G::Ki | G::Kd) && file.kind == CommandInterface::Velocity;
            let per_second = if per_second { ", per s" } else { "" };
            let description = format!("{what}{per_second}, of motor {motor}.");
            list.push((
                format!("gains.{motor}.{name}"),
                Key::Gain(i, key),
                range,
                unit,
                description,
            ));
        }
        // The joint file holds the hardware's limits: parameters may only be stricter.
        let m = &file.limits.motors[i];
        for (key, name, range, unit, what) in [
            (
                M::TravelLow,
                "travel_low",
                Range {
                    low: m.low,
                    high: 0.0,
                    open: (false, true),
                },
                " rad",
                "Minimum angle, rad",
            ),
            (
                M::TravelHigh,
                "travel_high",
                Range::above(0.0, m.high),
                " rad",
                "Maximum angle, rad",
            ),
            (
                M::Speed,
                "speed",
                Range::above(0.0, m.speed),
                " rad/s",
                "Maximum speed, rad/s",
            ),
            (
                M::Acceleration,
                "acceleration",
                Range::above(0.0, m.acceleration),
                " rad/s^2",
                "Maximum acceleration, rad/s^2",
            ),
        ] {
            let description =
                format!("{what}, of motor {motor}; at most the value in the joint file.");
            list.push((
                format!("limits.{motor}.{name}"),
                Key::Motor(i, key),
                range,
                unit,
                description,
            ));
        }
    }
    let most = file.joint.kinematics.routing().max_inclination;
    let bend = Range::above(0.0, bounds::BEND);
    let time = Range::above(0.0, bounds::AGE);
    for (key, name, range, unit, what) in [
        (
            L::Inclination,
            "inclination",
            Range::above(0.0, most.min(bounds::BEND)),
            " rad",
            "Maximum inclination of a command, rad.",
        ),
        (
            L::OverBend,
            "over_bend",
            bend,
            " rad",
            "Measured inclination beyond which nothing moves outward, rad; at least limits.inclination.",
        ),
        (
            L::Feedback,
            "feedback",
            Range::closed(0.0, bounds::FEEDBACK),
            " rad",
            "Maximum motor angle that feedback may add, rad.",
        ),
        (
            L::StaleImu,
            "stale_imu",
            time,
            " s",
            "Age at which IMU samples no longer count, s.",
        ),
        (
            L::StaleMotors,
            "stale_motors",
            time,
            " s",
            "Age at which motor samples no longer count, s.",
        ),
        (
            L::StopAfter,
            "stop_after",
            time,
            " s",
            "Time of stale data for which the last setpoint is held before the loop restarts, s.",
        ),
    ] {
        list.push((
            format!("limits.{name}"),
            Key::Limit(key),
            range,
            unit,
            what.into(),
        ));
    }
    list.push((
        "payload.mass".into(),
        Key::PayloadMass,
        Range::closed(NOT_TOLD, HEAVIEST),
        " kg",
        "Mass of the payload on the head plate, kg; 0: none, the head plate is bare; -1: not set. \
         Setting it chooses the gain set made for it."
            .into(),
    ));
    list.push((
        "examine.margin_floor".into(),
        Key::ExamineMargin,
        Range::closed(0.0, 3.2),
        " rad",
        "Minimum phase margin on every model of the joint, rad.".into(),
    ));
    list.push((
        "examine.sensitivity_ceiling".into(),
        Key::ExamineSensitivity,
        Range::above(1.0, 100.0),
        "",
        "Maximum sensitivity peak on every model of the joint.".into(),
    ));
    list.push((
        "payload.height".into(),
        Key::PayloadHeight,
        Range::closed(0.0, 1.0),
        " m",
        "Height of the payload's centre above the beam's end, m.".into(),
    ));
    list
}
