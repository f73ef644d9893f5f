//! `withy point`: sends a gaze point, or a pose by inclination and direction.

#[cfg(feature = "ros")]
mod run;

#[cfg(feature = "ros")]
pub use run::run;

/// Send a joint to a pose or let it look at a point, wait until it is held, and print the pose
/// reached.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Point to look at with the camera, m.
    #[arg(
        long,
        value_name = "X,Y,Z",
        value_parser = three,
        allow_hyphen_values = true,
        required_unless_present = "inclination_deg",
        conflicts_with_all = ["inclination_deg", "direction_deg", "pan_deg"]
    )]
    pub at_m: Option<Three>,
    /// Frame of the point, known to the joint's node; by default the base frame.
    #[arg(
        long,
        value_name = "NAME",
        requires = "at_m",
        conflicts_with_all = ["inclination_deg", "direction_deg", "pan_deg"]
    )]
    pub frame: Option<String>,
    /// Inclination from the base plate's normal, deg, 0 to 180.
    #[arg(long, value_name = "DEG", requires = "direction_deg")]
    pub inclination_deg: Option<f64>,
    /// Direction of the inclination in the base frame, from +x toward +y, deg.
    #[arg(
        long,
        value_name = "DEG",
        allow_negative_numbers = true,
        requires = "inclination_deg"
    )]
    pub direction_deg: Option<f64>,
    /// Pan angle of the pose about the base frame's z axis, for a joint with a pan motor, deg; 0 if
    /// not given.
    #[arg(
        long,
        value_name = "DEG",
        allow_negative_numbers = true,
        requires = "inclination_deg"
    )]
    pub pan_deg: Option<f64>,
    /// Name of the joint's node, with its namespace.
    #[arg(long, value_name = "NAME", default_value = "/withy")]
    pub node: String,
    /// Time after which the command gives up, s, above 0.
    #[arg(long, value_name = "S", default_value_t = 10.0)]
    pub timeout_s: f64,
}

/// Three numbers.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Three(pub [f64; 3]);

/// A text is not a point.
#[derive(Debug, thiserror::Error)]
#[error("accepted: three numbers, as in 0.4,-0.1,0.2")]
struct NotThree;

fn three(text: &str) -> Result<Three, NotThree> {
    let numbers: Result<Vec<f64>, _> = text.split(',').map(|n| n.trim().parse()).collect();
    let numbers = numbers.map_err(|_| NotThree)?;
    numbers.try_into().map(Three).map_err(|_| NotThree)
}
