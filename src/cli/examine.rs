//! `withy examine`: examines gain sets on every model of a joint.

use std::path::PathBuf;

use serde_json::{Value, json};

use super::output::{self, Meaning, Progress};
use super::tune::plant_figures;
use super::{CmdError, within};
use crate::control::controller::CommandInterface;
use crate::design::examine::{
    Conditions, Course, Demand, Depth, Examination, Floor, LoopFigures, Member, Move, OnModel,
    Slack, Worst, examine,
};
use crate::design::model::{Dynamics, Plant};
use crate::files::{JointFile, JointModel, ModelsFile, NamedGainSet};
use crate::report::{Align, Table};

/// Examine gain sets on the models of a joint.
///
/// Shows stability with all tendons taut and with each one slack, margins, sensitivity, motion and
/// demands on the motors, for the discretised and the continuous law.
///
/// Exit codes: 0, good; 1, a set is unstable on a model or below the floor; 2, an argument or a
/// file is wrong.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Joint file.
    #[arg(value_name = "JOINT.yaml")]
    pub joint: PathBuf,
    /// Gain set to examine; by default all of the joint's.
    #[arg(long, value_name = "NAME")]
    pub gain_set: Option<String>,
    /// Models of the joint; by default those of the joint file, else those that a set was made for,
    /// else the set's own model.
    #[arg(long, value_name = "MODELS.yaml")]
    pub models: Option<PathBuf>,
    /// Sensor latency when a sample is used, beyond the models' dead time, ms.
    #[arg(long, value_name = "MS", default_value_t = 0.0)]
    pub sensor_latency_ms: f64,
    /// Output delay of setpoints, ms.
    #[arg(long, value_name = "MS", default_value_t = 0.0)]
    pub output_delay_ms: f64,
    /// Noise of the measured bend, deg rms per axis.
    #[arg(long, value_name = "DEG", default_value_t = 0.06)]
    pub orientation_noise_deg: f64,
    /// Noise of the angular velocity, rad/s rms per axis.
    #[arg(long, value_name = "RAD_S", default_value_t = 0.01)]
    pub gyro_noise_rad_s: f64,
    /// Minimum phase margin, deg.
    #[arg(long, value_name = "DEG", default_value_t = 30.0)]
    pub margin_floor_deg: f64,
    /// Maximum sensitivity peak.
    #[arg(long, value_name = "PEAK", default_value_t = 4.0)]
    pub sensitivity_ceiling: f64,
    /// Print the figures as JSON.
    #[arg(long)]
    pub json: bool,
}

/// A gain set with its examination.
struct Judged<'a> {
    set: &'a NamedGainSet,
    source: String,
    found: Examination,
    /// The reason why it is not acceptable, if so.
    refusal: Option<String>,
}

/// Examines the gain sets and prints the results.
///
/// # Errors
/// A file or an argument that is not accepted, or a set that is not acceptable.
pub fn run(args: &Args) -> Result<(), CmdError> {
    let (floor, conditions) = (floor(args)?, conditions(args)?);
    let joint = JointFile::load(&args.joint).map_err(CmdError::input)?;
    let models = match &args.models {
        Some(file) => Some(ModelsFile::load(file).map_err(CmdError::input)?),
        None => None,
    };
    let chosen = chosen(args, &joint)?;
    let progress = Progress::new();
    let mut judged = Vec::new();
    for (number, i) in chosen.clone().enumerate() {
        let set = &joint.gain_sets[i];
        let (source, family) = family(args, &joint, models.as_ref(), set);
        progress.set(format!(
            "examining gain set {} ({} of {}) on models: {}",
            set.name,
            number + 1,
            chosen.len(),
            family.len()
        ));
        let law = joint.law(i).map_err(CmdError::input)?;
        let found = examine(&joint.joint, &law, &family, &conditions, Depth::Full)
            .map_err(|e| CmdError::Input(format!("{source}: {e}")))?;
        let refusal = found.acceptable(&floor).err();
        judged.push(Judged {
            set,
            source,
            found,
            refusal: refusal.map(|reason| reason.to_string()),
        });
    }
    drop(progress);
    if args.json {
        let sets: Vec<Value> = judged.iter().map(|j| figures(j, &joint)).collect();
        println!("{:#}", json!({ "gain_sets": sets }));
    } else {
        let mut last = String::new();
        for one in &judged {
            // Most sets have the models of the previous one.
            let models = models_words(one);
            if models != last {
                print!("{}", output::wrapped(&models));
                last = models;
            }
            print!("{}", output::wrapped(&words(one, &joint)));
        }
    }
    let refused = judged.iter().filter_map(|j| {
        let reason = j.refusal.as_ref()?;
        Some(format!("gain set {}: {reason}", j.set.name))
    });
    let refused: Vec<String> = refused.collect();
    if refused.is_empty() {
        Ok(())
    } else {
        Err(CmdError::Each(refused))
    }
}

fn floor(args: &Args) -> Result<Floor, CmdError> {
    let margin = within("--margin-floor-deg", args.margin_floor_deg, 0.0, 180.0)?;
    let ceiling = args.sensitivity_ceiling;
    Ok(Floor {
        margin: margin.to_radians(),
        sensitivity: within("--sensitivity-ceiling", ceiling, 1.0, 100.0)?,
    })
}

fn conditions(args: &Args) -> Result<Conditions, CmdError> {
    let noise = args.orientation_noise_deg;
    Ok(Conditions {
        age: within("--sensor-latency-ms", args.sensor_latency_ms, 0.0, 10_000.0)? * 1e-3,
        output: within("--output-delay-ms", args.output_delay_ms, 0.0, 10_000.0)? * 1e-3,
        orientation_noise: within("--orientation-noise-deg", noise, 0.0, 90.0)?.to_radians(),
        gyro_noise: within("--gyro-noise-rad-s", args.gyro_noise_rad_s, 0.0, 100.0)?,
    })
}

/// Returns the numbers of the gain sets to examine.
fn chosen(args: &Args, joint: &JointFile) -> Result<std::ops::Range<usize>, CmdError> {
    let Some(name) = &args.gain_set else {
        return Ok(0..joint.gain_sets.len());
    };
    let names: Vec<&str> = joint.gain_sets.iter().map(|s| s.name.as_str()).collect();
    let at = names.iter().position(|n| n == name);
    let refused = || CmdError::refused("--gain-set", name, names.join(", "));
    at.map(|at| at..at + 1).ok_or_else(refused)
}

/// Returns the models that a set is examined on, and their origin.
fn family(
    args: &Args,
    joint: &JointFile,
    models: Option<&ModelsFile>,
    set: &NamedGainSet,
) -> (String, Vec<Member>) {
    let members = |models: &[JointModel]| {
        let member = |m: &JointModel| Member::new(m.name.clone(), m.plant);
        models.iter().map(member).collect()
    };
    if let (Some(file), Some(models)) = (&args.models, models) {
        return (file.display().to_string(), members(&models.models));
    }
    if !joint.models.is_empty() {
        return ("the joint's models".into(), members(&joint.models));
    }
    if !set.purpose.models.is_empty() {
        let models = set.purpose.models.iter().enumerate();
        let members = models.map(|(i, m)| Member::new(format!("made_for[{i}]"), Plant::from(*m)));
        return ("the models it was made for".into(), members.collect());
    }
    let own = Member::new("model", Plant::from(set.gains.model));
    ("its own model".into(), vec![own])
}

/// Returns gain, lag and dead time of a model.
fn plant_words(plant: &Plant) -> [String; 3] {
    let (gain, lag) = match plant.dynamics {
        Dynamics::First { time_constant } => (
            format!("{:.3}", plant.gain),
            format!("{:.1} ms", time_constant * 1e3),
        ),
        Dynamics::Second(second) => {
            let (w, z) = second.parts();
            let lag = format!("{w:.1} rad/s, damping {z:.2}");
            (format!("{:.3}", plant.gain), lag)
        }
        Dynamics::Integrating { time_constant } => (
            format!("{:.3}/s", plant.gain),
            format!("{:.1} ms", time_constant * 1e3),
        ),
    };
    [gain, lag, format!("{:.1} ms", plant.dead_time * 1e3)]
}

fn margin_words(figures: &LoopFigures) -> String {
    if !figures.stable() {
        return Meaning::Bad.out("unstable");
    }
    match figures.phase_margin {
        Some(_) => format!("{:.1}", figures.margin().to_degrees()),
        None => "-".into(),
    }
}

fn worst_slack(model: &OnModel) -> String {
    let mut worst: Option<&Worst> = None;
    for slack in &model.slack {
        match slack {
            Slack::Falls { .. } => return Meaning::Bad.out("falls"),
            Slack::Loop(w) => {
                let figures = &w.figures;
                if worst.is_none_or(|w| figures.margin() < w.figures.margin()) {
                    worst = Some(w);
                }
            }
        }
    }
    worst.map_or("-".into(), |w| margin_words(&w.figures))
}

/// Returns the figures of one law's loop on one model: crossover, margins of phase, delay and gain,
/// sensitivity.
fn loop_words(worst: Option<&Worst>, delay_margin: Option<f64>) -> [String; 5] {
    let of = |f: &dyn Fn(&LoopFigures) -> Option<String>| {
        worst.and_then(|w| f(&w.figures)).unwrap_or("-".into())
    };
    [
        of(&|f| {
            f.crossovers.map(|[low, high]| {
                if high < 1.001 * low {
                    format!("{low:.1}")
                } else {
                    format!("{low:.1} to {high:.1}")
                }
            })
        }),
        of(&|f| Some(margin_words(f))),
        delay_margin.map_or("-".into(), |d| format!("{:.1}", 1e3 * d)),
        of(&|f| f.gain_margin.map(|g| format!("{:.2}", g.value))),
        of(&|f| f.stable().then(|| format!("{:.2}", f.sensitivity.value))),
    ]
}

/// Returns the motion of one model under one law and its demands on the motors: step, settled,
/// setpoint, shaped, settled, travel, speed, noise.
fn motion_words(course: Option<Course>, demand: Option<Demand>) -> [String; 8] {
    let none = || "-".to_string();
    let course = |f: &dyn Fn(&Course) -> String| course.as_ref().map_or_else(none, f);
    let demand = |f: &dyn Fn(&Demand) -> String| demand.as_ref().map_or_else(none, f);
    let settled = |t: Option<f64>| t.map_or("not".into(), |t| format!("{t:.2}"));
    [
        course(&|c| format!("{:.1}", c.feedback.overshoot)),
        course(&|c| settled(c.feedback.settling)),
        course(&|c| format!("{:.2}", c.feedback.peak)),
        course(&|c| format!("{:.1}", c.shaped.overshoot)),
        course(&|c| settled(c.shaped.settling)),
        demand(&|d| format!("{:.0}", 100.0 * d.travel_share)),
        demand(&|d| format!("{:.0}", 100.0 * d.speed_share)),
        demand(&|d| format!("{:.5}", d.noise)),
    ]
}

/// Returns a table of the models that a set was examined on.
fn models_words(judged: &Judged) -> String {
    let (left, right) = (Align::Left, Align::Right);
    let columns = [
        ("model", left),
        ("gain", right),
        ("lag", left),
        ("dead time", right),
    ];
    let mut table = Table::new(&columns.map(|(name, align)| (name, "", align)));
    for model in &judged.found.models {
        let name = std::iter::once(model.member.name.clone());
        table.row(name.chain(plant_words(&model.member.plant)));
    }
    format!("{}\n{}\n", judged.source, output::fitted(&table))
}

fn words(judged: &Judged, joint: &JointFile) -> String {
    let (left, right) = (Align::Left, Align::Right);
    let mut loops = Table::new(&[
        ("model", "", left),
        ("law", "", left),
        ("crossover", "rad/s", right),
        ("margin", "deg", right),
        ("delay margin", "ms", right),
        ("gain margin", "", right),
        ("sensitivity", "peak", right),
        ("one slack", "deg", right),
    ]);
    let mut motion = Table::new(&[
        ("model", "", left),
        ("law", "", left),
        ("step", "%", right),
        ("settled", "s", right),
        ("setpoint", "peak", right),
        ("shaped", "%", right),
        ("settled", "s", right),
        ("travel", "%", right),
        ("speed", "%", right),
        ("noise", noise_unit(joint), right),
    ]);
    for model in &judged.found.models {
        let run = [model.member.name.clone(), "discretised".into()];
        let continuous = [String::new(), "continuous".into()];
        let figures = loop_words(Some(&model.discrete), model.delay_margin).into_iter();
        loops.row(
            run.clone()
                .into_iter()
                .chain(figures)
                .chain([worst_slack(model)]),
        );
        let figures =
            loop_words(model.continuous.as_ref(), model.continuous_delay_margin()).into_iter();
        loops.row(
            continuous
                .clone()
                .into_iter()
                .chain(figures)
                .chain(["-".into()]),
        );
        let figures = motion_words(model.course, model.demand);
        motion.row(run.into_iter().chain(figures));
        let figures = motion_words(model.continuous_course, model.continuous_demand);
        motion.row(continuous.into_iter().chain(figures));
    }
    let (loops, motion) = (output::fitted(&loops), output::fitted(&motion));
    let mut text = format!(
        "gain set {}, on {}\n{loops}\n{motion}",
        judged.set.name, judged.source
    );
    for reason in &judged.found.reasons {
        text.push_str(&format!("- {reason}\n"));
    }
    text.push_str(&match &judged.refusal {
        None => Meaning::Good.out("acceptable"),
        Some(reason) => format!("{} {reason}", Meaning::Bad.out("not acceptable:")),
    });
    text.push_str("\n\n");
    text
}

fn noise_unit(joint: &JointFile) -> &'static str {
    match joint.kind {
        CommandInterface::Position => "rad rms",
        CommandInterface::Velocity => "rad/s rms",
    }
}

fn loop_figures(worst: &Worst) -> Value {
    let figures = &worst.figures;
    let crossing =
        |c: crate::design::examine::Crossing| json!({"at_rad_s": c.frequency, "value": c.value});
    let degrees = figures
        .phase_margin
        .map(|c| json!({"at_rad_s": c.frequency, "deg": figures.margin().to_degrees()}));
    // JSON has no infinity.
    let finite = |x: f64| x.is_finite().then_some(x);
    json!({
        "stable": figures.stable(),
        "unstable_poles": figures.unstable_poles,
        "phase_margin": degrees,
        "crossovers_rad_s": figures.crossovers,
        "gain_margin": figures.gain_margin.map(crossing),
        "gain_reduction_margin": figures.least_gain.map(crossing),
        "sensitivity_peak": {
            "at_rad_s": finite(figures.sensitivity.frequency),
            "value": finite(figures.sensitivity.value),
        },
        "bend_rad": [worst.bend.x, worst.bend.y],
    })
}

fn move_figures(m: &Move) -> Value {
    json!({
        "overshoot_percent": m.overshoot,
        "settling_s": m.settling,
        "setpoint_peak": m.peak,
        // JSON has no infinity: a setpoint that jumps has no finite speed.
        "setpoint_speed_per_s": m.speed.is_finite().then_some(m.speed),
    })
}

fn demand_figures(d: &Demand) -> Value {
    json!({
        "angle_rad": d.angle,
        "travel_share": d.travel_share,
        "speed_rad_s": d.speed,
        "speed_share": d.speed_share,
        "noise_rms": d.noise,
        "noise_speed_rms": d.noise_speed,
    })
}

fn figures(judged: &Judged, joint: &JointFile) -> Value {
    let models = judged.found.models.iter().map(|model| {
        let slack = model.slack.iter().zip(&joint.motor_names).map(|(slack, motor)| match slack {
            Slack::Loop(worst) => json!({"motor": motor, "loop": loop_figures(worst)}),
            Slack::Falls { share, bend } => json!({
                "motor": motor, "falls": true, "stiffness_share": share, "bend_rad": [bend.x, bend.y],
            }),
        });
        let feedback = |c: &Option<Course>| c.map(|c| move_figures(&c.feedback));
        let shaped = |c: &Option<Course>| c.map(|c| move_figures(&c.shaped));
        json!({
            "name": model.member.name,
            "model": plant_figures(&model.member.plant),
            "stable": model.stable(),
            "discrete": loop_figures(&model.discrete),
            "delay_margin_s": model.delay_margin,
            "continuous_delay_margin_s": model.continuous_delay_margin(),
            "continuous": model.continuous.as_ref().map(loop_figures),
            "slack": slack.collect::<Vec<_>>(),
            "feedback_step": feedback(&model.course),
            "shaped_step": shaped(&model.course),
            "demand": model.demand.as_ref().map(demand_figures),
            "continuous_feedback_step": feedback(&model.continuous_course),
            "continuous_shaped_step": shaped(&model.continuous_course),
            "continuous_demand": model.continuous_demand.as_ref().map(demand_figures),
        })
    });
    json!({
        "name": judged.set.name,
        "models_from": judged.source,
        "models": models.collect::<Vec<_>>(),
        "stable": judged.found.stable,
        "min_margin_on": judged.found.least().member.name,
        "max_sensitivity_on": judged.found.peak().member.name,
        "acceptable": judged.refusal.is_none(),
        "reason": judged.refusal,
        "reasons": judged.found.reasons,
    })
}
