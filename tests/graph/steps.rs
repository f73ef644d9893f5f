//! Step tests over a real ROS 2 graph: the real binaries of node, simulated joint and step test.
#![cfg(feature = "ros")]

use std::path::Path;
use std::time::Duration;

use crate::harness::{Stage, in_real_time};
use withy::control::geometry::{Bend, bend_from};
use withy::files::{JointFile, Mapping, StepTestRecord};

const NECK: &str = "glasshouse-neck.yaml";
const SIMULATED: &str = "glasshouse-neck-simulated.yaml";
/// Longest that a step test may take to end after an event: two services that do not answer, and a
/// margin.
const END: Duration = Duration::from_secs(25);

/// A record, read independently of Withy.
struct Record {
    notes: Vec<String>,
    columns: Vec<String>,
    rows: Vec<Vec<f64>>,
}

impl Record {
    fn read(path: &Path) -> Self {
        let text =
            std::fs::read_to_string(path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
        let (notes, table): (Vec<_>, Vec<_>) = text.lines().partition(|line| line.starts_with('#'));
        let cells = |line: &str| line.split(',').map(String::from).collect::<Vec<_>>();
        let numbers = |line: &&str| {
            let values = line.split(',').map(|v| v.parse::<f64>().expect("a number"));
            values.collect::<Vec<f64>>()
        };
        Self {
            notes: notes.into_iter().map(String::from).collect(),
            columns: cells(table[0]),
            rows: table[1..].iter().map(numbers).collect(),
        }
    }

    fn note(&self, key: &str) -> Option<&str> {
        let start = format!("# {key}: ");
        self.notes.iter().find_map(|n| n.strip_prefix(&start))
    }

    fn column(&self, name: &str) -> Vec<f64> {
        let place = self.columns.iter().position(|c| c == name);
        let place = place.unwrap_or_else(|| panic!("no column {name}"));
        self.rows.iter().map(|row| row[place]).collect()
    }

    fn bends(&self, what: &str) -> Vec<Bend> {
        let part = |axis: &str| self.column(&format!("{what}_{axis}_rad"));
        let pairs = part("x").into_iter().zip(part("y"));
        pairs.map(|(x, y)| Bend::new(x, y)).collect()
    }

    /// Returns the ranges of rows over which the setpoints rest, with the commanded bend.
    fn rests(&self) -> Vec<(Bend, std::ops::Range<usize>)> {
        let mut rests: Vec<(Bend, std::ops::Range<usize>)> = Vec::new();
        for (i, bend) in self.bends("commanded").into_iter().enumerate() {
            match rests.last_mut() {
                Some((last, range)) if (*last - bend).norm() < 1e-6 => range.end = i + 1,
                _ => rests.push((bend, i..i + 1)),
            }
        }
        rests.retain(|(_, range)| range.len() > 20);
        rests
    }
}

fn own_sentence(log: &str) -> String {
    let own: Vec<_> = log.lines().filter(|l| l.starts_with("withy: ")).collect();
    assert_eq!(own.len(), 1, "{log}");
    assert!(!log.contains("panicked"), "{log}");
    own[0].to_string()
}

/// Starts joint, node and step test, and waits until the step test says `step`.
fn begin(stage: &mut Stage, options: &[&str], step: &str) {
    stage.simulate(SIMULATED, &[]);
    stage.withy_run(&[NECK], &[]);
    stage.client("stepped.py", &["before"]);
    stage.step_test(NECK, options);
    stage.until_said("steps", step);
}

/// Waits for the step test to fail. Returns its message and the record that it left.
fn aborted(stage: &mut Stage) -> (String, Record) {
    let status = stage.wait("steps", END);
    let said = stage.log("steps");
    assert_eq!(status.code(), Some(1), "{said}");
    let sentence = own_sentence(&said);
    assert!(
        sentence.contains("the step test ended early: "),
        "{sentence}"
    );
    assert!(sentence.contains("record.aborted.csv"), "{sentence}");
    assert!(!stage.folder().join("record.csv").exists());
    let record = Record::read(&stage.folder().join("record.aborted.csv"));
    let reason = record.note("aborted").expect("a record that says so");
    assert!(sentence.contains(reason), "{reason:?} is not in {sentence}");
    assert!(!record.rows.is_empty());
    (sentence, record)
}

#[test]
fn a_step_test_leaves_a_record_and_the_joint_as_it_was() {
    in_real_time(|stage| {
        stage.simulate(
            SIMULATED,
            &[
                "--seed",
                "5",
                "--payload-g",
                "90",
                "--payload-height-mm",
                "35",
            ],
        );
        // A second node on the same joint. No motor follows its setpoints, and its file lacks the
        // gain set.
        let neck = std::fs::read_to_string(stage.config(NECK)).unwrap();
        let without = neck.replace("  - gains/open-loop.yaml\n", "");
        let without = without.replace("name: withy", "name: other");
        let guard = "supervision:\n  following_error: {reaction: slow, latch: false}\n\nsettled:\n";
        let without = without.replace("settled:\n", guard);
        std::fs::write(stage.config("other.yaml"), without).unwrap();
        stage.withy_run(&[NECK, "other.yaml"], &[]);
        // One live gain differs from the file.
        stage.client("stepped.py", &["before"]);

        let refusals: [(&[&str], i32, &str); 2] = [
            (
                &["--node", "other"],
                1,
                "/other has no gain set 'open-loop': list gains/open-loop.yaml under gain_sets in \
                 its joint file",
            ),
            (
                &["--inclination-deg", "40.5"],
                2,
                "a step to an inclination of 40.5 deg; accepted: at most 40.0 deg, which is \
                 limits.inclination of /withy",
            ),
        ];
        for (options, code, words) in refusals {
            stage.step_test(NECK, options);
            let status = stage.wait("steps", END);
            let said = stage.log("steps");
            assert_eq!(status.code(), Some(code), "{said}");
            assert!(own_sentence(&said).contains(words), "{said}");
            assert!(!said.contains("caution"), "{said}");
        }
        stage.client("stepped.py", &["after"]);

        let dwell = 0.8;
        let payload = ["--payload-g", "90", "--payload-height-mm", "35"];
        let options = [
            "--inclination-deg",
            "8",
            "--direction-deg",
            "20",
            "--direction-deg",
            "-70",
            "--dwell-s",
            "0.8",
            "--repeats",
            "1",
        ];
        let options = [&options[..], &payload[..]].concat();
        let (status, said) = (0..5)
            .map(|_| {
                stage.step_test(NECK, &options);
                let status = stage.wait("steps", Duration::from_secs(60));
                (status, stage.log("steps"))
            })
            // A step test is refused while the machine stalls; it may be requested again.
            .find(|(_, said)| !said.contains("cannot be tested now"))
            .expect("a step test begun");
        assert_eq!(status.code(), Some(0), "{said}");
        for word in [
            "caution",
            "emergency stop",
            "8 steps of 8 deg",
            "step 8 of 8",
            "'any-payload' is in force again",
        ] {
            assert!(said.contains(word), "{word} is not in {said}");
        }
        stage.client("stepped.py", &["after"]);

        let file = JointFile::load(stage.config(NECK)).unwrap();
        for (name, direction) in [("record-20deg.csv", 20.0_f64), ("record-290deg.csv", -70.0)] {
            let record = Record::read(&stage.folder().join(name));
            let notes = [
                ("direction_deg", &*direction.to_string()),
                ("gain_set", "open-loop"),
                ("note", "steps of 8 deg, dwell 0.8 s, repeats 1"),
                ("payload_mass_g", "90"),
                ("payload_height_mm", "35"),
            ];
            for (key, value) in notes {
                assert_eq!(record.note(key), Some(value), "{key}");
            }
            assert_eq!(record.note("aborted"), None);

            // Complete rows, each later than the last, about as many as there were samples.
            assert_eq!(record.columns.len(), 6 + 2 * 4);
            for row in &record.rows {
                assert_eq!(row.len(), record.columns.len());
                assert!(row.iter().all(|v| v.is_finite()), "{row:?}");
            }
            let times = record.column("time_s");
            assert_eq!(times[0], 0.0);
            assert!(times.windows(2).all(|t| t[1] > t[0]));
            // Each bend was measured shortly before it was received.
            let stamps = record.column("bend_stamp_s");
            assert!(stamps.windows(2).all(|t| t[1] >= t[0]));
            let ages = times.iter().zip(&stamps).map(|(time, stamp)| time - stamp);
            let ages: Vec<f64> = ages.collect();
            assert!(ages.iter().all(|age| (0.0..0.2).contains(age)));
            println!(
                "{name}: bends {:.4} s old on average",
                ages.iter().sum::<f64>() / ages.len() as f64
            );
            let seconds = 5.0 * dwell;
            let last = times[times.len() - 1];
            println!("{name}: {} rows over {last:.3} s", times.len());
            assert!((last - seconds).abs() < 0.1, "{last}");
            // At least four in five samples arrive on a shared machine.
            assert!(
                times.len() as f64 > 0.8 * seconds * 200.0,
                "{}",
                times.len()
            );

            // The record reads back as written, and a model can be fitted to it.
            let path = stage.folder().join(name);
            let read = StepTestRecord::load(&path, &Mapping::default()).unwrap();
            assert_eq!(read.test.times, times);
            let payload = read.payload.expect("a payload");
            assert!((payload.mass - 0.09).abs() < 1e-12 && (payload.height - 0.035).abs() < 1e-12);
            let (along, _) = read.test.record().unwrap();
            let fitted = withy::design::fit::fit(&along, None).unwrap().fit;
            println!(
                "{name}: {:?}, gain {:.4}, dead time {:.4} s, nrmse {:.4}",
                fitted.plant.dynamics, fitted.plant.gain, fitted.plant.dead_time, fitted.nrmse
            );
            // Only a wrong record exceeds these bounds: one shifted in time, of another joint, or
            // in other units.
            assert!((0.7..1.3).contains(&fitted.plant.gain), "{fitted:?}");
            assert!(
                fitted.plant.dead_time < 0.06 && fitted.nrmse < 0.2,
                "{fitted:?}"
            );

            // Out, back, to the other side, back; straight before.
            let out = bend_from(8_f64.to_radians(), direction.to_radians());
            let straight = Bend::zeros();
            let rests = record.rests();
            let asked: Vec<_> = rests.iter().map(|(bend, _)| *bend).collect();
            for (got, want) in asked.iter().zip([straight, out, straight, -out, straight]) {
                assert!((got - want).norm() < 1e-4, "{asked:?}");
            }
            assert_eq!(asked.len(), 5, "{asked:?}");

            // At the end of each step the setpoints are those of the kinematics, nothing added, and
            // the motors are there. The head has followed; by how much depends on the joint.
            let measured = record.bends("bend");
            let mut angles = vec![0.0; 4];
            for (asked, range) in rests {
                let end = range.end - 1;
                file.joint.kinematics.motor_angles(asked, &mut angles);
                for (motor, angle) in file.motor_names.iter().zip(&angles) {
                    let setpoint = record.column(&format!("setpoint_{motor}_rad"))[end];
                    let there = record.column(&format!("motor_{motor}_rad"))[end];
                    assert!(
                        (setpoint - angle).abs() < 1e-4,
                        "{motor}: {setpoint}, {angle}"
                    );
                    // Resolution of the encoders: 1.5 mrad.
                    assert!(
                        (there - setpoint).abs() < 0.01,
                        "{motor}: {there}, {setpoint}"
                    );
                }
                let bend = measured[range.end - 20..range.end].iter().sum::<Bend>() / 20.0;
                println!(
                    "commanded {:.4?}, measured {:.4?} rad",
                    asked.as_slice(),
                    bend.as_slice()
                );
                assert!(
                    (bend - asked).norm() < 2_f64.to_radians(),
                    "{bend:?}, {asked:?}"
                );
            }
        }
    });
}

#[test]
fn ctrl_c_ends_a_step_test_and_the_joint_holds() {
    in_real_time(|stage| {
        begin(stage, &["--dwell-s", "1", "--json"], "step 2 of 8");
        stage.signal("steps", "-INT");
        let (sentence, record) = aborted(stage);
        // The same for programs.
        let said = stage.log("steps");
        let json = said.lines().skip_while(|l| *l != "{");
        let json: Vec<_> = json.take_while(|l| *l != "}").chain(["}"]).collect();
        let summary: serde_json::Value = serde_json::from_str(&json.join("\n")).unwrap();
        assert_eq!(summary["steps"], 8);
        assert_eq!(summary["records"][0]["complete"], false);
        assert_eq!(summary["records"][0]["rows"], record.rows.len());
        let reason = summary["ended_early"].as_str().unwrap();
        assert!(sentence.contains(reason), "{reason}");
        for word in [
            "in step 2 of 8: interrupted",
            "the joint holds",
            "'any-payload' is in force",
        ] {
            assert!(sentence.contains(word), "{word} is not in {sentence}");
        }
        let rests = record.rests();
        assert!(rests.len() >= 2, "straight, out");
        assert!((rests[1].0.norm().to_degrees() - 10.0).abs() < 0.01);
        stage.client("stepped.py", &["after"]);
        let log = stage.log("withy");
        assert!(log.contains("the reference stops and is held"), "{log}");
    });
}

#[test]
fn over_bend_ends_a_step_test() {
    in_real_time(|stage| {
        stage.edit(NECK, "inclination_deg: 40 ", "inclination_deg: 10 ");
        stage.edit(NECK, "over_bend_deg: 60", "over_bend_deg: 10");
        // A heavy head, which sags outward and oscillates.
        stage.simulate(
            SIMULATED,
            &["--payload-g", "210", "--payload-height-mm", "50"],
        );
        // A hold that lasts, as it leans there, would have to be cleared.
        stage.withy_run(&[NECK], &["-p", "supervision.over_bend.after:=10.0"]);
        stage.client("stepped.py", &["before"]);
        stage.step_test(NECK, &["--inclination-deg", "10"]);
        let (sentence, record) = aborted(stage);
        assert!(sentence.contains("in step 1 of 8: "), "{sentence}");
        assert!(sentence.contains("beyond limits.over_bend"), "{sentence}");
        assert!(sentence.contains("'any-payload' is in force"), "{sentence}");
        let greatest = record
            .bends("bend")
            .iter()
            .map(|b| b.norm().to_degrees())
            .fold(0.0, f64::max);
        println!("{sentence}\nbent by {greatest:.2} deg at most");
        stage.client("stepped.py", &["after"]);
    });
}

#[test]
fn silent_sensors_end_a_step_test() {
    in_real_time(|stage| {
        begin(stage, &[], "step 1 of 8");
        stage.signal("simulated", "-KILL");
        let (sentence, _) = aborted(stage);
        println!("{sentence}");
        // Either cause may come first: the silence, or that the IMU is silent longer than the
        // motors, which then measure the bend.
        let silent = ["became silent", "silent for", "comes from the motors"];
        assert!(silent.iter().any(|w| sentence.contains(w)), "{sentence}");
        assert!(sentence.contains("'any-payload' is in force"), "{sentence}");
        stage.client("stepped.py", &["silent"]);
    });
}

#[test]
fn a_node_that_vanishes_ends_a_step_test() {
    in_real_time(|stage| {
        begin(stage, &[], "step 1 of 8");
        stage.signal("withy", "-KILL");
        let (sentence, _) = aborted(stage);
        println!("{sentence}");
        for word in [
            "became silent",
            "the hold could not be requested (/withy/hold did not answer within 5 s)",
            "could not be put back",
            "'open-loop', which corrects nothing, may still be in force",
        ] {
            assert!(sentence.contains(word), "{word} is not in {sentence}");
        }
        // With the node gone too, the step test still reports it in bounded time.
        std::fs::remove_file(stage.folder().join("record.aborted.csv")).unwrap();
        stage.step_test(NECK, &[]);
        let status = stage.wait("steps", END);
        let said = stage.log("steps");
        assert_eq!(status.code(), Some(1), "{said}");
        assert!(
            own_sentence(&said).contains("/withy cannot be tested: its ~/"),
            "{said}"
        );
    });
}
