//! External inputs, 100 000 times each: files of every kind, records, sensor messages. There is
//! never a panic, every refusal is one line, and a refused input leaves no trace.

use std::path::Path;

use crate::files_support::{GAINS, JOINT, NASTY, SIMULATED, assert_one_line, config, text};
use crate::seeded::seeded;
use proptest::prelude::*;
use proptest::sample::{Index, select};
use proptest::test_runner::TestRunner;
use withy::control::geometry::Bend;
use withy::control::tick::Input;
use withy::files::{JointFile, Mapping, ModelsFile, NamedGainSet, SimulatedFile, StepTestRecord};
use withy::runtime::link::inbox::{ImuPlace, ImuReading, Inbox, Refusal, When};

fn thorough(seed: u64) -> TestRunner {
    TestRunner::new(seeded(seed, 100_000))
}

/// A change: place, kind, amounts.
type Change = (Index, u8, usize, f64);

fn changes() -> impl Strategy<Value = Vec<Change>> {
    let number = prop_oneof![3 => -10.0..1000.0, 1 => any::<f64>()];
    prop::collection::vec((any::<Index>(), 0..10_u8, 0..NASTY.len(), number), 1..4)
}

/// Returns the lines with content, without their comments: comments have no effect and cost time.
fn said(text: &str) -> Vec<String> {
    let lines = text
        .lines()
        .map(|line| line.split(" #").next().unwrap_or(""));
    let lines = lines.filter(|line| !line.trim().is_empty() && !line.starts_with('#'));
    lines.map(|line| line.trim_end().to_string()).collect()
}

fn spoilt(lines: &[String], changes: &[Change]) -> String {
    let mut lines = lines.to_vec();
    for (place, how, nasty, number) in changes {
        if lines.is_empty() {
            break;
        }
        let (i, nasty) = (place.index(lines.len()), NASTY[*nasty]);
        let key = lines[i].split(':').next().unwrap_or_default().to_string();
        match how {
            0 => drop(lines.remove(i)),
            1 => lines.insert(i, lines[i].clone()),
            2 => lines[i] = format!("{key}: {nasty}"),
            3 | 4 => lines[i] = format!("{key}: {number}"),
            5 => lines[i] = lines[i].replacen(|c: char| c.is_ascii_digit(), nasty, 1),
            6 => lines[i] = format!("  {}", lines[i]),
            7 => {
                let middle = place.index(lines[i].chars().count() + 1);
                lines[i] = lines[i].chars().take(middle).collect::<String>() + nasty;
            }
            8 => lines[i] = format!("{nasty}{}", lines[i]),
            _ => {
                let next = (i + 1) % lines.len();
                lines.swap(i, next);
            }
        }
    }
    lines.join("\n")
}

/// Text that is none of our files, of the characters of YAML and CSV.
fn arbitrary() -> impl Strategy<Value = String> {
    let pieces = prop::collection::vec(select(NASTY.to_vec()), 0..20).prop_map(|p| p.concat());
    let keys = select(vec![
        "name", "beam", "gain", "tendons", "models", "motor", "seed", "\n", "\n  ", ": ", "- ",
    ]);
    let keys = prop::collection::vec(keys, 0..20).prop_map(|p| p.concat());
    prop_oneof![pieces, keys, "(?s).{0,60}"]
}

/// Spoilt lines, or once in eight any text.
fn texts(lines: Vec<String>) -> impl Strategy<Value = String> {
    prop_oneof![
        7 => changes().prop_map(move |changes| spoilt(&lines, &changes)),
        1 => arbitrary(),
    ]
}

fn names() -> [String; 4] {
    [1, 2, 3, 4].map(|i| format!("neck_motor_{i}"))
}

/// The joint with one gain set, since every gain set is read for each case.
#[test]
fn joint_files() {
    let mut lines = said(&text(JOINT));
    lines.retain(|line| !line.starts_with("  - gains/") || line.contains("any-payload"));
    lines.retain(|line| !line.starts_with("models:"));
    let file = config().join(JOINT);
    assert!(JointFile::from_text(&file, &lines.join("\n")).is_ok());
    let run = thorough(1).run(&texts(lines), |text| {
        if let Err(error) = JointFile::from_text(&file, &text) {
            assert_one_line(&error.to_string());
        }
        Ok(())
    });
    run.unwrap();
}

#[test]
fn gain_sets() {
    let file = config().join(GAINS);
    let lines = said(&text(GAINS));
    let run = thorough(2).run(&texts(lines), |text| {
        match NamedGainSet::from_text(&file, &text, &names()) {
            Err(error) => assert_one_line(&error.to_string()),
            Ok(set) => {
                let again = NamedGainSet::from_text(&file, &set.to_yaml(), &names());
                prop_assert_eq!(again.unwrap().gains, set.gains);
            }
        }
        Ok(())
    });
    run.unwrap();
}

#[test]
fn models() {
    let name = "models/glasshouse-neck.yaml";
    let file = config().join(name);
    let mut lines = said(&text(name));
    lines.truncate(25);
    let run = thorough(3).run(&texts(lines), |text| {
        if let Err(error) = ModelsFile::from_text(&file, &text) {
            assert_one_line(&error.to_string());
        }
        Ok(())
    });
    run.unwrap();
}

#[test]
fn simulated_files() {
    let file = config().join(SIMULATED);
    let run = thorough(4).run(&texts(said(&text(SIMULATED))), |text| {
        if let Err(error) = SimulatedFile::from_text(&file, &text) {
            assert_one_line(&error.to_string());
        }
        Ok(())
    });
    run.unwrap();
}

/// An accepted record is written and read back unchanged.
#[test]
fn records() {
    let mut record = StepTestRecord::default();
    for i in 0..12 {
        let t = 0.005 * f64::from(i);
        record.test.times.push(t);
        record.test.stamps.push(t - 0.002);
        record.test.asked.push(Bend::new(0.1, -0.02));
        record.test.measured.push(Bend::new(t, 0.1 * t));
    }
    record.test.direction = Some(0.3);
    record.texts.push(("gain_set".into(), "bare".into()));
    let text = record.to_csv();
    let lines: Vec<String> = text.lines().map(String::from).collect();
    let (file, mapping) = (Path::new("record.csv"), Mapping::default());
    let bytes = prop_oneof![
        6 => texts(lines).prop_map(String::into_bytes),
        1 => prop::collection::vec(any::<u8>(), 0..200),
        1 => (any::<Index>(), any::<u8>()).prop_map(move |(place, byte)| {
            let mut bytes = text.clone().into_bytes();
            let i = place.index(bytes.len());
            bytes[i] = byte;
            bytes
        }),
    ];
    let run = thorough(5).run(&bytes, |bytes| {
        match StepTestRecord::from_bytes(file, &bytes, &mapping) {
            Err(error) => assert_one_line(&error.to_string()),
            Ok(record) => {
                let written = record.to_csv();
                let again = StepTestRecord::from_bytes(file, written.as_bytes(), &mapping).unwrap();
                prop_assert_eq!(&again.test.times, &record.test.times);
                prop_assert_eq!(&again.test.measured, &record.test.measured);
                prop_assert_eq!(again.motors.len(), record.motors.len());
                // Its fitness for a fit is another question, which must have an answer.
                if let Err(bad) = record.test.record() {
                    assert_one_line(&bad.to_string());
                }
            }
        }
        Ok(())
    });
    run.unwrap();
}

fn number() -> impl Strategy<Value = f64> {
    prop_oneof![
        6 => -1.0..1.0,
        1 => any::<f64>(),
        1 => select(vec![f64::NAN, f64::INFINITY, -1e308, 5e-324, 0.0, -0.0, 1e4, 100.0]),
    ]
}

/// A message: source, numbers, names, stamp, and a flag that normalises its orientation.
#[derive(Clone, Debug)]
struct Sent {
    stream: u8,
    numbers: Vec<f64>,
    names: Vec<usize>,
    stamp: f64,
    unit: bool,
}

fn sent() -> impl Strategy<Value = Sent> {
    let stamp = prop_oneof![8 => 0.0..1.2, 1 => number()];
    let numbers = prop::collection::vec(number(), 0..8);
    let names = prop::collection::vec(0..7_usize, 0..8);
    (0..3_u8, numbers, names, stamp, any::<bool>()).prop_map(
        |(stream, numbers, names, stamp, unit)| Sent {
            stream,
            numbers,
            names,
            stamp,
            unit,
        },
    )
}

fn deliver(inbox: &mut Inbox, sent: &Sent, now: f64) -> Result<bool, Refusal> {
    let when = || When::new(sent.stamp, now, "the clock");
    if sent.stream == 0 {
        let known = ["m0", "m1", "m2", "m3", "pan", "wheel", ""];
        let mut names: Vec<String> = sent.names.iter().map(|i| known[*i].to_string()).collect();
        let mut numbers = sent.numbers.clone();
        if sent.unit {
            names.truncate(numbers.len());
            numbers.truncate(names.len());
        }
        return inbox.motors(&names, &numbers, when);
    }
    let at = |i: usize| sent.numbers.get(i).copied().unwrap_or(0.0);
    let mut q = [0, 1, 2, 3].map(at);
    if sent.unit {
        let norm = q.iter().map(|x| x * x).sum::<f64>().sqrt();
        q = q.map(|x| x / norm);
    }
    let reading = ImuReading::new(q, [4, 5, 6].map(at))?;
    let place = match sent.stream {
        2 => ImuPlace::Base,
        _ => ImuPlace::Head,
    };
    inbox.imu(&reading, when()?, place).map(|()| true)
}

/// Checks that all numbers in the newest input are finite, and that no time goes back.
fn sound(before: &Input, after: &Input, now: f64) -> Result<(), TestCaseError> {
    let motors = |input: &Input| {
        let mut all = input.motors.clone();
        all.push(input.pan);
        all
    };
    for (before, after) in motors(before).iter().zip(motors(after)) {
        let Some(after) = after else {
            prop_assert!(before.is_none());
            continue;
        };
        prop_assert!(after.angle.abs() <= 1e4 && after.stamp <= now + 0.1 && after.received <= now);
        prop_assert!(before.is_none_or(|b| b == after || b.stamp < after.stamp));
    }
    for (before, after) in [(before.head, after.head), (before.base, after.base)] {
        let Some(after) = after else {
            prop_assert!(before.is_none());
            continue;
        };
        prop_assert!(
            (after.gravity.norm() - 1.0).abs() < 1e-9 && after.angular_velocity.amax() <= 100.0
        );
        prop_assert!(after.stamp <= now + 0.1);
        prop_assert!(before.is_none_or(|b| b == after || b.stamp < after.stamp));
    }
    Ok(())
}

/// Four messages each: a refused one leaves the input unchanged, and an accepted one is sound.
#[test]
fn sensor_messages() {
    let own = ["m0", "m1", "m2", "m3", "pan"].map(String::from).to_vec();
    let run = thorough(6).run(&prop::collection::vec(sent(), 4), |messages| {
        let mut inbox = Inbox::new(own.clone(), own.len() - 1);
        for (i, message) in messages.iter().enumerate() {
            let (now, before) = (0.3 * (i + 1) as f64, inbox.input().clone());
            let taken = deliver(&mut inbox, message, now);
            let after = inbox.input();
            sound(&before, after, now)?;
            if !matches!(taken, Ok(true)) {
                prop_assert_eq!((&before.motors, before.pan), (&after.motors, after.pan));
                prop_assert_eq!((before.head, before.base), (after.head, after.base));
            }
            if let Err(refusal) = taken {
                assert_one_line(&refusal.sentence);
            }
        }
        Ok(())
    });
    run.unwrap();
}
