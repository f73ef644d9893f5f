//! `withy simulate`: runs the simulated joint as a separate process.

#[cfg(feature = "ros")]
mod run;

#[cfg(feature = "ros")]
pub use run::run;
#[cfg(feature = "ros")]
pub(super) use run::{StillError, load, push_with_motors_still};

use std::path::PathBuf;

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
