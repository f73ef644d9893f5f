//! `withy fit`: fits models of a joint to records of step tests.

use std::path::{Path, PathBuf};

use serde_json::{Value, json};

use super::fit_tables::{NOTE, records_table, spreads_table};
use super::output::{self, Progress};
use super::{CmdError, report, within};
use crate::design::fit::{
    self, BadRecord, Extent, Family, Fit, Hold, Member, Order, Payload, Record, Spread,
};
use crate::design::model::PlantError;
use crate::files::{Mapping, ModelsFile, StepTestRecord};

/// Fit models to records of step tests, and show their spread over payloads and directions.
///
/// A record is a CSV file with the columns time_s, commanded_x_rad, commanded_y_rad, bend_x_rad and
/// bend_y_rad, and lines such as `# payload_mass_g: 90`. For records from other sources, options
/// give the column names. If no model can be fitted to a record, the reason is printed and the exit
/// code is 1.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Records of step tests.
    #[arg(required = true, value_name = "RECORD.csv")]
    pub records: Vec<PathBuf>,
    /// Form of the model; by default the one with the smallest Bayesian information criterion.
    #[arg(long, value_enum, value_name = "FORM")]
    pub order: Option<OrderWord>,
    /// Write the models to this file; an existing file is kept beside it.
    #[arg(long, value_name = "MODELS.yaml")]
    pub save: Option<PathBuf>,
    /// Write a report, fit.html, and its pictures to this folder; files of the same names are
    /// replaced.
    #[arg(long, value_name = "FOLDER")]
    pub report: Option<PathBuf>,
    /// Print the figures as JSON.
    #[arg(long)]
    pub json: bool,
    /// Column of the time.
    #[arg(long, value_name = "NAME", default_value = "time_s")]
    pub time: String,
    /// Unit of the time.
    #[arg(long, value_enum, value_name = "UNIT", default_value = "s")]
    pub time_unit: TimeUnit,
    /// Column of the commanded bend for one axis, or two columns, x,y.
    #[arg(
        long,
        value_name = "NAME[,NAME]",
        default_value = "commanded_x_rad,commanded_y_rad"
    )]
    pub commanded: String,
    /// Column or columns of the measured bend, as many.
    #[arg(
        long,
        value_name = "NAME[,NAME]",
        default_value = "bend_x_rad,bend_y_rad"
    )]
    pub measured: String,
    /// Unit of the angles.
    #[arg(long, value_enum, value_name = "UNIT", default_value = "rad")]
    pub angle_unit: AngleUnit,
    /// Separator of the fields: one character, or `tab`.
    #[arg(long, value_name = "CHARACTER", default_value = ",")]
    pub delimiter: String,
    /// Interpolate the input linearly between rows, instead of holding it.
    #[arg(long)]
    pub linear: bool,
    /// Mass of the payload in all records, g; by default that given in each record.
    #[arg(long, value_name = "G", requires = "payload_height_mm")]
    pub payload_g: Option<f64>,
    /// Height of the payload's centre above the beam's end, mm.
    #[arg(long, value_name = "MM", requires = "payload_g")]
    pub payload_height_mm: Option<f64>,
    /// Direction of the step in all records, deg; by default that given in each record, else that
    /// of its first move.
    #[arg(long, value_name = "DEG", allow_negative_numbers = true)]
    pub direction_deg: Option<f64>,
    /// Inclination to which the commanded bend was cut, deg.
    #[arg(long, value_name = "DEG")]
    pub limit_deg: Option<f64>,
}

/// Names of model forms as arguments.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum OrderWord {
    /// First order and dead time.
    First,
    /// Second order and dead time.
    Second,
    /// Integrating, with a first-order lag and dead time.
    Integrating,
}

/// Units of time as arguments.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum TimeUnit {
    /// Seconds.
    S,
    /// Milliseconds.
    Ms,
}

/// Units of angles as arguments.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum AngleUnit {
    /// Radians.
    Rad,
    /// Degrees.
    Deg,
}

/// A record to which no model could be fitted.
struct Bad {
    file: PathBuf,
    reason: Unfitted,
}

/// The reason why no model can be fitted to a record.
#[derive(Debug, thiserror::Error)]
enum Unfitted {
    /// The last step was cut short or disturbed, for example by over-bend, stale data or contact.
    #[error("the test was aborted: {0}; accepted: a test that ran to its end")]
    Aborted(String),
    #[error(transparent)]
    Record(#[from] BadRecord),
    #[error(transparent)]
    Plant(#[from] PlantError),
}

/// Fits the models and prints the results.
///
/// # Errors
/// A file or option that is not accepted, or records to which no model can be fitted, after the
/// others are shown.
pub fn run(args: &Args) -> Result<(), CmdError> {
    let mapping = mapping(args)?;
    let order = args.order.map(|word| match word {
        OrderWord::First => Order::First,
        OrderWord::Second => Order::Second,
        OrderWord::Integrating => Order::Integrating,
    });
    // Bad files are reported before anything is fitted.
    let mut records = Vec::new();
    for file in &args.records {
        let record = StepTestRecord::load(file, &mapping).map_err(CmdError::input)?;
        records.push((file, record));
    }
    let (mut fitted, mut bad) = (Vec::new(), Vec::new());
    let progress = Progress::new();
    for (number, (file, mut record)) in records.into_iter().enumerate() {
        overrule(args, &mut record)?;
        let (file_words, count) = (file.display(), args.records.len());
        progress.set(format!("fitting {file_words} ({} of {count})", number + 1));
        match member(file, &record, order) {
            Ok(one) => fitted.push(one),
            Err(reason) => bad.push(Bad {
                file: file.clone(),
                reason,
            }),
        }
    }
    drop(progress);
    let family = Family::new(fitted.iter().map(|(_, member)| member.clone()).collect());
    if args.json {
        println!("{:#}", figures(&family, &bad));
    } else {
        print!("{}", output::wrapped(&words(&family)));
    }
    if let Some(file) = &args.save
        && !family.members.is_empty()
    {
        let kept = ModelsFile::of(file, &family)
            .save()
            .map_err(CmdError::input)?;
        let older = kept.map(|k| format!(" (the older one is {})", k.display()));
        let older = older.unwrap_or_default();
        eprintln!("models written to {}{older}", file.display());
    }
    let sentence = |b: &Bad| format!("{}: {}", b.file.display(), b.reason);
    let sentences: Vec<String> = bad.iter().map(sentence).collect();
    if let Some(folder) = &args.report {
        let shown = fitted.iter();
        let shown: Vec<_> = shown
            .map(|(record, member)| report::Shown { record, member })
            .collect();
        let page = report::save(&report::fit(&shown, &sentences), folder, "fit")?;
        eprintln!("report written to {}", page.display());
    }
    if bad.is_empty() {
        return Ok(());
    }
    Err(CmdError::Each(sentences))
}

fn member(
    file: &Path,
    record: &StepTestRecord,
    order: Option<Order>,
) -> Result<(Record, Member), Unfitted> {
    if let Some(why) = record.aborted() {
        let why = match why {
            "" => "no reason is given",
            why => why,
        };
        return Err(Unfitted::Aborted(why.into()));
    }
    let (along, direction) = record.test.record()?;
    let fitted = fit::fit(&along, order)?;
    fitted.fit.plant.check()?;
    let name = file.file_stem().unwrap_or(file.as_os_str());
    let member = Member {
        name: name.to_string_lossy().chars().take(200).collect(),
        payload: record.payload,
        direction,
        fitted,
    };
    Ok((along, member))
}

/// Returns the columns and units given by the options.
fn mapping(args: &Args) -> Result<Mapping, CmdError> {
    let names = |option: &str, value: &str| -> Result<Vec<String>, CmdError> {
        let names: Vec<String> = value.split(',').map(|n| n.trim().to_string()).collect();
        if names.len() > 2 || names.iter().any(String::is_empty) {
            let accepted = "a column's name, or two with a comma";
            return Err(CmdError::refused(option, value, accepted));
        }
        Ok(names)
    };
    let commanded = names("--commanded", &args.commanded)?;
    let measured = names("--measured", &args.measured)?;
    if commanded.len() != measured.len() {
        let accepted = format!("{} of them, as --commanded has", commanded.len());
        return Err(CmdError::refused("--measured", &args.measured, accepted));
    }
    let delimiter = match args.delimiter.as_bytes() {
        b"tab" => b'\t',
        [one]
            if one.is_ascii_graphic()
                && !b"\"#.-+".contains(one)
                && !one.is_ascii_alphanumeric() =>
        {
            *one
        }
        _ => {
            let accepted = "one of the characters that are in no number, such as ; or ,, or tab";
            return Err(CmdError::refused("--delimiter", &args.delimiter, accepted));
        }
    };
    Ok(Mapping {
        time: args.time.clone(),
        seconds: match args.time_unit {
            TimeUnit::S => 1.0,
            TimeUnit::Ms => 1e-3,
        },
        asked: commanded,
        measured,
        radians: match args.angle_unit {
            AngleUnit::Rad => 1.0,
            AngleUnit::Deg => 1_f64.to_radians(),
        },
        delimiter,
        hold: if args.linear {
            Hold::Linear
        } else {
            Hold::Constant
        },
    })
}

/// Replaces entries of the record by those given as options.
fn overrule(args: &Args, record: &mut StepTestRecord) -> Result<(), CmdError> {
    if let (Some(mass), Some(height)) = (args.payload_g, args.payload_height_mm) {
        record.payload = Some(Payload {
            mass: within("--payload-g", mass, 0.0, 1e5)? * 1e-3,
            height: within("--payload-height-mm", height, -1e4, 1e4)? * 1e-3,
        });
    }
    if let Some(direction) = args.direction_deg {
        let direction = within("--direction-deg", direction, -360.0, 360.0)?;
        record.test.direction = Some(direction.to_radians());
    }
    if let Some(limit) = args.limit_deg {
        record.test.limit = Some(within("--limit-deg", limit, 1e-3, 180.0)?.to_radians());
    }
    Ok(())
}

fn words(family: &Family) -> String {
    if family.members.is_empty() {
        return String::new();
    }
    let (records, spreads) = (records_table(family), spreads_table(family));
    let (records, spreads) = (output::fitted(&records), output::fitted(&spreads));
    format!("{records}\n{spreads}{NOTE}\n")
}

fn fit_figures(fit: &Fit) -> Value {
    let order = Order::of(fit.plant.dynamics);
    let mut parameters = serde_json::Map::new();
    for parameter in &fit.parameters {
        let (name, interval) = (parameter.name, fit.interval_95(parameter.name));
        parameters.insert(
            name.to_string(),
            json!({
                "value": parameter.value,
                "standard_error": parameter.standard_error,
                "interval_95": interval.map(|(low, high)| [low, high]),
            }),
        );
    }
    let rows = fit.covariance.row_iter();
    let covariance: Vec<Vec<f64>> = rows.map(|r| r.iter().copied().collect()).collect();
    json!({
        "form": order.name(),
        "parameters": parameters,
        "parameter_order": fit.parameters.iter().map(|p| p.name).collect::<Vec<_>>(),
        "covariance": covariance,
        "samples": fit.samples,
        "noise_rad": fit.noise,
        "normalised_rms_error": fit.nrmse,
        "aicc": fit.aicc,
        "bic": fit.bic,
        "residuals": {
            "ljung_box": fit.whiteness.statistic,
            "lags": fit.whiteness.lags,
            "p_value": fit.whiteness.p_value,
            "lag_one_correlation": fit.whiteness.lag_one,
            "white": fit.whiteness.white(),
        },
    })
}

fn payload_figures(payload: Option<Payload>) -> Value {
    payload.map_or(
        Value::Null,
        |p| json!({"mass_g": p.mass * 1e3, "height_mm": p.height * 1e3, "moment_kg_m": p.moment()}),
    )
}

fn spread_figures(spread: &Spread) -> Value {
    let extent = |e: &Extent| {
        json!({
            "min": e.least,
            "max": e.greatest,
            "mean": e.mean,
            "p_value": e.p_value,
            "within_errors": e.within_errors(),
        })
    };
    json!({
        "gain": extent(&spread.gain),
        "lag_s": extent(&spread.lag),
        "dead_time_s": extent(&spread.dead_time),
        "natural_frequency_rad_s": spread.natural_frequency.as_ref().map(extent),
        "damping_ratio": spread.damping_ratio.as_ref().map(extent),
        "cross_axis_gain": spread.cross_axis_gain,
        "cross_axis_share_of_step": spread.cross_axis_share,
    })
}

fn figures(family: &Family, bad: &[Bad]) -> Value {
    let record = |m: &Member| {
        let fitted = &m.fitted;
        json!({
            "record": m.name,
            "payload": payload_figures(m.payload),
            "direction_deg": m.direction.to_degrees(),
            "step_rad": fitted.moved,
            "longest_rest_s": fitted.dwell,
            "fit": fit_figures(&fitted.fit),
            "others": fitted.others.iter().map(fit_figures).collect::<Vec<_>>(),
            "cross_axis": {
                "gain": fitted.across.gain,
                "standard_error": fitted.across.standard_error,
                "max_rad": fitted.across.greatest,
                "share_of_step": fitted.across.share,
                "fit": fitted.across.fit.as_ref().map(fit_figures),
            },
        })
    };
    let groups = family.groups();
    let groups = groups.iter().map(|g| {
        json!({
            "payload": payload_figures(g.payload),
            "records": g.members.len(),
            "spread": spread_figures(&g.spread),
        })
    });
    let refused = |b: &Bad| {
        let record = b.file.display().to_string();
        json!({"record": record, "reason": b.reason.to_string()})
    };
    json!({
        "records": family.members.iter().map(record).collect::<Vec<_>>(),
        "payloads": groups.collect::<Vec<_>>(),
        "spread": family.spread().as_ref().map(spread_figures),
        "caution": family.caution(),
        "bad_records": bad.iter().map(refused).collect::<Vec<_>>(),
    })
}
