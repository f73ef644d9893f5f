//! Finds sensors whose clock is ahead: their samples seem to arrive before they were measured, so
//! that the loop takes its dead time for smaller than it is.

use std::fmt;

use crate::control::tick::Input;
use crate::runtime::rt::Clock;

/// Number of samples from which a mean latency is judged, and over which it is a mean.
const FEW: u32 = 10;
const MANY: u32 = 50;
/// Mean latency that counts as rounding if it is negative, s: the accuracy of clocks that are
/// synchronised over a network (common practice, no source).
const ROUNDING: f64 = 1e-3;

/// A sensor's clock that is ahead.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ahead {
    /// Topic of the sensor.
    pub topic: &'static str,
    /// Mean lead of its stamps over their arrival, s.
    pub by: f64,
    /// Name of our clock.
    clock: &'static str,
}

impl fmt::Display for Ahead {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { topic, by, clock } = self;
        let ms = 1e3 * by;
        write!(
            f,
            "the stamps of {topic} are {ms:.1} ms ahead of {clock} on average, so that the sensor's \
             latency is not known; synchronise the clocks"
        )
    }
}

/// The latency of one sensor.
#[derive(Clone, Copy, Debug, Default)]
struct Stream {
    stamp: f64,
    count: u32,
    /// Mean latency, s.
    mean: f64,
}

impl Stream {
    fn see(&mut self, stamp: f64, received: f64) {
        if self.count > 0 && stamp == self.stamp {
            return;
        }
        self.stamp = stamp;
        self.count = (self.count + 1).min(MANY);
        self.mean += (received - stamp - self.mean) / f64::from(self.count);
    }
}

/// The latencies of a joint's sensors.
#[derive(Clone, Copy, Debug, Default)]
pub struct SensorClocks([Stream; 3]);

/// Topics of the sensors, in order.
const TOPICS: [&str; 3] = ["imu", "base_imu", "joint_states"];

impl SensorClocks {
    /// Takes the newest samples of a tick.
    pub fn see(&mut self, input: &Input) {
        let [head, base, motors] = &mut self.0;
        for (stream, sample) in [(head, input.head), (base, input.base)] {
            if let Some(sample) = sample {
                stream.see(sample.stamp, sample.received);
            }
        }
        let samples = input.motors.iter().flatten();
        if let Some(newest) = samples.max_by(|a, b| a.stamp.total_cmp(&b.stamp)) {
            motors.see(newest.stamp, newest.received);
        }
    }

    /// Returns true if there are enough samples of each sensor that sends any.
    pub fn judged(&self) -> bool {
        self.0.iter().all(|s| s.count == 0 || s.count >= FEW)
    }

    /// Returns the sensor whose stamps are furthest ahead, if any are.
    pub fn ahead(&self, clock: &Clock) -> Option<Ahead> {
        // With simulated time a sample may arrive before its message on /clock.
        let least = -ROUNDING - clock.step();
        let named = TOPICS.into_iter().zip(&self.0);
        let ahead = named.filter(|(_, s)| s.count >= FEW && s.mean < least);
        let (topic, stream) = ahead.min_by(|a, b| a.1.mean.total_cmp(&b.1.mean))?;
        Some(Ahead {
            topic,
            by: -stream.mean,
            clock: clock.words(),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::control::tick::{ImuSample, MotorSample};
    use nalgebra::Vector3;

    /// Returns what is found after `count` samples with these latencies, s.
    fn found(count: u32, imu: f64, motors: f64) -> (bool, Option<Ahead>) {
        let mut clocks = SensorClocks::default();
        let mut input = Input::new(3);
        for i in 0..count {
            let received = 0.005 * f64::from(i);
            input.head = Some(ImuSample {
                gravity: -Vector3::z(),
                angular_velocity: Vector3::zeros(),
                stamp: received - imu,
                received,
            });
            input.motors[1] = Some(MotorSample {
                angle: 0.0,
                stamp: received - motors,
                received,
            });
            // A tick without a new sample changes nothing.
            clocks.see(&input);
            clocks.see(&input);
        }
        (clocks.judged(), clocks.ahead(&Clock::new()))
    }

    #[test]
    fn a_clock_that_is_ahead_is_found_by_its_mean_latency() {
        assert_eq!(found(200, 0.004, 0.002), (true, None));
        // Within the accuracy of synchronised clocks.
        assert_eq!(found(200, -0.0005, 0.002), (true, None));
        assert_eq!(found(FEW - 1, -0.05, 0.002), (false, None));
        let (judged, ahead) = found(200, 0.002, -0.05);
        let ahead = ahead.unwrap();
        assert!(judged && ahead.topic == "joint_states" && (ahead.by - 0.05).abs() < 1e-9);
        assert_eq!(
            ahead.to_string(),
            "the stamps of joint_states are 50.0 ms ahead of this machine's clock on average, so \
             that the sensor's latency is not known; synchronise the clocks"
        );
        assert_eq!(found(FEW, -0.06, -0.05).1.map(|a| a.topic), Some("imu"));
    }
}
