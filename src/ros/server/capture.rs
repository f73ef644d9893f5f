//! `~/capture_base_orientation`: gravity as measured by the head's IMU while the joint is straight
//! gives the orientation of the base. Only a bare head may be used: a payload would bend the beam
//! if the base is tilted.

use std::time::Duration;

use nalgebra::{Rotation3, Vector3};
use tokio::sync::watch;

use super::snapshot::Snapshot;
use crate::control::geometry::orientation;

/// Loop time over which gravity is measured, s.
const GATHER: f64 = 0.5;
/// Longest wait for it, if time goes slowly or stands.
const PATIENCE: Duration = Duration::from_secs(10);
/// Max. inclination reported by the motors, rad (1 deg).
const STRAIGHT: f64 = 0.0175;
/// Max. deviation of a sample from the first, rad (1 deg): beyond it, base or head moves.
const STILL: f64 = 0.0175;
/// Min. number of different samples.
const LEAST: u32 = 20;

/// Reason why gravity as measured does not give the orientation of the base.
#[derive(Debug, PartialEq, thiserror::Error)]
pub enum NotMeasured {
    #[error(
        "{0} samples of the head's IMU have arrived; accepted: at least {LEAST} in half a second"
    )]
    FewSamples(u32),
    /// The max. inclination by the motors, rad.
    #[error(
        "the inclination by the motors is {:.2} deg; accepted: at most {:.1} deg: set feedback to \
         'motors' and command the straight pose first",
        .0.to_degrees(),
        STRAIGHT.to_degrees()
    )]
    NotStraight(f64),
    /// The max. deviation of a sample from the first, rad.
    #[error(
        "gravity's direction moved by {:.2} deg meanwhile; accepted: at most {:.1} deg: base and \
         head have to be still",
        .0.to_degrees(),
        STILL.to_degrees()
    )]
    Moved(f64),
}

/// Samples of gravity from the head's IMU, with the largest bend and deviation.
#[derive(Clone, Copy, Debug, Default)]
struct Samples {
    /// Sum of the directions, base frame.
    sum: Vector3<f64>,
    /// Number of different samples.
    count: u32,
    /// Max. inclination reported by the motors meanwhile, rad.
    most_bent: f64,
    /// Max. deviation of a direction from the first, rad.
    most_apart: f64,
    /// First direction, base frame.
    first: Vector3<f64>,
    /// Last direction, head frame.
    last: Vector3<f64>,
}

impl Samples {
    /// Adds the direction of gravity, if it is new.
    fn add(&mut self, snapshot: &Snapshot) {
        let (head, motors) = (snapshot.gravity_head, snapshot.motors);
        if std::mem::replace(&mut self.last, head) == head {
            return;
        }
        let gravity = orientation(motors.z, motors.xy()) * head;
        if self.count == 0 {
            self.first = gravity;
        }
        self.sum += gravity;
        self.count += 1;
        self.most_bent = self.most_bent.max(motors.xy().norm());
        self.most_apart = self.most_apart.max(self.first.angle(&gravity));
    }

    fn direction(&self) -> Result<Vector3<f64>, NotMeasured> {
        if self.count < LEAST {
            return Err(NotMeasured::FewSamples(self.count));
        }
        if !(self.most_bent <= STRAIGHT) {
            return Err(NotMeasured::NotStraight(self.most_bent));
        }
        if !(self.most_apart <= STILL) {
            return Err(NotMeasured::Moved(self.most_apart));
        }
        Ok(self.sum.normalize())
    }
}

/// Measures the direction of gravity in the base frame, unit length.
///
/// # Errors
/// Too few samples, a joint that is not straight, or a base that moves.
pub async fn gravity(
    mut snapshots: watch::Receiver<Snapshot>,
) -> Result<Vector3<f64>, NotMeasured> {
    let mut samples = Samples::default();
    let end = snapshots.borrow_and_update().time + GATHER;
    let gather = async {
        while snapshots.changed().await.is_ok() {
            let snapshot = *snapshots.borrow_and_update();
            samples.add(&snapshot);
            if snapshot.time >= end {
                break;
            }
        }
    };
    // Samples that came too slowly are too few.
    let _ = tokio::time::timeout(PATIENCE, gather).await;
    samples.direction()
}

/// Returns roll and pitch of a base in which gravity has that direction, deg, as in joint files
/// (yaw is unobservable).
pub fn roll_and_pitch(gravity: Vector3<f64>) -> (f64, f64) {
    // The inverse of the orientation turns (0, 0, -1) of the level world into gravity's direction.
    let roll = (-gravity.y).atan2(-gravity.z);
    let pitch = gravity.x.atan2(gravity.y.hypot(gravity.z));
    debug_assert!(
        (Rotation3::from_euler_angles(roll, pitch, 0.0).inverse() * -Vector3::z() - gravity).norm()
            < 1e-9
    );
    (roll.to_degrees(), pitch.to_degrees())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn orientations_come_back_as_files_have_them() {
        for (roll, pitch) in [(0.0, 0.0), (10.0, -20.0), (-35.0, 60.0), (170.0, 5.0)] {
            let (r, p) = (f64::to_radians(roll), f64::to_radians(pitch));
            let base = Rotation3::from_euler_angles(r, p, 0.7);
            let found = roll_and_pitch(base.inverse() * -Vector3::z());
            assert!(
                (found.0 - roll).abs() < 1e-9 && (found.1 - pitch).abs() < 1e-9,
                "{found:?}"
            );
        }
    }

    #[test]
    fn what_does_not_stand_for_the_base_is_refused() {
        let good = Samples {
            sum: Vector3::new(0.0, 0.0, -100.0),
            count: 100,
            ..Samples::default()
        };
        assert_eq!(good.direction(), Ok(-Vector3::z()));
        let few = Samples { count: 3, ..good };
        let bent = Samples {
            most_bent: 0.1,
            ..good
        };
        let moved = Samples {
            most_apart: 0.05,
            ..good
        };
        for (bad, word) in [(few, "3 samples"), (bent, "5.73 deg"), (moved, "2.86 deg")] {
            let sentence = bad.direction().unwrap_err().to_string();
            assert!(sentence.contains(word), "{sentence}");
        }
    }
}
