//! A ROS client that records a step test of a joint. It selects the open-loop gain set, commands
//! one inclination after the other, records motor setpoints, motor angles and bend, and restores
//! the former gain set.
//!
//! Any failure ends the test: a hold is requested, and the former gain set and gains are restored.
//! Steps of this that fail are reported.
//!
//! Measured bend and motor angles carry the stamps of their measurement. A setpoint carries the
//! stamp of the measurement it is based on, which does not show when the motors received it. Its
//! time is therefore that of its receipt here, on this machine's clock. The motors receive it over
//! the same ROS graph at about the same time; the uncertainty is the difference of two deliveries,
//! well below a millisecond on one machine (common practice, no source).

mod errors;
mod heard;

pub use errors::{EarlyEnd, StepTestError, Stop, Stream, Trouble, Unready};

use r2r::geometry_msgs::msg::PoseStamped;
use r2r::rcl_interfaces::msg::{Parameter, ParameterValue};
use r2r::rcl_interfaces::srv::{GetParameters, ListParameters, SetParametersAtomically};
use r2r::std_srvs::srv::Trigger;
use r2r::{Node, Publisher};

use super::bend_client::{pose_message, text_value};
use super::error::ClientError;
use super::session::{Keeps, Service, Session, newest};
use crate::control::geometry::{Bend, inclination};
use crate::design::trial::StepRow;
use crate::files::SetpointMessage;
use crate::ros::context::{NodeError, Spinner, context};
use crate::runtime::locked;
use heard::{Shared, listen};

/// Name of the gain set without feedback.
pub const GAIN_SET: &str = "open-loop";
/// Time limit for finding the joint's node, s.
const DISCOVERY: f64 = 10.0;
/// Time between the cautions and the first motion, s.
const NOTICE: f64 = 3.0;
/// In simulated time the first motion is at a multiple of this, s, so that all runs in lockstep are
/// alike.
const EVEN: f64 = 5.0;
/// Time for the change to another gain set, s, with a margin: the node blends over a second.
const BLEND: f64 = 1.5;
/// Max. recorded rest before the first step, s.
const LEAD: f64 = 1.0;
/// Period of the checks on the joint while it moves, s. Only a look shows that something has not
/// arrived, and it shows all that has.
const LOOK: f64 = 0.01;
/// The same before the test, s.
const LOOK_BEFORE: f64 = 0.02;
/// Time between two checks, s, above which this process itself was late.
const LATE: f64 = 0.1;
/// Latencies of a head pose, s, that two synchronised clocks can show.
const MIN_LATENCY: f64 = -0.05;
const MAX_LATENCY: f64 = 0.5;

/// The joint under test.
#[derive(Clone, Debug)]
pub struct Subject {
    /// Full name of its node.
    pub joint: String,
    /// Its base frame.
    pub base_frame: String,
    /// Motors of its tendons, in order.
    pub motor_names: Vec<String>,
    /// Message type of its setpoints.
    pub message: SetpointMessage,
}

impl Subject {
    /// Returns the name of one of its topics or services.
    fn name(&self, name: &str) -> String {
        format!("{}/{name}", self.joint)
    }
}

/// The steps of a test.
#[derive(Clone, Debug)]
pub struct Steps {
    /// One list of commanded bends per record, from straight and back to straight, rad.
    pub runs: Vec<Vec<Bend>>,
    /// Time for which each bend is commanded, s.
    pub dwell: f64,
}

impl Steps {
    /// Returns the number of steps.
    pub fn count(&self) -> usize {
        self.runs.iter().map(Vec::len).sum()
    }

    /// Returns the time from the first motion to the end of the last step, s, without that of the
    /// services.
    pub fn duration(&self) -> f64 {
        BLEND + self.dwell * (1 + self.count()) as f64
    }
}

/// The result of a step test.
#[derive(Debug)]
pub struct StepTest {
    /// Records of the runs made so far; times from the start of each record.
    pub runs: Vec<Run>,
    /// Gain set in force again, or why the test ended early and what was done then.
    pub end: Result<String, EarlyEnd>,
}

/// One record.
#[derive(Clone, Debug)]
pub struct Run {
    /// Rows of the record.
    pub rows: Vec<StepRow>,
    /// Extent of the record.
    pub extent: Extent,
}

/// The extent of a record.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Extent {
    /// All its steps were made.
    Complete,
    /// The test ended before.
    Cut,
}

/// A progress report of the test.
#[derive(Clone, Copy, Debug)]
pub enum Progress<'a> {
    /// All is ready and nothing has moved yet: time for cautions. With the gain set in force.
    Ready(&'a str),
    /// A step is commanded: its number, from 1, and the bend, rad.
    Step(usize, Bend),
}

/// The state of a joint before its test.
struct Former {
    gain_set: String,
    /// The gain set and the live gains on top of it.
    parameters: Vec<Parameter>,
    /// Over-bend limit of the node, rad.
    over_bend: f64,
}

/// Makes a step test of `subject` and reports progress to `report`.
///
/// # Errors
/// [`StepTestError`] if the test cannot begin. A later failure is in [`StepTest::end`].
pub fn step_test(
    subject: &Subject,
    steps: &Steps,
    mut report: impl FnMut(Progress),
) -> Result<StepTest, StepTestError> {
    let tester = Tester::new(subject)?;
    tester.find()?;
    let former = tester.former(steps)?;
    tester.check()?;
    report(Progress::Ready(&former.gain_set));
    tester.session.wait(NOTICE)?;
    tester.session.wait_for_even_time(EVEN)?;
    tester.check()?;

    let mut windows = Vec::new();
    let outcome = tester.measure(steps, &former, &mut windows, &mut report);
    let end = tester.session.now();
    let outcome = match outcome {
        Ok(()) => tester.put_back(&former),
        Err(trouble) => Err(EarlyEnd::Stopped {
            trouble: Box::new(trouble),
            stop: Box::new(tester.stop(&former)),
        }),
    };
    let heard = locked(&tester.heard);
    let run = |(from, until): (f64, Option<f64>)| {
        let mut rows = heard.streams.rows(from, until.unwrap_or(end));
        let first = rows.first().map_or(0.0, |r| r.time);
        for row in &mut rows {
            (row.time, row.stamp) = (row.time - first, row.stamp - first);
        }
        Run {
            rows,
            extent: until.map_or(Extent::Cut, |_| Extent::Complete),
        }
    };
    Ok(StepTest {
        runs: windows.into_iter().map(run).collect(),
        end: outcome,
    })
}

struct Tester {
    subject: Subject,
    desired: Publisher<PoseStamped>,
    get: Service<GetParameters::Service>,
    list: Service<ListParameters::Service>,
    set: Service<SetParametersAtomically::Service>,
    hold: Service<Trigger::Service>,
    heard: Shared,
    // Dropped in this order: tasks must not outlive for long the node that feeds them.
    session: Session,
    _spinner: Spinner,
}

impl Tester {
    /// Creates the client's node. SIGINT and SIGTERM are handled from here on.
    fn new(subject: &Subject) -> Result<Self, NodeError> {
        let name = format!("step_test_{}", std::process::id());
        let graph = NodeError::of(&name);
        let mut node = Node::create(context()?, &name, "").map_err(graph)?;
        let mut session = Session::new(Keeps::of(&node))?;
        let heard = listen(&mut node, &session, subject).map_err(graph)?;
        session.listen_to_time(&mut node).map_err(graph)?;
        let desired = node.create_publisher(&subject.name("desired_pose"), newest());
        let of = |name: &str| subject.name(name);
        Ok(Self {
            desired: desired.map_err(graph)?,
            get: Service::new(&mut node, of("get_parameters")).map_err(graph)?,
            list: Service::new(&mut node, of("list_parameters")).map_err(graph)?,
            set: Service::new(&mut node, of("set_parameters_atomically")).map_err(graph)?,
            hold: Service::new(&mut node, of("hold")).map_err(graph)?,
            subject: subject.clone(),
            heard,
            session,
            _spinner: Spinner::new(node)?,
        })
    }

    /// Waits until all streams are received and the joint is ready.
    fn find(&self) -> Result<(), StepTestError> {
        // Simulated time may not have started.
        let machine = || self.session.clock().machine();
        let end = machine() + DISCOVERY;
        loop {
            if let Some(reason) = locked(&self.heard).idle() {
                return Err(self.not_ready(reason));
            }
            let silent = locked(&self.heard).silent(self.session.clock());
            let listens = self.desired.get_inter_process_subscription_count();
            let missing = match silent {
                Some(stream) => stream.missing(),
                None if !listens.is_ok_and(|count| count > 0) => {
                    "it does not subscribe to ~/desired_pose"
                }
                None => match self.check() {
                    Err(error) if machine() > end => return Err(error),
                    Err(_) => "",
                    Ok(()) => return Ok(()),
                },
            };
            if machine() > end && !missing.is_empty() {
                let joint = self.subject.joint.clone();
                return Err(StepTestError::Missing { joint, missing });
            }
            self.session.wait(LOOK_BEFORE)?;
        }
    }

    fn get(&self, names: Vec<String>) -> Result<Vec<ParameterValue>, ClientError> {
        let request = GetParameters::Request { names };
        Ok(self.get.ask(&self.session, &request)?.values)
    }

    /// Returns the parameters in force after checking that the test can be made.
    fn former(&self, steps: &Steps) -> Result<Former, StepTestError> {
        let joint = || self.subject.joint.clone();
        let gains = ListParameters::Request {
            prefixes: vec!["gains".into()],
            depth: 0,
        };
        let listed = self.list.ask(&self.session, &gains)?.result.names;
        let fixed = [
            "gain_set",
            "gain_sets",
            "motor_names",
            "limits.inclination",
            "limits.over_bend",
        ];
        let mut names: Vec<String> = fixed.map(String::from).to_vec();
        names.extend(listed.iter().cloned());
        let values = self.get(names)?;
        let [set, sets, motors, limit, over_bend, gains @ ..] = values.as_slice() else {
            return Err(self.not_ready(Unready::OtherNode));
        };
        if gains.len() != listed.len() {
            return Err(self.not_ready(Unready::OtherNode));
        }
        let here = &self.subject.motor_names;
        if &motors.string_array_value != here {
            return Err(StepTestError::OtherMotors {
                joint: joint(),
                there: motors.string_array_value.join(", "),
                here: here.join(", "),
            });
        }
        if !sets.string_array_value.iter().any(|s| s == GAIN_SET) {
            return Err(StepTestError::NoGainSet(joint()));
        }
        if set.string_value == GAIN_SET {
            return Err(StepTestError::Left(joint()));
        }
        let commanded = steps.runs.iter().flatten().map(|b| inclination(*b));
        let (commanded, limit) = (commanded.fold(0.0, f64::max), limit.double_value);
        // With a margin for the rounding between degrees and radians.
        if !(commanded <= limit + 1e-9) {
            return Err(StepTestError::Beyond {
                joint: joint(),
                commanded: commanded.to_degrees(),
                limit: limit.to_degrees(),
            });
        }
        let mut parameters = vec![parameter("gain_set", set.clone())];
        parameters.extend(
            listed
                .iter()
                .zip(gains)
                .map(|(n, v)| parameter(n, v.clone())),
        );
        Ok(Former {
            gain_set: set.string_value.clone(),
            parameters,
            over_bend: over_bend.double_value,
        })
    }

    fn not_ready(&self, reason: Unready) -> StepTestError {
        let joint = self.subject.joint.clone();
        StepTestError::NotReady { joint, reason }
    }

    /// Checks that the joint is ready and the clocks are synchronised.
    fn check(&self) -> Result<(), StepTestError> {
        let heard = locked(&self.heard);
        let silent = heard.silent(self.session.clock()).map(Unready::Silent);
        let in_step = MIN_LATENCY <= heard.latency && heard.latency <= MAX_LATENCY;
        let reason = silent
            .or_else(|| heard.trouble())
            .or_else(|| (!in_step).then_some(Unready::Clocks(heard.latency)));
        reason.map_or(Ok(()), |reason| Err(self.not_ready(reason)))
    }

    /// Makes the test; `windows` receives start and end of each record.
    fn measure(
        &self,
        steps: &Steps,
        former: &Former,
        windows: &mut Vec<(f64, Option<f64>)>,
        report: &mut impl FnMut(Progress),
    ) -> Result<(), Trouble> {
        self.point(Bend::zeros())?;
        self.choose(vec![parameter("gain_set", text_value(GAIN_SET))])?;
        let mut watch = Watch {
            tester: self,
            over_bend: former.over_bend,
            in_force: false,
            looked: self.session.now(),
        };
        watch.wait(BLEND + steps.dwell)?;
        let (mut step, count) = (0, steps.count());
        for run in &steps.runs {
            // Straight, and at rest for the dwell time.
            let from = self.session.now() - steps.dwell.min(LEAD);
            windows.push((from, None));
            for target in run {
                step += 1;
                report(Progress::Step(step, *target));
                self.point(*target)?;
                watch.wait(steps.dwell).map_err(|trouble| Trouble::InStep {
                    step,
                    count,
                    trouble: Box::new(trouble),
                })?;
            }
            if let Some(window) = windows.last_mut() {
                window.1 = Some(self.session.now());
            }
        }
        Ok(())
    }

    fn point(&self, bend: Bend) -> Result<(), ClientError> {
        let sent = self.session.now();
        let stamp = self.session.clock().stamp_of(sent);
        let message = pose_message(&self.subject.base_frame, bend, stamp);
        self.desired.publish(&message)?;
        Ok(())
    }

    fn choose(&self, parameters: Vec<Parameter>) -> Result<(), ClientError> {
        let request = SetParametersAtomically::Request { parameters };
        let result = self.set.ask(&self.session, &request)?.result;
        if result.successful {
            return Ok(());
        }
        Err(ClientError::Refused {
            parameter: "gain_set".into(),
            reason: result.reason,
        })
    }

    /// Restores the former gains after the last step and commands straight. Returns the gain set in
    /// force.
    fn put_back(&self, former: &Former) -> Result<String, EarlyEnd> {
        let set = self.restore(former).map_err(|error| {
            EarlyEnd::NotRestored(Box::new(Stop {
                held: self.hold(),
                restored: Err(error),
            }))
        })?;
        self.point(Bend::zeros()).map_err(EarlyEnd::NotStraight)?;
        Ok(set)
    }

    /// Requests a hold and restores the former gains.
    fn stop(&self, former: &Former) -> Stop {
        Stop {
            // The hold first: a change of gains waits for a motion to end.
            held: self.hold(),
            restored: self.restore(former),
        }
    }

    /// Restores the former gains unless another client has chosen others; returns the gain set then
    /// in force.
    fn restore(&self, former: &Former) -> Result<String, ClientError> {
        let now = self.get(vec!["gain_set".into()])?;
        match now.first().map(|v| &v.string_value) {
            Some(other) if other != GAIN_SET => Ok(other.clone()),
            _ => {
                self.choose(former.parameters.clone())?;
                Ok(former.gain_set.clone())
            }
        }
    }

    fn hold(&self) -> Result<(), ClientError> {
        let answer = self.hold.ask(&self.session, &Trigger::Request {})?;
        match answer.success {
            true => Ok(()),
            false => Err(self.hold.refused("", answer.message)),
        }
    }
}

/// Checks the joint while it moves.
struct Watch<'a> {
    tester: &'a Tester,
    over_bend: f64,
    /// The gain set has been seen in force.
    in_force: bool,
    looked: f64,
}

impl Watch<'_> {
    /// Waits for `seconds` while all is well.
    fn wait(&mut self, seconds: f64) -> Result<(), Trouble> {
        let end = self.tester.session.now() + seconds;
        loop {
            self.look()?;
            let left = end - self.tester.session.now();
            if left <= 0.0 {
                return Ok(());
            }
            self.tester.session.wait(LOOK.min(left))?;
        }
    }

    fn look(&mut self) -> Result<(), Trouble> {
        let session = &self.tester.session;
        if session.interrupted() {
            return Err(ClientError::Interrupted.into());
        }
        let now = session.now();
        // If this process did not get its share of the machine, it did not listen either.
        let late = now - std::mem::replace(&mut self.looked, now) > LATE;
        let heard = locked(&self.tester.heard);
        if !late && let Some(stream) = heard.silent(session.clock()) {
            return Err(Unready::Silent(stream).into());
        }
        if let Some(last) = heard.streams.bends.last() {
            let (bend, limit) = (inclination(last.bend), self.over_bend);
            if !(bend <= limit) {
                return Err(Trouble::OverBend { bend, limit });
            }
        }
        if let Some(trouble) = heard.trouble() {
            return Err(trouble.into());
        }
        let Some(diagnosis) = &heard.diagnosis else {
            return Ok(());
        };
        // Reports from before the change still name the former set.
        if diagnosis.gain_set == GAIN_SET {
            self.in_force = true;
        } else if self.in_force {
            return Err(Trouble::OtherGainSet(diagnosis.gain_set.clone()));
        }
        Ok(())
    }
}

fn parameter(name: &str, value: ParameterValue) -> Parameter {
    Parameter {
        name: name.into(),
        value,
    }
}
