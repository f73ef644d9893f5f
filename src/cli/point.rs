//! `withy point`: sends a gaze point, or a pose by inclination and direction.

#[cfg(feature = "ros")]
use super::CmdError;
#[cfg(feature = "ros")]
use crate::control::geometry::{
    Configuration, bend_from, configuration, direction, inclination, orientation,
};
#[cfg(feature = "ros")]
use crate::ros::client::{Point, PointTarget};

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

fn three(text: &str) -> Result<Three, String> {
    let bad = || "accepted: three numbers, as in 0.4,-0.1,0.2".to_string();
    let numbers: Result<Vec<f64>, _> = text.split(',').map(|n| n.trim().parse()).collect();
    let numbers = numbers.map_err(|_| bad())?;
    numbers.try_into().map(Three).map_err(|_| bad())
}

/// Sends the target, waits and prints the result.
///
/// # Errors
/// No answer, or the target was refused, not held in time, or only partly reached.
#[cfg(feature = "ros")]
pub fn run(args: &Args) -> Result<(), CmdError> {
    use crate::ros::client::{self, PointError};
    use crate::ros::context::NodeError;
    use std::time::Duration;

    let target = target(args)?;
    let most = args.timeout_s;
    let good = most > 0.0 && most <= 86_400.0;
    check("--timeout-s", most, "above 0, at most 86400", good)?;
    let node = if args.node.starts_with('/') {
        args.node.clone()
    } else {
        format!("/{}", args.node)
    };
    let answer = client::point(&node, &target, Duration::from_secs_f64(most));
    let answer = answer.map_err(|error| match error {
        PointError::Node(NodeError::Context(_)) => CmdError::Input(error.to_string()),
        _ => CmdError::Failed(error.to_string()),
    })?;
    tell(args, &target, &answer)
}

#[cfg(feature = "ros")]
fn check(key: &str, value: f64, accepted: &str, good: bool) -> Result<(), CmdError> {
    if good {
        return Ok(());
    }
    let sentence = format!("{key} is {value}; accepted: {accepted}");
    Err(CmdError::Input(sentence))
}

/// Returns the target given by the arguments.
#[cfg(feature = "ros")]
fn target(args: &Args) -> Result<PointTarget, CmdError> {
    if let Some(Three(at)) = args.at_m {
        for number in at {
            check("--at-m", number, "finite numbers", number.is_finite())?;
        }
        return Ok(PointTarget::Point {
            at: at.into(),
            frame: args.frame.clone().unwrap_or_default(),
        });
    }
    // The parser ensures that both are given if there is no point.
    let theta = args.inclination_deg.unwrap_or(f64::NAN);
    let phi = args.direction_deg.unwrap_or(f64::NAN);
    let pan = args.pan_deg.unwrap_or(0.0);
    let good = (0.0..=180.0).contains(&theta);
    check("--inclination-deg", theta, "0 to 180", good)?;
    let turn = -360.0..=360.0;
    check("--direction-deg", phi, "-360 to 360", turn.contains(&phi))?;
    check("--pan-deg", pan, "-360 to 360", turn.contains(&pan))?;
    // The bend is expressed in the frame that the pan turns.
    let bend = bend_from(theta.to_radians(), (phi - pan).to_radians());
    Ok(PointTarget::Pose(configuration(bend, pan.to_radians())))
}

/// Prints the result.
#[cfg(feature = "ros")]
fn tell(args: &Args, target: &PointTarget, answer: &Point) -> Result<(), CmdError> {
    let what = match target {
        PointTarget::Pose(asked) => {
            println!("commanded  {}", pose_words(*asked, args.pan_deg.is_some()));
            match answer.reached {
                Some(at) => {
                    println!("reached    {}", pose_words(at, args.pan_deg.is_some()));
                    println!("error      {:.2} deg", apart(*asked, at).to_degrees());
                }
                None => println!("reached    unknown: no head pose was seen"),
            }
            "the pose"
        }
        PointTarget::Point { at, frame } => {
            let frame = match frame.as_str() {
                "" => "the base frame",
                frame => frame,
            };
            println!("commanded  ({}, {}, {}) m in {frame}", at.x, at.y, at.z);
            if let Some(said) = &answer.said {
                let measured = match answer.residual {
                    Some(angle) => format!("{:.2} deg measured", angle.to_degrees()),
                    None => "none was measured".into(),
                };
                println!("outcome    {}", said.outcome);
                let least = said.least.to_degrees();
                println!("left       {least:.2} deg at least, {measured}");
            }
            "the point"
        }
    };
    if answer.ended {
        return Err(CmdError::Failed(format!(
            "{what} was not held: another command, a hold or an outage ended it; /diagnostics says \
             what the joint does"
        )));
    }
    if !answer.held {
        return Err(CmdError::Failed(format!(
            "{what} was not held within {} s; /diagnostics says what the joint does",
            args.timeout_s
        )));
    }
    match (target, &answer.said, answer.reached) {
        (PointTarget::Point { .. }, Some(said), _) if said.outcome != "reached" => {
            return Err(CmdError::Failed(format!(
                "the joint cannot look at the point ({}): it holds where {:.1} deg are left over",
                said.outcome,
                said.least.to_degrees()
            )));
        }
        (PointTarget::Pose(asked), _, Some(at)) => {
            let error = apart(*asked, at).to_degrees();
            if error > ELSEWHERE {
                return Err(CmdError::Failed(format!(
                    "the joint holds a pose {error:.1} deg from the commanded one: its \
                     limits.inclination limits commands, and yaw needs a pan motor"
                )));
            }
        }
        _ => {}
    }
    println!("held after {:.2} s", answer.took);
    Ok(())
}

/// Error from which a held pose counts as different from the commanded one, deg: above any
/// tolerance of holding and any noise.
#[cfg(feature = "ros")]
const ELSEWHERE: f64 = 3.0;

/// Returns the angle of the rotation between the orientations of two configurations, rad.
#[cfg(feature = "ros")]
fn apart(a: Configuration, b: Configuration) -> f64 {
    orientation(a.z, a.xy()).angle_to(&orientation(b.z, b.xy()))
}

/// Returns inclination, direction in the base frame and optionally the pan angle, deg, for people.
#[cfg(feature = "ros")]
fn pose_words(configuration: Configuration, with_pan: bool) -> String {
    let inclination = inclination(configuration.xy()).to_degrees();
    let pan = configuration.z.to_degrees();
    let mut words = match direction(configuration.xy()).map(f64::to_degrees) {
        Some(direction) => {
            let direction = (direction + pan + 180.0).rem_euclid(360.0) - 180.0;
            format!("inclination {inclination:.2} deg, direction {direction:.1} deg")
        }
        None => format!("inclination {inclination:.2} deg (too small to have a direction)"),
    };
    if with_pan {
        words += &format!(", pan {pan:.2} deg");
    }
    words
}
