//! `~/capture_base_orientation`: gravity as measured by the head's IMU while the joint is straight
//! gives the orientation of the base. Only a bare head may be used: a payload would bend the beam
//! if the base is tilted.

use nalgebra::{Rotation3, Vector3};

use super::status::GravitySum;

/// Max. inclination reported by the motors, rad (1 deg).
pub const STRAIGHT: f64 = 0.0175;
/// Max. deviation of a sample from the first, rad (1 deg): beyond it, base or head moves.
const STILL: f64 = 0.0175;
/// Min. number of different samples.
const LEAST: u32 = 20;

/// Returns the direction of gravity in the base frame, unit length, from the gathered samples.
///
/// # Errors
/// One sentence: too few samples, a joint that is not straight, or a base that moves.
pub fn gravity(gathered: &GravitySum) -> Result<Vector3<f64>, String> {
    let GravitySum {
        sum,
        count,
        most_bent,
        most_apart,
        ..
    } = *gathered;
    if count < LEAST {
        return Err(format!(
            "{count} samples of the head's IMU have arrived; accepted: at least {LEAST} in half a \
             second"
        ));
    }
    if !(most_bent <= STRAIGHT) {
        return Err(format!(
            "the inclination by the motors is {:.2} deg; accepted: at most {:.1} deg: set feedback \
             to 'motors' and command the straight pose first",
            most_bent.to_degrees(),
            STRAIGHT.to_degrees()
        ));
    }
    if !(most_apart <= STILL) {
        return Err(format!(
            "gravity's direction moved by {:.2} deg meanwhile; accepted: at most {:.1} deg: base \
             and head have to be still",
            most_apart.to_degrees(),
            STILL.to_degrees()
        ));
    }
    Ok(sum.normalize())
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
            let told = roll_and_pitch(base.inverse() * -Vector3::z());
            assert!(
                (told.0 - roll).abs() < 1e-9 && (told.1 - pitch).abs() < 1e-9,
                "{told:?}"
            );
        }
    }

    #[test]
    fn what_does_not_stand_for_the_base_is_refused() {
        let good = GravitySum {
            sum: Vector3::new(0.0, 0.0, -100.0),
            count: 100,
            ..GravitySum::default()
        };
        assert_eq!(gravity(&good), Ok(-Vector3::z()));
        for (bad, word) in [
            (GravitySum { count: 3, ..good }, "3 samples"),
            (
                GravitySum {
                    most_bent: 0.1,
                    ..good
                },
                "5.73 deg",
            ),
            (
                GravitySum {
                    most_apart: 0.05,
                    ..good
                },
                "2.86 deg",
            ),
        ] {
            let sentence = gravity(&bad).unwrap_err();
            assert!(sentence.contains(word), "{sentence}");
        }
    }
}
