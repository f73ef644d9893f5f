//! Sending a target.

use std::time::Duration;

use super::{Args, Three};
use crate::cli::output::Meaning;
use crate::cli::{CmdError, full_name, within};
use crate::control::gaze::Outcome;
use crate::control::geometry::{
    Configuration, bend_from, configuration, direction, inclination, orientation,
};
use crate::ros::client::{Point, PointEnd, PointError, PointTarget, point};
use crate::ros::context::NodeError;

/// Sends the target, waits and prints the result.
///
/// # Errors
/// No answer, or the target was refused, not held in time, or only partly reached.
pub fn run(args: &Args) -> Result<(), CmdError> {
    let target = target(args)?;
    let limit = args.timeout_s;
    if !(limit > 0.0 && limit <= 86_400.0) {
        let accepted = "above 0, at most 86400";
        return Err(CmdError::refused("--timeout-s", limit, accepted));
    }
    let node = full_name(&args.node);
    let answer = point(&node, &target, Duration::from_secs_f64(limit));
    let answer = answer.map_err(|error| match error {
        PointError::Node(NodeError::Context(_)) => CmdError::input(error),
        _ => CmdError::failed(error),
    })?;
    show(args, &target, &answer);
    judge(args, &target, &answer)?;
    println!("held after {:.2} s", answer.took);
    Ok(())
}

/// Returns the target given by the arguments.
fn target(args: &Args) -> Result<PointTarget, CmdError> {
    if let Some(Three(at)) = args.at_m {
        if let Some(number) = at.into_iter().find(|number| !number.is_finite()) {
            return Err(CmdError::refused("--at-m", number, "finite numbers"));
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
    let theta = within("--inclination-deg", theta, 0.0, 180.0)?;
    let phi = within("--direction-deg", phi, -360.0, 360.0)?;
    let pan = within("--pan-deg", pan, -360.0, 360.0)?;
    // The bend is expressed in the frame that the pan turns.
    let bend = bend_from(theta.to_radians(), (phi - pan).to_radians());
    Ok(PointTarget::Pose(configuration(bend, pan.to_radians())))
}

/// Prints the target and what was reached of it.
fn show(args: &Args, target: &PointTarget, answer: &Point) {
    match target {
        PointTarget::Pose(commanded) => {
            let words = |pose: Configuration| match args.pan_deg {
                Some(_) => format!("{}, pan {:.2} deg", pose_words(pose), pose.z.to_degrees()),
                None => pose_words(pose),
            };
            println!("commanded  {}", words(*commanded));
            match answer.reached {
                Some(at) => {
                    println!("reached    {}", words(at));
                    println!("error      {:.2} deg", apart(*commanded, at).to_degrees());
                }
                None => println!("reached    unknown: no head pose was seen"),
            }
        }
        PointTarget::Point { at, frame } => {
            let frame = match frame.as_str() {
                "" => "the base frame",
                frame => frame,
            };
            println!("commanded  ({}, {}, {}) m in {frame}", at.x, at.y, at.z);
            if let Some(state) = &answer.target {
                let measured = match answer.residual {
                    Some(angle) => format!("{:.2} deg measured", angle.to_degrees()),
                    None => "none was measured".into(),
                };
                let meaning = match state.outcome {
                    Outcome::Reached => Meaning::Good,
                    Outcome::BestPossible => Meaning::Warn,
                    Outcome::OutOfReach => Meaning::Bad,
                };
                println!("outcome    {}", meaning.out(state.outcome_words()));
                let residual = state.residual_min.to_degrees();
                println!("left       {residual:.2} deg at least, {measured}");
            }
        }
    }
}

/// Checks that the target is held, and is the commanded one.
fn judge(args: &Args, target: &PointTarget, answer: &Point) -> Result<(), CmdError> {
    let what = match target {
        PointTarget::Pose(_) => "the pose",
        PointTarget::Point { .. } => "the point",
    };
    let failed = |sentence: String| Err(CmdError::Failed(sentence));
    match answer.end {
        PointEnd::Held => {}
        PointEnd::Replaced => {
            return failed(format!(
                "{what} was not held: another command, a hold or an outage ended it; /diagnostics \
                 says what the joint does"
            ));
        }
        PointEnd::TimedOut => {
            return failed(format!(
                "{what} was not held within {} s; /diagnostics says what the joint does",
                args.timeout_s
            ));
        }
    }
    match (target, &answer.target, answer.reached) {
        (PointTarget::Point { .. }, Some(state), _) if state.outcome != Outcome::Reached => {
            failed(format!(
                "the joint cannot look at the point ({}): it holds where {:.1} deg are left over",
                state.outcome_words(),
                state.residual_min.to_degrees()
            ))
        }
        (PointTarget::Pose(commanded), _, Some(at)) => {
            let error = apart(*commanded, at).to_degrees();
            if error <= ELSEWHERE {
                return Ok(());
            }
            failed(format!(
                "the joint holds a pose {error:.1} deg from the commanded one: its \
                 limits.inclination limits commands, and yaw needs a pan motor"
            ))
        }
        _ => Ok(()),
    }
}

/// Error from which a held pose counts as different from the commanded one, deg: above any
/// tolerance of holding and any noise.
const ELSEWHERE: f64 = 3.0;

/// Returns the angle of the rotation between the orientations of two configurations, rad.
fn apart(a: Configuration, b: Configuration) -> f64 {
    orientation(a.z, a.xy()).angle_to(&orientation(b.z, b.xy()))
}

/// Returns inclination and direction in the base frame, deg, for people.
fn pose_words(configuration: Configuration) -> String {
    let inclination = inclination(configuration.xy()).to_degrees();
    let pan = configuration.z.to_degrees();
    match direction(configuration.xy()).map(f64::to_degrees) {
        Some(direction) => {
            let direction = (direction + pan + 180.0).rem_euclid(360.0) - 180.0;
            format!("inclination {inclination:.2} deg, direction {direction:.1} deg")
        }
        None => format!("inclination {inclination:.2} deg (too small to have a direction)"),
    }
}
