//! `withy tune`: computes gains from a joint's models and specifications.

mod show;

use std::path::{Path, PathBuf};

use serde_json::{Value, json};

use super::output::{self, Progress};
use super::{CmdError, report};
use crate::control::controller::reference_model::{Lag, Model};
use crate::control::controller::{
    CommandInterface, GainSet, MotorGains, Structure, highest_corner,
};
use crate::control::tick::Law;
use crate::design::model::{Delays, Dynamics, Plant, SecondOrder};
use crate::design::tune::{
    self, Comparison, Design, FamilyDesign, FamilyRefusal, FamilySpecification, Form, Reason,
    Refusal,
};
use crate::files::{
    JointFile, JointModel, ModelsFile, NamedGainSet, Purpose, Specification, save_gain_set,
};
use crate::report::Page;
pub(super) use show::plant_figures;
use show::{family_figures, family_words, single_figures, single_words};

/// Find gains for a joint from its models and specifications.
///
/// For one model, the specifications are phase margin, gain crossover and a flat phase there. The
/// integer PI of the same margin and crossover is shown beside the result, with the benefit of the
/// fractional order. With --family, finds the fastest set for all models of a file whose worst
/// sensitivity peak stays below a limit, with damping, feedforward model and shaper.
///
/// Exit codes: 0, made; 1, not achievable, with the nearest achievable figures; 2, an argument or a
/// file is wrong.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Models of the joint, as `withy fit --save` writes them.
    #[arg(long, value_name = "MODELS.yaml")]
    pub models: Option<PathBuf>,
    /// Name of the model to use from the file.
    #[arg(
        long,
        value_name = "NAME",
        requires = "models",
        conflicts_with = "family"
    )]
    pub model: Option<String>,
    /// A model given by numbers.
    #[command(flatten)]
    pub given: Given,
    /// Tune for all models of the file.
    #[arg(long, requires = "models", requires = "joint")]
    pub family: bool,
    /// Specification and form of the law.
    #[command(flatten)]
    pub law: LawOptions,
    /// Specification of a set for all models.
    #[command(flatten)]
    pub for_family: FamilyOptions,
    /// Joint file, which gives tick, sensor period and motors. Without it, hold and sensor period
    /// are not in the design.
    #[arg(long, value_name = "JOINT.yaml")]
    pub joint: Option<PathBuf>,
    /// Sensor latency when a sample arrives, beyond the models' dead time, ms.
    #[arg(long, value_name = "MS", default_value_t = 0.0)]
    pub sensor_latency_ms: f64,
    /// Output delay of setpoints, ms.
    #[arg(long, value_name = "MS", default_value_t = 0.0)]
    pub output_delay_ms: f64,
    /// Write the gain set to this file and name it after the file; an existing file is kept beside
    /// it.
    #[arg(long, value_name = "NAME.yaml", requires = "joint")]
    pub save: Option<PathBuf>,
    /// Write a report, tune.html, and its pictures to this folder; files of the same names are
    /// replaced.
    #[arg(long, value_name = "FOLDER")]
    pub report: Option<PathBuf>,
    /// Print the figures as JSON.
    #[arg(long)]
    pub json: bool,
}

/// A model given by numbers.
#[derive(Debug, clap::Args)]
pub struct Given {
    /// Gain of a model given by numbers (per second with --integrating).
    #[arg(long, value_name = "GAIN", conflicts_with = "models")]
    pub gain: Option<f64>,
    /// Time constant of that model, ms.
    #[arg(
        long,
        value_name = "MS",
        requires = "gain",
        conflicts_with = "natural_frequency_rad_s"
    )]
    pub time_constant_ms: Option<f64>,
    /// The model integrates; its time constant is then 0 by default.
    #[arg(long, requires = "gain", conflicts_with = "natural_frequency_rad_s")]
    pub integrating: bool,
    /// Natural frequency of the model, rad/s; needs --damping-ratio.
    #[arg(
        long,
        value_name = "RAD/S",
        requires = "gain",
        requires = "damping_ratio"
    )]
    pub natural_frequency_rad_s: Option<f64>,
    /// Damping ratio of the model.
    #[arg(long, value_name = "RATIO", requires = "natural_frequency_rad_s")]
    pub damping_ratio: Option<f64>,
    /// Dead time of the model, ms.
    #[arg(long, value_name = "MS", requires = "gain", default_value_t = 0.0)]
    pub dead_time_ms: f64,
}

/// Specification and form of the law.
#[derive(Debug, clap::Args)]
pub struct LawOptions {
    /// Phase margin for one model, deg.
    #[arg(long, value_name = "DEG", conflicts_with = "family")]
    pub phase_margin_deg: Option<f64>,
    /// Gain crossover, rad/s; with --family the minimum on every model.
    #[arg(long, value_name = "RAD/S")]
    pub crossover_rad_s: Option<f64>,
    /// Law for one model: kp + ki s^-lambda, kp + kd s^mu, or all three terms with the orders
    /// given.
    #[arg(long, value_enum, default_value = "pi", conflicts_with = "family")]
    pub form: FormWord,
    /// Order of the integral, for pid and with --family; there `find` searches for the best one.
    #[arg(long, value_name = "ORDER|find")]
    pub integral_order: Option<String>,
    /// Order of the derivative, for pid.
    #[arg(long, value_name = "ORDER", conflicts_with = "family")]
    pub derivative_order: Option<f64>,
    /// Corner of the derivative's roll-off, rad/s, for pd and pid; by default the highest that the
    /// sensor of --joint can realise.
    #[arg(long, value_name = "RAD/S", conflicts_with = "family")]
    pub corner_rad_s: Option<f64>,
}

/// Specification of a set for all models.
#[derive(Debug, clap::Args)]
pub struct FamilyOptions {
    /// With --family: maximum sensitivity peak on any model [default: 1.7].
    #[arg(long, value_name = "PEAK", requires = "family")]
    pub sensitivity_peak: Option<f64>,
    /// With --family: minimum decay rate of the remaining mode, as a share of the crossover; 0: no
    /// minimum [default: 0.8].
    #[arg(long, value_name = "RATIO", requires = "family")]
    pub mode_decay: Option<f64>,
    /// With --family: proportional gain; `find` searches for the best one [default: 0].
    #[arg(long, value_name = "GAIN|find", requires = "family")]
    pub kp: Option<String>,
}

/// Names of laws as arguments.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum FormWord {
    /// kp + ki s^-lambda, lambda found.
    Pi,
    /// kp + kd s^mu, mu found.
    Pd,
    /// kp + ki s^-lambda + kd s^mu, orders given.
    Pid,
}

/// Tunes the gains and prints the result.
///
/// # Errors
/// An option or file that is not accepted, or a specification that cannot be achieved.
pub fn run(args: &Args) -> Result<(), CmdError> {
    let joint = match &args.joint {
        Some(file) => Some(JointFile::load(file).map_err(CmdError::input)?),
        None => None,
    };
    let millis = |option: &str, value: f64| {
        if (0.0..=500.0).contains(&value) {
            Ok(value * 1e-3)
        } else {
            Err(CmdError::refused(option, value, "0 to 500 ms"))
        }
    };
    let latency = millis("--sensor-latency-ms", args.sensor_latency_ms)?;
    let output = millis("--output-delay-ms", args.output_delay_ms)?;
    let (tick, sensor) = joint
        .as_ref()
        .map_or((0.0, 0.0), |j| (j.joint.period, j.joint.sample_period));
    let delays = Delays::of(tick, sensor, latency, output);
    let models = models(args)?;
    match &joint {
        Some(joint) if args.family => family(args, joint, &delays, &models),
        _ => single(args, joint.as_ref(), &delays, &models),
    }
}

/// Returns the models selected by the options, at least one.
fn models(args: &Args) -> Result<Vec<JointModel>, CmdError> {
    if let Some(file) = &args.models {
        let mut models = ModelsFile::load(file).map_err(CmdError::input)?.models;
        if args.family {
            return Ok(models);
        }
        let names = |models: &[JointModel]| {
            let names: Vec<&str> = models.iter().map(|m| m.name.as_str()).collect();
            names.join(", ")
        };
        match &args.model {
            None if models.len() == 1 => {}
            None => {
                return Err(CmdError::Input(format!(
                    "--model or --family is missing; {} holds {}",
                    file.display(),
                    names(&models)
                )));
            }
            Some(name) => {
                let all = names(&models);
                models.retain(|m| m.name == *name);
                if models.len() != 1 {
                    let accepted = format!("the name of one model of {}: {all}", file.display());
                    return Err(CmdError::refused("--model", name, &accepted));
                }
            }
        }
        return Ok(models);
    }
    Ok(vec![given(&args.given)?])
}

/// Returns the model given by numbers.
fn given(given: &Given) -> Result<JointModel, CmdError> {
    let Some(gain) = given.gain else {
        return Err(CmdError::Input(
            "no model is given; accepted: --models, or --gain with --time-constant-ms, \
             --natural-frequency-rad-s or --integrating"
                .into(),
        ));
    };
    let seconds = given.time_constant_ms.map(|t| t * 1e-3);
    let dynamics = match (given.natural_frequency_rad_s, given.damping_ratio, seconds) {
        (Some(natural_frequency), Some(damping_ratio), _) => Dynamics::Second(SecondOrder {
            natural_frequency,
            damping_ratio,
        }),
        (_, _, time_constant) if given.integrating => Dynamics::Integrating {
            time_constant: time_constant.unwrap_or(0.0),
        },
        (_, _, Some(time_constant)) => Dynamics::First { time_constant },
        _ => {
            return Err(CmdError::Input(
                "--gain is alone; accepted: with --time-constant-ms, --natural-frequency-rad-s or \
                 --integrating"
                    .into(),
            ));
        }
    };
    let plant = Plant {
        gain,
        dynamics,
        dead_time: given.dead_time_ms * 1e-3,
    };
    plant.check().map_err(CmdError::input)?;
    Ok(JointModel {
        name: "as given".into(),
        payload: None,
        direction: 0.0,
        plant,
        standard_errors: Vec::new(),
        cross_axis_gain: 0.0,
        nrmse: 0.0,
        samples: 0,
    })
}

/// Parses an option that is a number or `find`, which gives `None`.
fn number_or_find(option: &str, text: &str) -> Result<Option<f64>, CmdError> {
    match text.parse::<f64>() {
        _ if text == "find" => Ok(None),
        Ok(value) if value.is_finite() => Ok(Some(value)),
        _ => Err(CmdError::refused(
            option,
            text,
            "a number, or with --family find",
        )),
    }
}

fn form(law: &LawOptions, joint: Option<&JointFile>) -> Result<Form, CmdError> {
    let highest = joint.map(|j| highest_corner(j.joint.sample_period));
    let corner = match (law.corner_rad_s, highest) {
        (Some(corner), Some(highest)) if !(corner <= highest) => {
            let accepted =
                format_args!("at most {highest:.0} rad/s, which the joint's sensor can realise");
            return Err(CmdError::refused("--corner-rad-s", corner, accepted));
        }
        (Some(corner), _) => corner,
        (None, highest) => highest.unwrap_or(f64::INFINITY),
    };
    let needs = |option: &str| {
        CmdError::Input(format!(
            "{option} is missing; accepted: above 0 and below 2"
        ))
    };
    match law.form {
        FormWord::Pi => Ok(Form::ProportionalIntegral),
        FormWord::Pd => Ok(Form::ProportionalDerivative { corner }),
        FormWord::Pid => {
            let text = law.integral_order.as_deref();
            let text = text.ok_or_else(|| needs("--integral-order"))?;
            let order = number_or_find("--integral-order", text)?;
            Ok(Form::Full {
                integral_order: order.ok_or_else(|| needs("--integral-order"))?,
                derivative_order: law
                    .derivative_order
                    .ok_or_else(|| needs("--derivative-order"))?,
                corner,
            })
        }
    }
}

/// A set tuned for one model.
struct Single<'a> {
    joint: Option<&'a JointFile>,
    delays: &'a Delays,
    model: &'a JointModel,
    design: Design,
    comparison: Comparison,
}

/// Tunes for phase margin and crossover on one model.
fn single(
    args: &Args,
    joint: Option<&JointFile>,
    delays: &Delays,
    models: &[JointModel],
) -> Result<(), CmdError> {
    let law = &args.law;
    let (Some(margin), Some(crossover)) = (law.phase_margin_deg, law.crossover_rad_s) else {
        return Err(CmdError::Input(
            "--phase-margin-deg and --crossover-rad-s belong together for one model; or --family \
             for all of a file"
                .into(),
        ));
    };
    let form = form(law, joint)?;
    // There is at least one: files without models are refused when they are read.
    let Some(model) = models.first() else {
        return Err(CmdError::Input("no model is given".into()));
    };
    let progress = Progress::new();
    progress.set(format!("tuning for model {}", model.name));
    let specification = tune::Specification::of_degrees(margin, crossover);
    let design = tune::tune(&model.plant, delays, &specification, form);
    let tuned = design.map(|design| Single {
        joint,
        delays,
        model,
        comparison: tune::compare(&design),
        design,
    });
    drop(progress);
    let tuned = tuned.map_err(|refusal| single_refused(args, &refusal))?;
    if args.json {
        println!("{:#}", single_figures(&tuned));
    } else {
        print!("{}", output::wrapped(&single_words(&tuned)));
    }
    let set = joint.and_then(|joint| tuned.pure_feedback(joint));
    if let Some(folder) = &args.report {
        let page = tuned.report(set.as_ref(), &all_plants(args, delays)?)?;
        let page = report::save(&page, folder, "tune")?;
        eprintln!("report written to {}", page.display());
    }
    let (Some(file), Some(joint)) = (&args.save, joint) else {
        return Ok(());
    };
    let Some(gains) = set else {
        return Err(CmdError::Input(format!(
            "{} integrates; accepted to be saved: models that come to rest",
            model.name
        )));
    };
    let note = format!(
        "Tuned for {}: {specification}, flat phase there.",
        model.name
    );
    let specification = Specification {
        phase_margin: Some(specification.phase_margin),
        crossover: Some(specification.crossover),
        sensitivity_peak: None,
    };
    save(file, joint, gains, note, specification, models)
}

/// Returns the error of a tuning for one model; prints its figures with --json.
fn single_refused(args: &Args, refusal: &Refusal) -> CmdError {
    if matches!(refusal.reason, Reason::Value(_) | Reason::Plant(_)) {
        return CmdError::input(refusal);
    }
    let nearest = json!({
        "phase_margin_deg": refusal.nearest.phase_margin.map(f64::to_degrees),
        "crossover_rad_s": refusal.nearest.crossover,
    });
    not_made(args, refusal.to_string(), &nearest)
}

/// Returns the error that a specification cannot be achieved; prints it with --json, with the
/// nearest figures that can.
fn not_made(args: &Args, reason: String, nearest: &Value) -> CmdError {
    if args.json {
        println!(
            "{:#}",
            json!({"made": false, "reason": reason, "nearest": nearest})
        );
    }
    CmdError::Failed(reason)
}

impl Single<'_> {
    /// Returns the gain set of the design; `None` for an integrating model, which a set cannot
    /// hold.
    fn pure_feedback(&self, joint: &JointFile) -> Option<GainSet> {
        let specification = &self.design.specification;
        let delay = self.delays.total();
        // Allows an extra delay that costs a tenth of the phase margin.
        let allowed = delay + 0.1 * specification.phase_margin / specification.crossover;
        Some(GainSet {
            kind: CommandInterface::Position,
            structure: Structure::PureFeedback,
            motors: vec![writable(self.design.gains); joint.motor_names.len()],
            damping: 0.0,
            model: model_of(&self.model.plant, delay)?,
            smoothing: tune::smoothing_for(&self.design.plant),
            integrator_deadband: None,
            delay_allowed: tenths(allowed).min(0.5),
            tension_gain: 0.0,
        })
    }

    /// Returns the report, with the behaviour on `family`, the models of the file with all delays.
    fn report(&self, set: Option<&GainSet>, family: &[(String, Plant)]) -> Result<Page, CmdError> {
        let mut notes = Vec::new();
        let position = |joint: &&JointFile| joint.kind == CommandInterface::Position;
        let laws = match (self.joint.filter(position), set) {
            (Some(joint), Some(set)) => {
                // The joint need not accept the gains of the comparison.
                let integer = self.comparison.integer_gains.and_then(|gains| {
                    let motors = vec![writable(gains); set.motors.len()];
                    let set = GainSet {
                        motors,
                        ..set.clone()
                    };
                    let refused = |e| notes.push(format!("No setpoints of the integer PI: {e}."));
                    law(joint, &set).map_err(refused).ok()
                });
                Some((joint, law(joint, set)?, integer))
            }
            _ => None,
        };
        Ok(report::tuning(&report::Tuning {
            name: &self.model.name,
            design: &self.design,
            comparison: &self.comparison,
            family,
            drive: laws.as_ref().map(|(joint, law, _)| report::Drive {
                joint: &joint.joint,
                law,
            }),
            integer_law: laws.as_ref().and_then(|l| l.2.as_ref()),
            notes: &notes,
        }))
    }
}

fn law(joint: &JointFile, gains: &GainSet) -> Result<Law, CmdError> {
    Law::new(&joint.joint, gains, &joint.limits, joint.feedback).map_err(CmdError::input)
}

/// Returns all models of the file with the delays included, to show beside the tuned one.
fn all_plants(args: &Args, delays: &Delays) -> Result<Vec<(String, Plant)>, CmdError> {
    let Some(file) = &args.models else {
        return Ok(Vec::new());
    };
    let models = ModelsFile::load(file).map_err(CmdError::input)?.models;
    let one = |m: JointModel| (m.name, m.plant.delayed(delays.total()));
    Ok(models.into_iter().map(one).collect())
}

/// Rounds down to tenths of a millisecond, s.
fn tenths(x: f64) -> f64 {
    (x * 1e4).floor() / 1e4
}

/// Returns gains that a file can hold: without a derivative, the corner is set to a finite one.
fn writable(gains: MotorGains) -> MotorGains {
    MotorGains {
        derivative_corner: if gains.kd > 0.0 {
            gains.derivative_corner
        } else {
            100.0
        },
        ..gains
    }
}

fn model_of(plant: &Plant, delay: f64) -> Option<Model> {
    let lag = match plant.dynamics {
        Dynamics::First { time_constant } => Lag::First { time_constant },
        Dynamics::Second(second) => Lag::Second(second),
        Dynamics::Integrating { .. } => return None,
    };
    Some(Model {
        gain: plant.gain,
        lag,
        dead_time: plant.dead_time + delay,
    })
}

/// A set tuned for all models.
struct ForFamily<'a> {
    models: &'a [JointModel],
    names: &'a [String],
    delays: &'a Delays,
    specification: &'a FamilySpecification,
    design: FamilyDesign,
}

/// Finds the fastest set for all models.
fn family(
    args: &Args,
    joint: &JointFile,
    delays: &Delays,
    models: &[JointModel],
) -> Result<(), CmdError> {
    let specification = &family_specification(args, joint)?;
    let names: Vec<String> = models.iter().map(|m| m.name.clone()).collect();
    let plants: Vec<Plant> = models.iter().map(|m| m.plant).collect();
    let progress = Progress::new();
    progress.set(format!("tuning for {} models", models.len()));
    let design = tune::tune_family(&plants, delays, specification);
    drop(progress);
    let tuned = ForFamily {
        models,
        names: &names,
        delays,
        specification,
        design: design.map_err(|refusal| family_refused(args, &names, &refusal))?,
    };
    if args.json {
        println!("{:#}", family_figures(&tuned));
    } else {
        print!("{}", output::wrapped(&family_words(&tuned)));
    }
    if let Some(folder) = &args.report {
        let page = report::save(&tuned.report(joint)?, folder, "tune")?;
        eprintln!("report written to {}", page.display());
    }
    let Some(file) = &args.save else {
        return Ok(());
    };
    let design = tuned.design;
    let note = format!(
        "Tuned for {} models, crossover {:.2} rad/s at least. {}",
        models.len(),
        design.crossover(),
        design.limits(&names)
    );
    let specification = Specification {
        phase_margin: None,
        crossover: specification.crossover,
        sensitivity_peak: Some(specification.sensitivity_peak),
    };
    save(file, joint, design.gains, note, specification, models)
}

fn family_specification(args: &Args, joint: &JointFile) -> Result<FamilySpecification, CmdError> {
    let usual = FamilySpecification::usual(joint.motor_names.len(), joint.joint.sample_period);
    let choice = |option, text: &Option<String>, usual| match text {
        None => Ok(usual),
        Some(text) => number_or_find(option, text),
    };
    let (law, own) = (&args.law, &args.for_family);
    Ok(FamilySpecification {
        sensitivity_peak: own.sensitivity_peak.unwrap_or(usual.sensitivity_peak),
        decay: own.mode_decay.unwrap_or(usual.decay),
        crossover: law.crossover_rad_s,
        proportional: choice("--kp", &own.kp, usual.proportional)?,
        order: choice("--integral-order", &law.integral_order, usual.order)?,
        ..usual
    })
}

/// Returns the error of a tuning for all models; prints its figures with --json.
fn family_refused(args: &Args, names: &[String], refusal: &FamilyRefusal) -> CmdError {
    let sentence = refusal.words(names);
    if refusal.is_input() {
        return CmdError::Input(sentence);
    }
    let nearest = match refusal {
        FamilyRefusal::Crossover { most, needed, .. } => {
            json!({"crossover_rad_s": most, "sensitivity_peak": needed})
        }
        FamilyRefusal::Peak { least, .. } => json!({"sensitivity_peak": least}),
        _ => Value::Null,
    };
    not_made(args, sentence, &nearest)
}

impl ForFamily<'_> {
    fn report(&self, joint: &JointFile) -> Result<Page, CmdError> {
        let stem = joint.file.file_stem().unwrap_or_default();
        // The models are of position setpoints.
        let law = match joint.kind {
            CommandInterface::Position => Some(law(joint, &self.design.gains)?),
            CommandInterface::Velocity => None,
        };
        Ok(report::family(&report::FamilyTuning {
            name: &stem.to_string_lossy(),
            design: &self.design,
            specification: self.specification,
            names: self.names,
            drive: law.as_ref().map(|law| report::Drive {
                joint: &joint.joint,
                law,
            }),
        }))
    }
}

fn save(
    file: &Path,
    joint: &JointFile,
    gains: GainSet,
    note: String,
    specification: Specification,
    models: &[JointModel],
) -> Result<(), CmdError> {
    if joint.kind != CommandInterface::Position {
        return Err(CmdError::Input(format!(
            "{}: setpoint.kind is velocity; accepted to save a set: position, which the models are of",
            joint.file.display()
        )));
    }
    law(joint, &gains)?;
    let moments: Option<Vec<f64>> = models
        .iter()
        .map(|m| m.payload.map(|p| p.moment().max(0.0)))
        .collect();
    let payload_moment = moments.filter(|m| !m.is_empty()).map(|moments| {
        let low = moments.iter().copied().fold(f64::INFINITY, f64::min);
        let high = moments.iter().copied().fold(0.0, f64::max);
        // Rounded to whole micrograms times metres.
        [low, high].map(|x| (x * 1e9).round() / 1e9)
    });
    let stem = file.file_stem().unwrap_or(file.as_os_str());
    let set = NamedGainSet {
        name: stem.to_string_lossy().into_owned(),
        note,
        file: file.to_path_buf(),
        motor_names: joint.motor_names.clone(),
        gains,
        purpose: Purpose {
            payload_moment,
            specification: Some(specification),
            models: models
                .iter()
                .filter_map(|m| model_of(&m.plant, 0.0))
                .collect(),
        },
    };
    let kept = save_gain_set(file, &set).map_err(CmdError::input)?;
    let older = kept.map(|k| format!(" (the older one is {})", k.display()));
    let older = older.unwrap_or_default();
    eprintln!("gain set written to {}{older}", file.display());
    Ok(())
}
