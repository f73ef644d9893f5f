//! `withy simulate`: runs the simulated joint as a separate process.

use std::path::PathBuf;

#[cfg(feature = "ros")]
use super::CmdError;

/// Run simulated joints, which replace the hardware and use only topics.
///
/// Takes motor setpoints on `withy/motor_setpoints` and publishes `joint_states`, `imu` and, if the
/// base has an inertial unit, `base_imu`. `~/payload` (geometry_msgs/Inertia: m in kg, com.z in m)
/// sets or removes a payload. `~/push` (geometry_msgs/WrenchStamped: force in N) pushes the head
/// plate. `~/base_orientation` (geometry_msgs/QuaternionStamped) tilts the base. `~/true_bend` and
/// `~/true_pose` publish the true state.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Simulated-joint files, all in one simulated time; by default the glasshouse guide's neck.
    #[arg(value_name = "SIMULATED.yaml")]
    pub joints: Vec<PathBuf>,
    /// Random seed of the build and of the noise.
    #[arg(long, value_name = "N")]
    pub seed: Option<u64>,
    /// Build the joint with errors from the seed: radii within 2 %, anchors within 1 deg, zeros
    /// within 0.5 deg.
    #[arg(long)]
    pub tolerances: bool,
    /// Motor stiction, rad.
    #[arg(long, value_name = "RAD")]
    pub stiction_rad: Option<f64>,
    /// Rate of IMU samples, Hz.
    #[arg(long, value_name = "HZ")]
    pub imu_rate_hz: Option<f64>,
    /// Sensor latency of an IMU sample when it arrives, ms.
    #[arg(long, value_name = "MS")]
    pub imu_latency_ms: Option<f64>,
    /// Motor speed limit as a share of that in the file.
    #[arg(long, value_name = "SHARE")]
    pub motor_speed_scale: Option<f64>,
    /// Mass of the payload at start, g.
    #[arg(long, value_name = "G", default_value_t = 0.0)]
    pub payload_g: f64,
    /// Height of the payload's centre above the beam's end, mm.
    #[arg(long, value_name = "MM", default_value_t = 50.0)]
    pub payload_height_mm: f64,
    /// Duration of a push, ms.
    #[arg(long, value_name = "MS", default_value_t = 150.0)]
    pub push_ms: f64,
    /// Amplitude of the base's oscillation about its y axis (pitch), deg; 0: the base does not
    /// move.
    #[arg(long, value_name = "DEG", default_value_t = 0.0)]
    pub base_oscillation_deg: f64,
    /// Frequency of the base's oscillation, Hz.
    #[arg(long, value_name = "HZ", default_value_t = 0.0)]
    pub base_oscillation_hz: f64,
    /// Publish the time on `/clock`, for nodes with `use_sim_time`; stamps are in this time.
    #[arg(long)]
    pub clock: bool,
    /// Simulated seconds per second, with --clock; by default 1, and with --lockstep as many as the
    /// machine can compute.
    #[arg(long, value_name = "FACTOR", requires = "clock")]
    pub speed: Option<f64>,
    /// Run in lockstep: simulated time advances only when the node has answered, so that the motion
    /// is the same on any machine.
    #[arg(long, requires = "clock")]
    pub lockstep: bool,
    /// Longest step of simulated time, with --lockstep, ms; by default the IMU's sample period.
    #[arg(long, value_name = "MS", requires = "lockstep")]
    pub step_ms: Option<f64>,
    /// Also wait for this node (its full name), which answers on its topic `~/acknowledged`; may be
    /// given several times.
    #[arg(long, value_name = "NODE", requires = "lockstep")]
    pub wait_for: Vec<String>,
    /// Longest wait for an answer before simulated time advances without it, s.
    #[arg(long, value_name = "S", default_value_t = 10.0, requires = "lockstep")]
    pub patience_s: f64,
}

/// Returns the base oscillation given by the options, if any.
#[cfg(feature = "ros")]
fn swing(args: &Args) -> Result<Option<crate::sim::beam::BaseOscillation>, CmdError> {
    let refused = |flag: &str, value: f64, accepted: &str| {
        let sentence = format!("{flag} is {value}; accepted: {accepted}");
        Err(CmdError::Input(sentence))
    };
    let (degrees, frequency) = (args.base_oscillation_deg, args.base_oscillation_hz);
    if !(0.0..=90.0).contains(&degrees) {
        return refused("--base-oscillation-deg", degrees, "0 to 90");
    }
    if !(0.0..=5.0).contains(&frequency) {
        return refused("--base-oscillation-hz", frequency, "0 to 5");
    }
    if (degrees > 0.0) != (frequency > 0.0) {
        let (flag, value, other) = if degrees > 0.0 {
            ("--base-oscillation-hz", frequency, "--base-oscillation-deg")
        } else {
            ("--base-oscillation-deg", degrees, "--base-oscillation-hz")
        };
        return refused(flag, value, &format!("above 0 where {other} is"));
    }
    Ok((degrees > 0.0).then(|| crate::sim::beam::BaseOscillation {
        axis: nalgebra::Vector3::y(),
        amplitude: degrees.to_radians(),
        frequency,
        pivot: nalgebra::Vector3::zeros(),
    }))
}

/// The glasshouse guide's neck, used if no file is given.
#[cfg(feature = "ros")]
const GLASSHOUSE: &str = include_str!("../../config/glasshouse-neck-simulated.yaml");

/// Reads the simulated-joint file given, or the glasshouse guide's neck.
#[cfg(feature = "ros")]
pub(super) fn load(
    file: Option<&std::path::Path>,
) -> Result<crate::files::SimulatedFile, CmdError> {
    use crate::files::SimulatedFile;

    let read = match file {
        Some(file) => SimulatedFile::load(file),
        None => SimulatedFile::from_text("the built-in glasshouse neck", GLASSHOUSE),
    };
    read.map_err(|e| CmdError::Input(e.to_string()))
}

/// Returns the file's content with the options applied.
#[cfg(feature = "ros")]
fn changed(mut file: crate::files::SimulatedFile, args: &Args) -> crate::files::SimulatedFile {
    if let Some(seed) = args.seed {
        file.seed = seed;
    }
    let options = &mut file.options;
    if args.tolerances {
        options.tolerances = Some(crate::sim::beam::Tolerances::default());
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
#[cfg(feature = "ros")]
fn pace(
    args: &Args,
    files: &[crate::files::SimulatedFile],
) -> Result<crate::ros::simulated::Pace, CmdError> {
    use crate::ros::simulated::{Lockstep, Pace};

    let refused = |flag: &str, value: f64, accepted: &str| {
        let sentence = format!("{flag} is {value}; accepted: {accepted}");
        Err(CmdError::Input(sentence))
    };
    let speed = args.speed.unwrap_or(1.0);
    if !(0.01..=20.0).contains(&speed) {
        return refused("--speed", speed, "0.01 to 20");
    }
    if !(0.1..=3600.0).contains(&args.patience_s) {
        return refused("--patience-s", args.patience_s, "0.1 to 3600");
    }
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
    if !(1.0..=100.0).contains(&step_ms) {
        return refused("--step-ms", step_ms, "1 to 100");
    }
    Ok(Pace::Lockstep(Lockstep {
        step: step_ms * 1e-3,
        speed: args.speed,
        wait_for: args.wait_for.clone(),
        patience: std::time::Duration::from_secs_f64(args.patience_s),
    }))
}

/// Runs until SIGINT or SIGTERM.
///
/// # Errors
/// A bad file or option, or a ROS graph that cannot be reached.
#[cfg(feature = "ros")]
pub fn run(args: &Args) -> Result<(), CmdError> {
    use crate::ros::context::NodeError;
    use crate::ros::simulated::{Simulated, SimulatedError, simulate};

    let files = match args.joints.as_slice() {
        [] => vec![load(None)?],
        some => some
            .iter()
            .map(|file| load(Some(file)))
            .collect::<Result<_, _>>()?,
    };
    let files: Vec<_> = files.into_iter().map(|file| changed(file, args)).collect();
    if !(args.push_ms >= 0.0 && args.push_ms <= 10_000.0) {
        let sentence = format!("--push-ms is {}; accepted: 0 to 10000", args.push_ms);
        return Err(CmdError::Input(sentence));
    }
    let swing = swing(args)?;
    let pace = pace(args, &files)?;
    tracing_subscriber::fmt()
        .with_writer(std::io::stderr)
        .with_target(false)
        .with_ansi(std::io::IsTerminal::is_terminal(&std::io::stderr()))
        .with_env_filter(
            tracing_subscriber::EnvFilter::try_from_default_env()
                .unwrap_or_else(|_| tracing_subscriber::EnvFilter::new("info")),
        )
        .init();
    let joints = files.into_iter().map(|file| Simulated {
        file,
        payload: (args.payload_g * 1e-3, args.payload_height_mm * 1e-3),
        push_duration: args.push_ms * 1e-3,
        swing,
    });
    let joints: Vec<_> = joints.collect();
    simulate(&joints, &pace).map_err(|error| match error {
        SimulatedError::Joint(_) | SimulatedError::Node(NodeError::Context(_)) => {
            CmdError::Input(error.to_string())
        }
        SimulatedError::Node(_) => CmdError::Failed(error.to_string()),
    })
}

/// Returns the bend of the simulated joint in `file` with its motors held at `setpoints` (the pan's
/// last), while the head plate is pushed with `force` (N, base frame) for `duration` s. The result
/// covers `seconds` from the beginning of the push, at time 0. `payload`: mass, kg, and height, m.
///
/// # Errors
/// A payload, setpoints or push that the simulated joint refuses, in one sentence.
#[cfg(feature = "ros")]
pub(super) fn push_with_motors_still(
    file: &crate::files::SimulatedFile,
    payload: (f64, f64),
    setpoints: &[f64],
    force: nalgebra::Vector3<f64>,
    duration: f64,
    seconds: f64,
) -> Result<Vec<crate::design::trial::BendSample>, String> {
    use crate::design::trial::BendSample;
    use crate::sim::beam::{DriveKind, Plant, STEP};

    /// Time to come to rest before the push, s.
    const REST: f64 = 5.0;
    let words = |e: &dyn std::fmt::Display| e.to_string();
    let mut plant =
        Plant::new(&file.description, &file.options, file.seed).map_err(|e| words(&e))?;
    plant
        .set_payload(payload.0, payload.1)
        .map_err(|e| words(&e))?;
    let mut samples = Vec::new();
    let mut pushed = false;
    loop {
        let time = plant.time() - REST;
        plant
            .command(DriveKind::Position, setpoints)
            .map_err(|e| words(&e))?;
        if time >= 0.0 {
            if !pushed {
                pushed = true;
                plant.push(force, duration).map_err(|e| words(&e))?;
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
