//! Zero velocities at every way out: a drive that takes velocities keeps the last one, so that a
//! process that ends without a zero leaves its motors running.
//!
//! A joint that comes to rest sends its last zero itself. [`MotorStop`] serves all else: a stall
//! ([`watchdog`](super::watchdog)), a shutdown that is cut short ([`ending`](super::ending)), an
//! error return of the server, and a panic of any thread or task. Only a process that is killed
//! sends nothing; there the timeout in the drives stops the motors.

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use r2r::sensor_msgs::msg::JointState;
use r2r::std_msgs::msg::Float64MultiArray;
use r2r::{Node, Publisher, QosProfile};
use tokio::sync::mpsc::UnboundedSender;

use crate::control::controller::CommandInterface;
use crate::files::{JointFile, SetpointMessage};
use crate::runtime::locked;

/// Number of the last zeros, and the time between them: a setpoint that is being published may
/// follow the first.
const ZEROS: u32 = 6;
const BETWEEN: Duration = Duration::from_millis(10);

#[derive(Clone)]
enum Zero {
    Joint(Publisher<JointState>, JointState),
    Array(Publisher<Float64MultiArray>, Float64MultiArray),
    /// Counts the zeros.
    #[cfg(test)]
    Count(Arc<std::sync::atomic::AtomicU32>),
}

#[derive(Debug, Default)]
struct State {
    /// Setpoints have been sent, and no zero after them.
    driven: AtomicBool,
    /// No more setpoints but zero are sent.
    halted: AtomicBool,
}

/// Stops the motors of one joint. All its copies act on the same joint.
#[derive(Clone)]
pub struct MotorStop {
    joint: String,
    /// `None` for drives that take positions and hold the last one.
    zero: Option<Zero>,
    state: Arc<State>,
    panics: UnboundedSender<String>,
}

impl MotorStop {
    /// Creates the publisher of zeros on `node`. Panics are reported on `panics`.
    pub fn new(
        node: &mut Node,
        joint: &str,
        file: &JointFile,
        panics: UnboundedSender<String>,
    ) -> r2r::Result<Self> {
        let newest = || QosProfile::default().keep_last(1).reliable();
        let topic = "~/motor_setpoints";
        let name = file.all_motor_names();
        let still = vec![0.0; name.len()];
        // A publisher of its own: that of the setpoints may be stuck.
        let zero = match (file.kind, file.setpoint_message) {
            (CommandInterface::Position, _) => None,
            (CommandInterface::Velocity, SetpointMessage::JointState) => {
                let message = JointState {
                    name,
                    velocity: still,
                    ..JointState::default()
                };
                let publisher = node.create_publisher(topic, newest())?;
                Some(Zero::Joint(publisher, message))
            }
            (CommandInterface::Velocity, SetpointMessage::Float64Array) => {
                let message = Float64MultiArray {
                    data: still,
                    ..Float64MultiArray::default()
                };
                let publisher = node.create_publisher(topic, newest())?;
                Some(Zero::Array(publisher, message))
            }
        };
        Ok(Self {
            joint: joint.into(),
            zero,
            state: Arc::default(),
            panics,
        })
    }

    /// Notes that setpoints have been sent, or that they have ended with a zero. Returns true if
    /// they had been sent before.
    pub fn note_driven(&self, driven: bool) -> bool {
        self.state.driven.swap(driven, Ordering::AcqRel)
    }

    /// Returns true if no more setpoints but zero are to be sent.
    pub fn halted(&self) -> bool {
        self.state.halted.load(Ordering::Acquire)
    }

    /// Sends zero velocities once, if the drives take velocities.
    pub fn send_zero(&self) {
        // Whoever can log a failure to send does so for the setpoints.
        let _ = match &self.zero {
            None => Ok(()),
            Some(Zero::Joint(publisher, message)) => publisher.publish(message),
            Some(Zero::Array(publisher, message)) => publisher.publish(message),
            #[cfg(test)]
            Some(Zero::Count(count)) => {
                count.fetch_add(1, Ordering::AcqRel);
                Ok(())
            }
        };
    }

    /// Ends the setpoints for good: from now on only zeros are sent.
    fn halt(&self) {
        self.state.halted.store(true, Ordering::Release);
        self.send_zero();
    }

    /// Returns a value that halts the motors if it is dropped by a panic of `part`, and reports it.
    pub fn guard(&self, part: &'static str) -> PanicGuard {
        PanicGuard {
            stop: self.clone(),
            part,
        }
    }
}

/// Halts the motors of a joint if a panic drops it.
pub struct PanicGuard {
    stop: MotorStop,
    part: &'static str,
}

impl Drop for PanicGuard {
    fn drop(&mut self) {
        if std::thread::panicking() {
            self.stop.halt();
            let what = format!("{} of {}", self.part, self.stop.joint);
            // Without a receiver the process ends already.
            let _ = self.stop.panics.send(what);
        }
    }
}

/// The motor stops of all joints of the process.
#[derive(Clone, Default)]
pub struct MotorStops(Arc<Mutex<Vec<MotorStop>>>);

impl MotorStops {
    /// Adds a joint.
    pub fn add(&self, stop: &MotorStop) {
        locked(&self.0).push(stop.clone());
    }

    /// Halts all motors that take velocities and have been driven, and returns when the zeros have
    /// left.
    pub fn halt_all(&self) {
        let stops = locked(&self.0).clone();
        let driven = |s: &&MotorStop| s.zero.is_some() && s.state.driven.load(Ordering::Acquire);
        let driven: Vec<_> = stops.iter().filter(driven).collect();
        for _ in 0..ZEROS {
            for stop in &driven {
                stop.halt();
            }
            if !driven.is_empty() {
                std::thread::sleep(BETWEEN);
            }
        }
    }
}

/// Halts all motors when it is dropped: at every return, and at a panic.
pub struct HaltAtEnd(pub MotorStops);

impl Drop for HaltAtEnd {
    fn drop(&mut self) {
        self.0.halt_all();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::atomic::AtomicU32;
    use tokio::sync::mpsc::{UnboundedReceiver, unbounded_channel};

    fn stop() -> (MotorStop, Arc<AtomicU32>, UnboundedReceiver<String>) {
        let (panics, heard) = unbounded_channel();
        let count = Arc::new(AtomicU32::new(0));
        let stop = MotorStop {
            joint: "/neck".into(),
            zero: Some(Zero::Count(count.clone())),
            state: Arc::default(),
            panics,
        };
        (stop, count, heard)
    }

    #[test]
    fn a_panic_of_a_thread_or_a_task_halts_the_motors_and_is_reported() {
        let (stop, count, mut heard) = stop();
        let guard = stop.guard("the publisher");
        let ended = std::thread::spawn(move || {
            let _guard = guard;
        });
        ended.join().unwrap();
        assert!(!stop.halted() && count.load(Ordering::Acquire) == 0);

        let guard = stop.guard("the publisher");
        let panicked = std::thread::spawn(move || {
            let _guard = guard;
            panic!("for the test");
        });
        assert!(panicked.join().is_err());
        assert!(stop.halted());
        assert_eq!(count.load(Ordering::Acquire), 1);
        assert_eq!(heard.try_recv().unwrap(), "the publisher of /neck");

        let runtime = tokio::runtime::Builder::new_multi_thread().build().unwrap();
        let guard = stop.guard("the transition executor");
        let task = runtime.spawn(async move {
            let _guard = guard;
            panic!("for the test");
        });
        assert!(runtime.block_on(task).is_err());
        assert_eq!(count.load(Ordering::Acquire), 2);
        assert_eq!(
            heard.try_recv().unwrap(),
            "the transition executor of /neck"
        );
    }

    #[test]
    fn every_return_of_the_server_halts_what_was_driven() {
        let ((driven, zeros, _a), (idle, none, _b)) = (stop(), stop());
        let stops = MotorStops::default();
        stops.add(&driven);
        stops.add(&idle);
        let fails = || -> Result<(), ()> {
            let _halt = HaltAtEnd(stops.clone());
            driven.note_driven(true);
            Err(())
        };
        assert!(fails().is_err());
        assert!(driven.halted() && !idle.halted());
        assert_eq!(zeros.load(Ordering::Acquire), ZEROS);
        assert_eq!(none.load(Ordering::Acquire), 0);
        // A joint that has come to rest has sent its zero.
        assert!(driven.note_driven(false));
        drop(HaltAtEnd(stops));
        assert_eq!(zeros.load(Ordering::Acquire), ZEROS);
    }
}
