//! Running simulated joints.

use std::path::Path;
use std::time::Duration;

use nalgebra::Vector3;
use tracing_subscriber::EnvFilter;

use super::Args;
use crate::cli::{CmdError, output, within};
use crate::design::trial::BendSample;
use crate::files::SimulatedFile;
use crate::ros::context::NodeError;
use crate::ros::simulated::{Lockstep, Pace, Simulated, SimulatedError, simulate};
use crate::sim::beam::{
    BaseOscillation, CommandError, DescriptionError, DriveKind, Plant, STEP, Tolerances,
};

/// Returns the base oscillation given by the options, if any.
fn base_oscillation(args: &Args) -> Result<Option<BaseOscillation>, CmdError> {
    let degrees = within(
        "--base-oscillation-deg",
        args.base_oscillation_deg,
        0.0,
        90.0,
    )?;
    let frequency = within("--base-oscillation-hz", args.base_oscillation_hz, 0.0, 5.0)?;
    if (degrees > 0.0) != (frequency > 0.0) {
        let (option, value, other) = if degrees > 0.0 {
            ("--base-oscillation-hz", frequency, "--base-oscillation-deg")
        } else {
            ("--base-oscillation-deg", degrees, "--base-oscillation-hz")
        };
        let accepted = format_args!("above 0 where {other} is");
        return Err(CmdError::refused(option, value, accepted));
    }
    Ok((degrees > 0.0).then(|| BaseOscillation {
        axis: Vector3::y(),
        amplitude: degrees.to_radians(),
        frequency,
        pivot: Vector3::zeros(),
    }))
}

/// The glasshouse guide's neck, used if no file is given.
const GLASSHOUSE: &str = include_str!("../../../config/glasshouse-neck-simulated.yaml");

/// Reads the simulated-joint file given, or the glasshouse guide's neck.
pub(in crate::cli) fn load(file: Option<&Path>) -> Result<SimulatedFile, CmdError> {
    let read = match file {
        Some(file) => SimulatedFile::load(file),
        None => SimulatedFile::from_text("the built-in glasshouse neck", GLASSHOUSE),
    };
    read.map_err(CmdError::input)
}

/// Returns the file's content with the options applied.
fn changed(mut file: SimulatedFile, args: &Args) -> SimulatedFile {
    if let Some(seed) = args.seed {
        file.seed = seed;
    }
    let options = &mut file.options;
    if args.tolerances {
        options.tolerances = Some(Tolerances::default());
    }
    let changes = [
        (args.stiction_rad, &mut options.stiction),
        (args.imu_rate_hz, &mut options.sensors.imu_rate),
        (
            args.imu_latency_ms.map(|ms| ms * 1e-3),
            &mut options.sensors.imu_age,
        ),
        (args.motor_speed_scale, &mut options.motor_speed_scale),
    ];
    for (given, value) in changes {
        if let Some(given) = given {
            *value = given;
        }
    }
    file
}

/// Returns the pace of time given by the options.
fn pace(args: &Args, files: &[SimulatedFile]) -> Result<Pace, CmdError> {
    let speed = within("--speed", args.speed.unwrap_or(1.0), 0.01, 20.0)?;
    let patience = within("--patience-s", args.patience_s, 0.1, 3600.0)?;
    if !args.lockstep {
        return Ok(if args.clock {
            Pace::Clock(speed)
        } else {
            Pace::Real
        });
    }
    let rates = files.iter().map(|file| file.options.sensors.imu_rate);
    let step_ms = args
        .step_ms
        .unwrap_or_else(|| 1e3 / rates.fold(1.0, f64::max));
    Ok(Pace::Lockstep(Lockstep {
        step: within("--step-ms", step_ms, 1.0, 100.0)? * 1e-3,
        speed: args.speed,
        wait_for: args.wait_for.clone(),
        patience: Duration::from_secs_f64(patience),
    }))
}

/// Runs until SIGINT or SIGTERM.
///
/// # Errors
/// A bad file or option, or a ROS graph that cannot be reached.
pub fn run(args: &Args) -> Result<(), CmdError> {
    let files = match args.joints.as_slice() {
        [] => vec![load(None)?],
        some => some
            .iter()
            .map(|file| load(Some(file)))
            .collect::<Result<_, _>>()?,
    };
    let files: Vec<_> = files.into_iter().map(|file| changed(file, args)).collect();
    let push_ms = within("--push-ms", args.push_ms, 0.0, 10_000.0)?;
    let base_oscillation = base_oscillation(args)?;
    let pace = pace(args, &files)?;
    tracing_subscriber::fmt()
        .with_writer(std::io::stderr)
        .with_target(false)
        .with_ansi(output::logs_are_coloured())
        .with_env_filter(
            EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new("info")),
        )
        .init();
    let joints = files.into_iter().map(|file| Simulated {
        file,
        payload: (args.payload_g * 1e-3, args.payload_height_mm * 1e-3),
        push_duration: push_ms * 1e-3,
        base_oscillation,
    });
    let joints: Vec<_> = joints.collect();
    simulate(&joints, &pace).map_err(|error| match error {
        SimulatedError::Joint(_) | SimulatedError::Node(NodeError::Context(_)) => {
            CmdError::input(error)
        }
        SimulatedError::Node(_) => CmdError::failed(error),
    })
}

/// What the simulated joint refuses.
#[derive(Debug, thiserror::Error)]
pub enum StillError {
    /// A joint, payload or push.
    #[error(transparent)]
    Value(#[from] DescriptionError),
    /// Setpoints of the motors.
    #[error(transparent)]
    Command(#[from] CommandError),
}

/// Returns the bend of the simulated joint in `file` with its motors held at `setpoints` (the pan's
/// last), while the head plate is pushed with `force` (N, base frame) for `duration` s. The result
/// covers `seconds` from the beginning of the push, at time 0. `payload`: mass, kg, and height, m.
///
/// # Errors
/// A payload, setpoints or push that the simulated joint refuses.
pub(in crate::cli) fn push_with_motors_still(
    file: &SimulatedFile,
    payload: (f64, f64),
    setpoints: &[f64],
    force: Vector3<f64>,
    duration: f64,
    seconds: f64,
) -> Result<Vec<BendSample>, StillError> {
    /// Time to come to rest before the push, s.
    const REST: f64 = 5.0;
    let mut plant = Plant::new(&file.description, &file.options, file.seed)?;
    plant.set_payload(payload.0, payload.1)?;
    let mut samples = Vec::new();
    let mut pushed = false;
    loop {
        let time = plant.time() - REST;
        plant.command(DriveKind::Position, setpoints)?;
        if time >= 0.0 {
            if !pushed {
                pushed = true;
                plant.push(force, duration)?;
            }
            samples.push(BendSample {
                time,
                bend: plant.truth().bend,
            });
        }
        if time >= seconds {
            return Ok(samples);
        }
        plant.advance(STEP);
    }
}
