//! The inspection act: the targets of the glasshouse guide's neck, in order, and the results.

use std::ffi::OsString;
use std::path::Path;

use nalgebra::Vector3;

use super::Args;
use super::bed::{
    Failure, Length, MARGIN, PAYLOADS, Payload, move_headings, move_words, pose, target, visit,
};
use super::children::{Process, SIMULATED_TIME, end, lockstep, meet, visitor, wait};
use super::gaze::GazeAct;
use super::live;
use super::picture::Story;
use super::tuning::TuningAct;
use crate::cli::output::{self, Meaning};
use crate::cli::{CmdError, simulate};
use crate::control::controller::CommandInterface;
use crate::control::geometry::Bend;
use crate::design::trial::{
    Bars, GazeFigures, MoveFigures, PayloadFigures, PushFigures, SWAP_WATCH, SetpointPeak,
    SwapFigures, Verdict, push_peak,
};
use crate::files::{JointFile, SetpointMessage, SimulatedFile};
use crate::report::{Align, Mark, Table};
use crate::ros::client::Nodes;
use crate::ros::client::bend_client::{BendClient, Recorded};
use crate::ros::client::session::Keeps;

const PURE_FEEDBACK: &str = "pure-feedback";

/// Targets per payload, and offset of each payload's first target in the list; together they cover
/// all targets.
const COUNT: usize = 8;
const OFFSET: usize = 4;
const QUICK_COUNT: usize = 2;

/// Time for which a pose is held, s; longer in pure feedback, which is slower.
const DWELL: f64 = 2.0;
const PURE_DWELL: f64 = 2.5;
/// Time for which a payload change and a push are observed, s.
const PAYLOAD_WATCH: f64 = 2.0;
const PUSH_WATCH: f64 = 4.0;
/// Force of a push on the head plate, N, and its duration, s.
const PUSH: f64 = 4.0;
const PUSH_DURATION: f64 = 0.15;

/// State of the act and its results.
struct Inspection<'a> {
    joint: &'a JointFile,
    simulated: &'a SimulatedFile,
    bend_client: BendClient,
    processes: Vec<Process>,
    length: Length,
    story: Story,
    moves: Vec<(String, MoveFigures)>,
    payloads: Vec<(String, PayloadFigures)>,
    pushes: Vec<(String, PushFigures)>,
    swaps: Vec<(String, SwapFigures)>,
    peaks: Vec<(String, SetpointPeak)>,
    gazes: Vec<(String, GazeFigures)>,
}

/// Runs the demo and prints its verdict.
///
/// # Errors
/// The verdict is not good, or the ROS graph cannot be used.
pub fn run(args: &Args) -> Result<(), CmdError> {
    let joint = JointFile::load(&args.joint).map_err(CmdError::input)?;
    let simulated = simulate::load(args.simulated.as_deref())?;
    fit(&joint, &simulated)?;
    std::fs::create_dir_all(&args.output)
        .map_err(|e| CmdError::Input(format!("--output {}: {e}", args.output.display())))?;
    println!(
        "The glasshouse guide's neck inspects a bed of plants. Node and simulated joint run as \
         processes of their own\n\
         and meet on a ROS 2 graph (domain {}, this machine only). Angles in deg; figures from the \
         simulated joint's true bend.\n\
         Time is simulated, in lockstep with the node, wherever figures are judged: a busy machine \
         changes nothing but how long\n\
         it takes. The last act is in real time.\n\
         The gain sets of the first act are not examined beforehand (examine.action is off): the \
         node's payload is not set,\n\
         and the act shows how well they do. The act from step tests to a gain set has its sets \
         examined.\n\
         Caution: on a real joint, motors under tension pinch and tendons whip; the software stop \
         is not a safety function.\n",
        std::env::var("ROS_DOMAIN_ID").unwrap_or_default()
    );
    let mut inspection = start(args, &joint, &simulated).map_err(CmdError::failed)?;
    let seen = inspection.inspect();
    inspection.story.span.1 = inspection.now();
    let kept = inspection.keep(&args.output);
    seen.map_err(CmdError::failed)?;
    kept.map_err(|e| {
        CmdError::Failed(format!("{} cannot be written: {e}", args.output.display()))
    })?;
    // Frees the processor for the next act.
    let session = inspection.bend_client.connection.session();
    end(session, &mut inspection.processes);
    if !args.feedback_off {
        let act = gaze(args);
        inspection.gazes = act.map_err(CmdError::failed)?;
        let moves = tuning(args, &joint).map_err(CmdError::failed)?;
        inspection.moves.extend(moves);
        live::show(&joint, &args.output, args.length()).map_err(CmdError::failed)?;
    }
    let verdict = inspection.verdict();
    if args.quick {
        println!(
            "the whole demo (without --quick) adds: all twelve directions, a second push, pure \
             feedback for comparison, swaps of gain sets\n\
             that are watched, eight things to look at, and step tests in two directions"
        );
    }
    println!(
        "pictures and recording: {}, {}, {}",
        args.output.join("demo.svg").display(),
        args.output.join("demo-gaze.svg").display(),
        args.output.join("demo.csv").display()
    );
    if verdict.good() {
        Ok(())
    } else {
        let missed = verdict.bars.iter().filter(|b| !b.good()).count();
        Err(CmdError::Failed(format!(
            "the verdict is not good: {missed} of {} bars are missed",
            verdict.bars.len()
        )))
    }
}

/// Runs the gaze act and returns its figures.
fn gaze(args: &Args) -> Result<Vec<(String, GazeFigures)>, Failure> {
    let mut act = GazeAct::start(&args.output)?;
    act.look(args.length())?;
    act.end();
    let picture = args.output.join("demo-gaze.svg");
    std::fs::write(&picture, act.picture().svg()).map_err(Failure::write(&picture))?;
    Ok(act.figures.clone())
}

/// Runs the tuning act and returns the figures of its moves.
fn tuning(args: &Args, joint: &JointFile) -> Result<Vec<(String, MoveFigures)>, Failure> {
    let mut act = TuningAct::start(joint, &args.output, args.length())?;
    act.work()?;
    act.end();
    Ok(std::mem::take(&mut act.moves))
}

/// Checks that joint and simulated joint match as far as the demo needs it.
fn fit(joint: &JointFile, simulated: &SimulatedFile) -> Result<(), CmdError> {
    let refuse = |sentence: String| Err(CmdError::Input(sentence));
    if joint.motor_names != simulated.motor_names {
        return refuse(format!(
            "{} names the motors {:?} and {} names them {:?}; accepted: the same names in the same order",
            joint.file.display(),
            joint.motor_names,
            simulated.file.display(),
            simulated.motor_names
        ));
    }
    if joint.kind != CommandInterface::Position
        || joint.setpoint_message != SetpointMessage::JointState
    {
        return refuse(format!(
            "{}: setpoint is not of kind position in a joint_state message; accepted by the demo: that",
            joint.file.display()
        ));
    }
    let needed = PAYLOADS.iter().map(|p| p.gain_set).chain([PURE_FEEDBACK]);
    for name in needed {
        if !joint.gain_sets.iter().any(|s| s.name == name) {
            return refuse(format!(
                "{} has no gain set {name}; accepted by the demo: a joint with the sets {}",
                joint.file.display(),
                PAYLOADS.map(|p| p.gain_set).join(", ") + ", " + PURE_FEEDBACK
            ));
        }
    }
    Ok(())
}

/// Starts the processes and waits until all three have discovered each other.
fn start<'a>(
    args: &Args,
    joint: &'a JointFile,
    simulated: &'a SimulatedFile,
) -> Result<Inspection<'a>, Failure> {
    let full_name =
        |namespace: &str, name: &str| format!("{}/{name}", namespace.trim_end_matches('/'));
    let nodes = Nodes {
        joint: full_name(&joint.namespace, &joint.name),
        simulated: full_name(&simulated.namespace, &simulated.name),
        base_frame: joint.frames.base.clone(),
    };
    let remap = ["motor_setpoints", "acknowledged"]
        .map(|topic| format!("withy/{topic}:={}/{topic}", nodes.joint));
    let name = visitor("inspection");
    let bend_client = BendClient::new(nodes, &joint.motor_names, &name, Keeps::Simulated)?;
    let mut words: Vec<OsString> = vec!["simulate".into()];
    words.extend(args.simulated.as_ref().map(|file| file.clone().into()));
    words.extend([
        "--push-ms".into(),
        format!("{}", PUSH_DURATION * 1e3).into(),
    ]);
    words.extend(lockstep(&name));
    words.extend(["--ros-args", "-r", &remap[0], "-r", &remap[1]].map(OsString::from));
    let log = args.output.join("demo-simulated-joint.log");
    let world = Process::start("the simulated joint", words, &log)?;
    let mut words: Vec<OsString> = vec!["run".into(), args.joint.clone().into()];
    // This act judges gain sets by the joint's motion; the tuning act has them examined.
    words.extend(["--ros-args", "-p", "examine.action:='off'"].map(OsString::from));
    words.extend(SIMULATED_TIME.map(OsString::from));
    if args.feedback_off {
        println!("Feedback is off: its limit is 0.\n");
        words.extend(["-p", "limits.feedback:=0.0"].map(OsString::from));
    }
    let log = args.output.join("demo-node.log");
    // The node ends first, because it brings the joint to rest.
    let node = Process::start("the node", words, &log)?;
    let mut inspection = Inspection {
        joint,
        simulated,
        bend_client,
        processes: vec![node, world],
        length: args.length(),
        story: Story::default(),
        moves: Vec::new(),
        payloads: Vec::new(),
        pushes: Vec::new(),
        swaps: Vec::new(),
        peaks: Vec::new(),
        gazes: Vec::new(),
    };
    let connection = &inspection.bend_client.connection;
    let needs = inspection.bend_client.subscribers();
    meet(connection.session(), &mut inspection.processes, needs)?;
    connection.bring_up()?;
    // The joint starts straight and sags into place.
    inspection.wait(0.5)?;
    inspection.story.span.0 = inspection.now();
    Ok(inspection)
}

/// Figures of one move and the largest setpoints relative to their limits.
struct Scored {
    figures: MoveFigures,
    peak: SetpointPeak,
}

impl Inspection<'_> {
    fn wait(&mut self, seconds: f64) -> Result<(), Failure> {
        let session = self.bend_client.connection.session();
        wait(session, &mut self.processes, seconds)
    }

    fn now(&self) -> f64 {
        self.bend_client.connection.now()
    }

    fn chapter(&mut self, name: &str) {
        let at = match self.story.chapters.as_slice() {
            [] => self.story.span.0,
            _ => self.now(),
        };
        self.story.chapters.push((at, name.into()));
    }

    fn mark(&mut self, at: f64, label: impl Into<String>) {
        let label = label.into();
        self.story.marks.push(Mark { at, label });
    }

    fn peak(&self, from: f64, to: f64) -> SetpointPeak {
        let (joint, span) = (self.joint, (from, to));
        self.bend_client.look(|r| {
            let limits = &joint.limits.motors;
            SetpointPeak::score(&r.setpoints, limits, joint.kind, joint.joint.period, span)
        })
    }

    /// Commands one target, waits, scores the move and shows the figures.
    fn visit(&mut self, payload: &str, bend: Bend, dwell: f64) -> Result<Scored, Failure> {
        let (sent, figures) = visit(&self.bend_client, &mut self.processes, bend, dwell)?;
        self.story.commands.push((sent, bend));
        let peak = self.peak(sent, sent + dwell);
        println!(
            "{payload:<21} {}  {:>4.0} % {:>5.0} %",
            move_words(bend, &figures),
            100.0 * peak.travel,
            100.0 * peak.speed
        );
        Ok(Scored { figures, peak })
    }

    /// Returns the bend that is commanded; `start` before the first command.
    fn held(&self, start: Bend) -> Bend {
        self.story.commands.last().map_or(start, |c| c.1)
    }

    /// Sets a payload while the present pose is held, and returns the time, s, and the figures.
    fn set_payload(&mut self, payload: &Payload) -> Result<(f64, PayloadFigures), Failure> {
        let connection = &self.bend_client.connection;
        let at = connection.set_payload(payload.mass, payload.height)?;
        let grams = payload.mass * 1e3;
        self.mark(at, format!("payload {grams:.0} g"));
        let end = at + PAYLOAD_WATCH;
        self.wait(end + MARGIN - self.now())?;
        let held = self.held(Bend::zeros());
        let score = |r: &Recorded| PayloadFigures::score(&r.bends, held, at, end);
        let figures = self.bend_client.look(score)?;
        println!(
            "\n{} while {} is held: off by {:.2} deg at most, back within 0.3 deg {}",
            if payload.mass > 0.0 {
                format!("{} set on", payload.name)
            } else {
                "payload taken off".into()
            },
            pose(held, 0),
            figures.peak.to_degrees(),
            after(figures.back)
        );
        Ok((at, figures))
    }

    /// Sets a payload and judges the figures.
    fn judge_payload(&mut self, payload: &Payload) -> Result<(), Failure> {
        let (at, figures) = self.set_payload(payload)?;
        self.payloads.push((payload.name.into(), figures));
        let peak = self.peak(at, at + PAYLOAD_WATCH);
        self.peaks.push((format!("{} set on", payload.name), peak));
        Ok(())
    }

    /// Swaps the gain set at rest.
    fn swap(&mut self, gain_set: &str) -> Result<(), Failure> {
        let (requested, done) = self.bend_client.swap(gain_set)?;
        self.mark(requested, format!("gains: {gain_set}"));
        let took = (done - requested) * 1e3;
        if self.length == Length::Quick {
            println!("gain set {gain_set} in force after {took:.0} ms");
            return Ok(());
        }
        self.wait(requested + SWAP_WATCH + MARGIN - self.now())?;
        let figures = self
            .bend_client
            .look(|r| SwapFigures::score(&r.bends, &r.setpoints, (requested, done)))?;
        println!(
            "gain set {gain_set} in force after {took:.0} ms: bend moved {:.3} deg in the next \
             {SWAP_WATCH:.0} s; max setpoint step {:.2} mrad (in the second before: {:.2})",
            figures.moved.to_degrees(),
            figures.step * 1e3,
            figures.ordinary_step * 1e3
        );
        self.peaks.push((
            format!("swap to {gain_set}"),
            self.peak(requested, requested + SWAP_WATCH),
        ));
        self.swaps.push((gain_set.into(), figures));
        Ok(())
    }

    /// Pushes the head plate in the direction `toward` in the base plane.
    fn push(&mut self, words: &str, toward: Bend, payload: &Payload) -> Result<(), Failure> {
        let held = self.held(Bend::zeros());
        let force = Vector3::new(toward.x, toward.y, 0.0) * (PUSH / toward.norm());
        let at = self.bend_client.push(force)?;
        let setpoints = self.bend_client.look(|r| r.setpoints.last().cloned());
        let setpoints = setpoints.map(|s| s.setpoints).unwrap_or_default();
        self.mark(at, format!("push {PUSH:.0} N {words}"));
        let end = at + PUSH_WATCH;
        let still = simulate::push_with_motors_still(
            self.simulated,
            (payload.mass, payload.height),
            &setpoints,
            force,
            PUSH_DURATION,
            PUSH_WATCH,
        );
        let still = push_peak(&still?, 0.0, PUSH_WATCH)?;
        self.wait(end + MARGIN - self.now())?;
        let figures = self
            .bend_client
            .look(|r| PushFigures::score(&r.bends, held, at, end, still))?;
        let peak = self.peak(at, end);
        println!(
            "push {words}, {PUSH:.0} N for {:.0} ms: peak {:.1} deg, {:.2} times that with motors \
             still ({:.1} deg);\n  back within 1 deg {}; at rest within {:.3} deg of its target; \
             setpoints at {:.0} % of travel, {:.0} % of speed at most",
            PUSH_DURATION * 1e3,
            figures.peak.to_degrees(),
            figures.ratio(),
            still.to_degrees(),
            after(figures.back),
            figures.rest.to_degrees(),
            100.0 * peak.travel,
            100.0 * peak.speed
        );
        self.peaks.push((format!("push {words}"), peak));
        self.pushes.push((words.into(), figures));
        Ok(())
    }

    /// Runs the whole act.
    fn inspect(&mut self) -> Result<(), Failure> {
        let count = match self.length {
            Length::Whole => COUNT,
            Length::Quick => QUICK_COUNT,
        };
        for (i, payload) in PAYLOADS.iter().enumerate() {
            self.chapter(payload.name);
            if payload.mass > 0.0 {
                self.judge_payload(payload)?;
            }
            self.swap(payload.gain_set)?;
            heading();
            for k in 0..count {
                let bend = target(OFFSET * i + k);
                let scored = self.visit(payload.name, bend, DWELL)?;
                let at = format!("{}, {}", payload.name, pose(bend, 0));
                self.peaks.push((at.clone(), scored.peak));
                self.moves.push((at, scored.figures));
            }
        }
        let [bare, _, heaviest] = &PAYLOADS;
        let held = self.held(Bend::x());
        println!();
        self.push("outward", held, heaviest)?;
        if self.length == Length::Quick {
            return Ok(());
        }
        self.push("sideways", Bend::new(-held.y, held.x), heaviest)?;
        self.chapter("pure feedback, bare");
        self.set_payload(bare)?;
        self.swap(bare.gain_set)?;
        self.swap(PURE_FEEDBACK)?;
        println!("\nThe same targets in pure feedback, for comparison; not part of the verdict:");
        heading();
        for k in 0..count {
            self.visit("pure feedback, bare", target(k), PURE_DWELL)?;
        }
        Ok(())
    }

    fn keep(&self, folder: &Path) -> std::io::Result<()> {
        let recorded = self.bend_client.look(|r| (*r).clone());
        let motors = &self.joint.motor_names;
        let (low, high) = self
            .joint
            .limits
            .motors
            .iter()
            .fold((f64::NEG_INFINITY, f64::INFINITY), |(low, high), m| {
                (low.max(m.low), high.min(m.high))
            });
        let label = format!("motor setpoints, rad (limits {low:.2} and {high:.2})");
        let figure = self.story.picture(&recorded, motors, &label);
        std::fs::write(folder.join("demo.svg"), figure.svg())?;
        self.story
            .record(&recorded, motors, "rad", &folder.join("demo.csv"))
    }

    /// Judges the figures and prints the verdict.
    fn verdict(&self) -> Verdict {
        let bars = Bars::default();
        let mut verdict = Verdict::default()
            .moves(&bars, &self.moves)
            .payloads(&bars, &self.payloads)
            .pushes(&bars, &self.pushes)
            .setpoints(&bars, &self.peaks);
        if self.length == Length::Whole {
            verdict = verdict.swaps(&bars, &self.swaps);
        }
        if !self.gazes.is_empty() {
            verdict = verdict.gazes(&bars, &self.gazes);
        }
        let mut table = Table::new(&[
            ("verdict", "", Align::Left),
            ("worst", "", Align::Right),
            ("at most", "", Align::Right),
            ("", "", Align::Left),
            ("where", "", Align::Left),
        ]);
        for bar in &verdict.bars {
            table.row([
                bar.what.into(),
                bar.unit.show(bar.figure),
                bar.unit.show(bar.limit),
                if bar.good() {
                    Meaning::Good.out("pass")
                } else {
                    Meaning::Bad.out("FAIL")
                },
                bar.at.clone(),
            ]);
        }
        println!("\n{}", output::fitted(&table));
        let words = if verdict.good() {
            Meaning::Good.out("good: every bar is met")
        } else {
            Meaning::Bad.out("NOT GOOD")
        };
        println!("verdict: {words}");
        verdict
    }
}

/// Returns when something was over, in words.
fn after(time: Option<f64>) -> String {
    time.map_or("never".into(), |s| format!("after {s:.2} s"))
}

fn heading() {
    println!(
        "\n{:<21} {}  {:>13}\n{:84}travel  speed",
        "payload",
        move_headings(),
        "setpoint peak",
        ""
    );
}
