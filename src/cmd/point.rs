//! `withy point`: a pose by inclination and direction, for people.

#[cfg(feature = "ros")]
use super::CmdError;

/// Send a joint to a pose, wait until it is held, print what was reached.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Inclination from the base plate's normal, deg, 0 to 180.
    #[arg(long, value_name = "DEG")]
    pub inclination_deg: f64,
    /// Direction of the lean, from +x toward +y, deg.
    #[arg(long, value_name = "DEG", allow_negative_numbers = true)]
    pub direction_deg: f64,
    /// Name of the joint's node, with its namespace.
    #[arg(long, value_name = "NAME", default_value = "/withy")]
    pub node: String,
    /// Give up after this long, s, above 0.
    #[arg(long, value_name = "S", default_value_t = 10.0)]
    pub timeout_s: f64,
}

/// Sends, waits, prints.
///
/// # Errors
/// No answer, or the pose was not held in time.
#[cfg(feature = "ros")]
pub fn run(args: &Args) -> Result<(), CmdError> {
    use crate::geometry::{bend_from, direction, inclination};
    use crate::node::{self, NodeError, PointError};
    use std::time::Duration;

    let check = |key: &str, value: f64, accepted: &str, good: bool| {
        let sentence = format!("{key} is {value}; accepted: {accepted}");
        if good {
            Ok(())
        } else {
            Err(CmdError::Input(sentence))
        }
    };
    let (theta, phi) = (args.inclination_deg, args.direction_deg);
    let good = (0.0..=180.0).contains(&theta);
    check("--inclination-deg", theta, "0 to 180", good)?;
    let good = (-360.0..=360.0).contains(&phi);
    check("--direction-deg", phi, "-360 to 360", good)?;
    let most = args.timeout_s;
    let good = most > 0.0 && most <= 86_400.0;
    check("--timeout-s", most, "above 0, at most 86400", good)?;
    let node = if args.node.starts_with('/') {
        args.node.clone()
    } else {
        format!("/{}", args.node)
    };

    let asked = bend_from(theta.to_radians(), phi.to_radians());
    let answer = node::point(&node, asked, Duration::from_secs_f64(most));
    let answer = answer.map_err(|error| match error {
        PointError::Node(NodeError::Context(_)) => CmdError::Input(error.to_string()),
        _ => CmdError::Failed(error.to_string()),
    })?;
    println!("asked    {}", words(theta, Some(phi)));
    let mut error = 0.0;
    if let Some(bend) = answer.reached {
        let at = direction(bend).map(f64::to_degrees);
        println!("reached  {}", words(inclination(bend).to_degrees(), at));
        error = (bend - asked).norm().to_degrees();
        println!("error    {error:.2} deg");
    } else {
        println!("reached  unknown: no head pose was seen");
    }
    if !answer.held {
        return Err(CmdError::Failed(format!(
            "the pose was not held within {most} s; /diagnostics says what the joint does"
        )));
    }
    if error > ELSEWHERE {
        return Err(CmdError::Failed(format!(
            "the joint holds a pose {error:.1} deg from the one asked: its limits.inclination cuts commands beyond it"
        )));
    }
    println!("held after {:.2} s", answer.took);
    Ok(())
}

/// Error from which a pose that is held is another one than was asked, deg: above any tolerance of
/// holding and any noise.
#[cfg(feature = "ros")]
const ELSEWHERE: f64 = 3.0;

/// Inclination and direction, deg, for people.
#[cfg(feature = "ros")]
fn words(inclination: f64, direction: Option<f64>) -> String {
    match direction {
        Some(direction) => {
            format!("inclination {inclination:.2} deg, direction {direction:.1} deg")
        }
        None => format!("inclination {inclination:.2} deg (too small to have a direction)"),
    }
}
