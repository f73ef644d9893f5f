//! A client of the graph that records a step test of a joint: it chooses the gain set that corrects nothing, asks for
//! one inclination after the other, records what the motors were told, where they were and how the joint bent, and
//! chooses the former gain set again.
//!
//! Whatever goes wrong in between ends the test: the joint is told to hold, and the former gain set and gains come
//! back in force. What could not be done of this is said.
//!
//! Measured bend and motor angles carry the stamps of their measurement. A setpoint's stamp is that of the measurement
//! which it rests on, so that it tells nothing of when the motors got it; it counts from when it was heard here, on this
//! machine's clock. The motors hear it over the same graph at about the same time: what is uncertain is the difference
//! of two deliveries, well below a millisecond on one machine (common practice, no source).

mod heard;

use r2r::geometry_msgs::msg::PoseStamped;
use r2r::rcl_interfaces::msg::{Parameter, ParameterValue};
use r2r::rcl_interfaces::srv::{GetParameters, ListParameters, SetParametersAtomically};
use r2r::std_srvs::srv::Trigger;
use r2r::{Client, Node, Publisher, QosProfile};

use super::bend_client::{ClientError, pose_message};
use super::session::{Keeps, Session};
use super::{NodeError, Spinner, context};
use crate::config::SetpointMessage;
use crate::geometry::{Bend, inclination};
use crate::trial::StepRow;
use heard::{Diagnosis, Shared, listen, locked};

/// Name of the gain set that corrects nothing.
pub const GAIN_SET: &str = "open-loop";
/// How long the joint's node may take to be found, s.
const DISCOVERY: f64 = 10.0;
/// Between the cautions and the first motion, s.
const NOTICE: f64 = 3.0;
/// In simulated time the first motion is at a multiple of this, s: where time goes in lockstep every run then is alike.
const EVEN: f64 = 5.0;
/// How long the node takes to go over to another gain set, s, with a margin: it blends over a second.
const BLEND: f64 = 1.5;
/// Longest rest that is recorded before the first step, s.
const LEAD: f64 = 1.0;
/// How often the joint is looked at while it moves, s.
const LOOK: f64 = 0.01;
/// Between two looks, s, from which it is this process that was late.
const LATE: f64 = 0.1;
/// Ages of a head pose, s, that two clocks in step can show.
const AGES: (f64, f64) = (-0.05, 0.5);

/// The joint under test.
#[derive(Clone, Debug)]
pub struct Subject {
    /// Full name of its node.
    pub joint: String,
    /// Its base frame.
    pub base_frame: String,
    /// Its tendons' motors, in order.
    pub motor_names: Vec<String>,
    /// The message that its setpoints come in.
    pub message: SetpointMessage,
}

/// What is asked of it.
#[derive(Clone, Debug)]
pub struct Steps {
    /// One record each: the bends asked for, one after the other, from straight and back to it; rad.
    pub runs: Vec<Vec<Bend>>,
    /// How long each of them is asked for, s.
    pub dwell: f64,
}

impl Steps {
    /// Number of steps.
    pub fn count(&self) -> usize {
        self.runs.iter().map(Vec::len).sum()
    }

    /// From the first motion to the end of the last step, s, without the services' time.
    pub fn duration(&self) -> f64 {
        BLEND + self.dwell * (1 + self.count()) as f64
    }
}

/// What came of it.
#[derive(Clone, Debug)]
pub struct StepTest {
    /// What was recorded, run by run as far as they came; times from each record's beginning.
    pub runs: Vec<Run>,
    /// The gain set that is in force again, or why the test ended early and what was done then.
    pub end: Result<String, String>,
}

/// One record.
#[derive(Clone, Debug)]
pub struct Run {
    /// Its rows.
    pub rows: Vec<StepRow>,
    /// Whether all its steps were made.
    pub complete: bool,
}

/// What is told on the way.
#[derive(Clone, Copy, Debug)]
pub enum Told<'a> {
    /// All is ready, and nothing has moved yet: for cautions. With the gain set in force.
    Ready(&'a str),
    /// A step is asked for: its number, from 1, and the bend, rad.
    Step(usize, Bend),
}

/// Why a step test did not begin. The joint was not moved.
#[derive(Debug, thiserror::Error)]
pub enum StepTestError {
    /// The graph cannot be used.
    #[error(transparent)]
    Node(#[from] NodeError),
    /// A service does not answer or refuses, or SIGINT or SIGTERM came.
    #[error(transparent)]
    BendClient(#[from] ClientError),
    /// Something is missing.
    #[error("{joint} cannot be tested: {missing}; is its node running, and in this ROS domain?")]
    Missing {
        /// The node asked for.
        joint: String,
        /// What was not heard.
        missing: &'static str,
    },
    /// The node has no such gain set.
    #[error(
        "{0} has no gain set '{GAIN_SET}': list gains/open-loop.yaml under gain_sets in its joint file and start it anew"
    )]
    NoGainSet(String),
    /// That gain set is in force already.
    #[error(
        "{0} has the gain set '{GAIN_SET}' in force already, which corrects nothing: choose the one to come back to first"
    )]
    Left(String),
    /// It is another joint.
    #[error("{joint} has the motors {there}, and the joint file has {here}")]
    OtherMotors {
        /// The node.
        joint: String,
        /// Its motors.
        there: String,
        /// Those of the file.
        here: String,
    },
    /// A step goes too far.
    #[error(
        "a step to an inclination of {asked:.1} deg; accepted: at most {most:.1} deg, which is limits.inclination of {joint}"
    )]
    Beyond {
        /// The node.
        joint: String,
        /// deg
        asked: f64,
        /// deg
        most: f64,
    },
    /// Something is the matter already.
    #[error("{joint} cannot be tested now: {reason}")]
    NotReady {
        /// The node.
        joint: String,
        /// What.
        reason: String,
    },
}

/// What a joint was before its test.
struct Former {
    gain_set: String,
    /// It, and the live gains on top of it.
    parameters: Vec<Parameter>,
    /// Inclination that the node takes for over-bend, rad.
    over_bend: f64,
}

/// Makes a step test of `subject`, and says how it goes.
///
/// # Errors
/// [`StepTestError`]: what kept it from beginning. What ends it later is in [`StepTest::end`].
pub fn step_test(
    subject: &Subject,
    steps: &Steps,
    mut tell: impl FnMut(Told),
) -> Result<StepTest, StepTestError> {
    let tester = Tester::new(subject)?;
    tester.find()?;
    let former = tester.former(steps)?;
    tester.check()?;
    tell(Told::Ready(&former.gain_set));
    tester.session.wait(NOTICE)?;
    tester.session.wait_for_even_time(EVEN)?;
    tester.check()?;

    let mut windows = Vec::new();
    let outcome = tester.measure(steps, &former, &mut windows, &mut tell);
    let end = tester.session.now();
    let outcome = match outcome {
        Ok(()) => tester.put_back(&former),
        Err(reason) => Err(format!("{reason}; {}", tester.stop(&former))),
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
            complete: until.is_some(),
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
    get: Client<GetParameters::Service>,
    list: Client<ListParameters::Service>,
    set: Client<SetParametersAtomically::Service>,
    hold: Client<Trigger::Service>,
    heard: Shared,
    // Dropped in this order: no task may outlive the node that feeds it by long.
    session: Session,
    _spinner: Spinner,
}

impl Tester {
    /// Joins the graph. From here on SIGINT and SIGTERM are taken note of.
    fn new(subject: &Subject) -> Result<Self, NodeError> {
        let name = format!("step_test_{}", std::process::id());
        let graph = |source| NodeError::Graph {
            node: name.clone(),
            source,
        };
        let mut node = Node::create(context()?, &name, "").map_err(graph)?;
        let many = || QosProfile::default().keep_last(100).reliable();
        let joint = &subject.joint;
        let topic = |topic: &str| format!("{joint}/{topic}");
        let mut session = Session::new(Keeps::of(&node))?;
        let heard = listen(&mut node, &session, subject).map_err(graph)?;
        session.listen_to_time(&mut node).map_err(graph)?;
        let services = QosProfile::services_default;
        Ok(Self {
            desired: node
                .create_publisher(&topic("desired_pose"), many().keep_last(1))
                .map_err(graph)?,
            get: node
                .create_client(&topic("get_parameters"), services())
                .map_err(graph)?,
            list: node
                .create_client(&topic("list_parameters"), services())
                .map_err(graph)?,
            set: node
                .create_client(&topic("set_parameters_atomically"), services())
                .map_err(graph)?,
            hold: node
                .create_client(&topic("hold"), services())
                .map_err(graph)?,
            subject: subject.clone(),
            heard,
            session,
            _spinner: Spinner::new(node)?,
        })
    }

    /// Waits until everything is heard and the joint is well.
    fn find(&self) -> Result<(), StepTestError> {
        // Simulated time may not have begun.
        let machine = || self.session.clock().machine();
        let end = machine() + DISCOVERY;
        loop {
            let idle = locked(&self.heard).idle();
            if let Some(reason) = idle {
                let joint = self.subject.joint.clone();
                return Err(StepTestError::NotReady { joint, reason });
            }
            let silent = locked(&self.heard).silent(self.session.clock());
            let listens = self.desired.get_inter_process_subscription_count();
            let missing = match silent {
                Some("~/head_pose") => "its ~/head_pose is not heard",
                Some("~/motor_setpoints") => "its ~/motor_setpoints are not heard",
                Some("joint_states") => "joint_states do not tell all its motors' angles",
                Some(_) => "/diagnostics does not speak of it",
                None if !listens.is_ok_and(|count| count > 0) => {
                    "it does not listen to ~/desired_pose"
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
            self.session.wait(0.02)?;
        }
    }

    fn service(&self, name: &str) -> String {
        format!("{}/{name}", self.subject.joint)
    }

    fn get(&self, names: Vec<String>) -> Result<Vec<ParameterValue>, ClientError> {
        let service = self.service("get_parameters");
        let request = GetParameters::Request { names };
        Ok(self.session.ask(&self.get, &service, &request)?.values)
    }

    /// What is in force, once it is found that the test can be made.
    fn former(&self, steps: &Steps) -> Result<Former, StepTestError> {
        let joint = || self.subject.joint.clone();
        let gains = ListParameters::Request {
            prefixes: vec!["gains".into()],
            depth: 0,
        };
        let service = self.service("list_parameters");
        let listed = self.session.ask(&self.list, &service, &gains)?.result.names;
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
        let [set, sets, motors, most, over_bend, gains @ ..] = values.as_slice() else {
            return Err(self.odd());
        };
        if gains.len() != listed.len() {
            return Err(self.odd());
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
        let asked = steps.runs.iter().flatten().map(|b| inclination(*b));
        let (asked, most) = (asked.fold(0.0, f64::max), most.double_value);
        // With a margin for the rounding between degrees and radians.
        if !(asked <= most + 1e-9) {
            return Err(StepTestError::Beyond {
                joint: joint(),
                asked: asked.to_degrees(),
                most: most.to_degrees(),
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

    fn odd(&self) -> StepTestError {
        StepTestError::NotReady {
            joint: self.subject.joint.clone(),
            reason: "its parameter services do not answer as this program's node does".into(),
        }
    }

    /// Whether the joint is well and the clocks are in step.
    fn check(&self) -> Result<(), StepTestError> {
        let refuse = |reason| {
            let joint = self.subject.joint.clone();
            Err(StepTestError::NotReady { joint, reason })
        };
        let heard = locked(&self.heard);
        if let Some(topic) = heard.silent(self.session.clock()) {
            return refuse(format!("{topic} has fallen silent"));
        }
        if let Some(reason) = heard.diagnosis.as_ref().and_then(Diagnosis::trouble) {
            return refuse(reason);
        }
        if !(AGES.0 <= heard.age && heard.age <= AGES.1) {
            return refuse(format!(
                "its head poses are {:.3} s old by this machine's clock; accepted: up to {} s, so set the clocks or record on its machine",
                heard.age, AGES.1
            ));
        }
        Ok(())
    }

    /// Takes the test; `windows` are from when to when each record is. An error is the reason why it ended.
    fn measure(
        &self,
        steps: &Steps,
        former: &Former,
        windows: &mut Vec<(f64, Option<f64>)>,
        tell: &mut impl FnMut(Told),
    ) -> Result<(), String> {
        let words = |e: ClientError| e.to_string();
        self.point(Bend::zeros()).map_err(words)?;
        self.choose(vec![parameter("gain_set", text(GAIN_SET))])
            .map_err(words)?;
        let mut watch = Watch {
            tester: self,
            over_bend: former.over_bend,
            in_force: false,
            looked: self.session.now(),
        };
        watch.wait(BLEND + steps.dwell)?;
        let (mut made, count) = (0, steps.count());
        for run in &steps.runs {
            // Straight, and at rest for a dwell.
            let from = self.session.now() - steps.dwell.min(LEAD);
            windows.push((from, None));
            for target in run {
                made += 1;
                tell(Told::Step(made, *target));
                self.point(*target).map_err(words)?;
                watch
                    .wait(steps.dwell)
                    .map_err(|reason| format!("in step {made} of {count}: {reason}"))?;
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
        let service = self.service("set_parameters_atomically");
        let request = SetParametersAtomically::Request { parameters };
        let result = self.session.ask(&self.set, &service, &request)?.result;
        if result.successful {
            return Ok(());
        }
        Err(ClientError::Refused {
            parameter: "gain_set".into(),
            reason: result.reason,
        })
    }

    /// After the last step: the former gains, and the joint straight. The gain set in force, or what could not be done.
    fn put_back(&self, former: &Former) -> Result<String, String> {
        let set = match self.restore(former) {
            Ok(set) => set,
            Err(error) => {
                let told = said(self.hold(), Err(error));
                return Err(format!("all steps were made, but {told}"));
            }
        };
        match self.point(Bend::zeros()) {
            Ok(()) => Ok(set),
            Err(error) => Err(format!(
                "all steps were made, but the joint could not be sent straight ({error})"
            )),
        }
    }

    /// Hold, and the former gains. What was done, and what could not be.
    fn stop(&self, former: &Former) -> String {
        // The hold first: a change of gains waits for a motion to end.
        let held = self.hold();
        said(held, self.restore(former))
    }

    /// The former gains, unless somebody else has chosen others; the gain set that is in force then.
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
        let service = self.service("hold");
        let request = Trigger::Request {};
        let answer = self.session.ask(&self.hold, &service, &request)?;
        if answer.success {
            return Ok(());
        }
        Err(ClientError::Refused {
            parameter: service,
            reason: answer.message,
        })
    }
}

fn said(held: Result<(), ClientError>, restored: Result<String, ClientError>) -> String {
    let held = match held {
        Ok(()) => "the joint was told to hold".to_string(),
        Err(error) => format!("the joint could not be told to hold ({error})"),
    };
    match restored {
        Ok(set) => format!("{held}, and the gain set '{set}' is in force"),
        Err(error) => format!(
            "{held}, and the former gain set could not be put back ({error}): '{GAIN_SET}', which corrects nothing, may still be in force"
        ),
    }
}

/// Looks at the joint while it moves.
struct Watch<'a> {
    tester: &'a Tester,
    over_bend: f64,
    /// The gain set has been seen in force.
    in_force: bool,
    looked: f64,
}

impl Watch<'_> {
    /// Lets `seconds` pass while all is well; else the reason.
    fn wait(&mut self, seconds: f64) -> Result<(), String> {
        let end = self.tester.session.now() + seconds;
        loop {
            self.look()?;
            let left = end - self.tester.session.now();
            if left <= 0.0 {
                return Ok(());
            }
            let looked = self.tester.session.wait(LOOK.min(left));
            looked.map_err(|e| e.to_string())?;
        }
    }

    fn look(&mut self) -> Result<(), String> {
        let session = &self.tester.session;
        if session.interrupted() {
            return Err("interrupted".into());
        }
        let now = session.now();
        // Where this process did not get its share of the machine, it has not listened either.
        let late = now - std::mem::replace(&mut self.looked, now) > LATE;
        let heard = locked(&self.tester.heard);
        if let (false, Some(topic)) = (late, heard.silent(session.clock())) {
            return Err(format!("{topic} fell silent"));
        }
        if let Some(last) = heard.streams.bends.last() {
            let bent = inclination(last.bend);
            if !(bent <= self.over_bend) {
                return Err(format!(
                    "bent by {:.1} deg, beyond limits.over_bend of {:.1} deg",
                    bent.to_degrees(),
                    self.over_bend.to_degrees()
                ));
            }
        }
        let Some(diagnosis) = &heard.diagnosis else {
            return Ok(());
        };
        if let Some(trouble) = diagnosis.trouble() {
            return Err(trouble);
        }
        // Reports from before the change still name the former set.
        if diagnosis.gain_set == GAIN_SET {
            self.in_force = true;
        } else if self.in_force {
            return Err(format!(
                "somebody else chose the gain set '{}'",
                diagnosis.gain_set
            ));
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

fn text(value: &str) -> ParameterValue {
    ParameterValue {
        type_: 4, // PARAMETER_STRING of rcl_interfaces/msg/ParameterType
        string_value: value.into(),
        ..ParameterValue::default()
    }
}
