//! Examination of gain sets on families of models, against references made in the time domain by
//! other libraries (`tests/references/make_examine.py`).

use crate::examine_support::gains_of;
use nalgebra::Complex;
use std::f64::consts::{FRAC_PI_6, PI};
use withy::control::controller::{GainSet, MotorGains};
use withy::control::fractional::Integral;
use withy::control::geometry::Bend;
use withy::control::tick::{Joint, Law};
use withy::design::examine::{
    Conditions, Depth, Examination, Floor, LoopFigures, Member, Slack, delay_margin, examine,
    loop_figures, loop_response,
};
use withy::design::model::{Delays, Loop, Plant};
use withy::design::tune::{Form, Specification, tune};
use withy::files::JointFile;

fn file() -> JointFile {
    JointFile::load("config/glasshouse-neck.yaml").expect("a sound joint file")
}

fn tables() -> serde_json::Value {
    serde_json::from_str(include_str!("../references/examine.json")).unwrap()
}

/// One row of the table, with its joint and law.
struct Row {
    name: String,
    joint: Joint,
    law: Law,
    member: Member,
    slack: Option<usize>,
    hold: u64,
    value: serde_json::Value,
}

impl Row {
    fn at(&self) -> (Bend, Option<usize>) {
        (Bend::zeros(), self.slack)
    }

    fn figures(&self) -> LoopFigures {
        let none = Conditions::default();
        loop_figures(&self.joint, &self.law, &self.member, &none, self.at()).unwrap()
    }
}

fn law(file: &JointFile, joint: &Joint, motors: Vec<MotorGains>, damping: f64) -> Law {
    let set = GainSet {
        motors,
        damping,
        ..file.gain_sets[0].gains.clone()
    };
    Law::new(joint, &set, &file.limits, file.feedback).expect("a sound law")
}

fn rows() -> Vec<Row> {
    let file = file();
    let tables = tables();
    let rows = tables["loops"].as_array().unwrap();
    assert!(rows.len() > 90);
    let row = |value: &serde_json::Value| {
        let number = |key: &str| value[key].as_f64().unwrap();
        let hold = value["hold"].as_u64().unwrap();
        let mut joint = file.joint.clone();
        joint.period = number("dt");
        joint.sample_period = joint.period * hold as f64;
        let gains = value["gains"].as_array().unwrap();
        let law = law(
            &file,
            &joint,
            gains.iter().map(gains_of).collect(),
            number("damping"),
        );
        let plant = &value["plant"];
        let of = |key: &str| plant[key].as_f64().unwrap();
        let model = value["model"].as_str().unwrap();
        Row {
            name: format!(
                "{} on {model}, hold {hold}, slack {}",
                value["law"], value["slack"]
            ),
            joint,
            law,
            member: Member {
                name: model.into(),
                plant: Plant::second_order(of("gain"), of("w"), of("z"), of("dead")),
                motor_lag: of("lag"),
            },
            slack: value["slack"].as_u64().map(|i| i as usize),
            hold,
            value: value.clone(),
        }
    };
    rows.iter().map(row).collect()
}

fn numbers(value: &serde_json::Value) -> Vec<f64> {
    serde_json::from_value(value.clone()).unwrap()
}

/// Returns the largest singular value of `(I + L)^-1`, by nalgebra's own decomposition.
fn sensitivity(open: nalgebra::Matrix2<Complex<f64>>) -> f64 {
    let one = nalgebra::Matrix2::<Complex<f64>>::identity();
    1.0 / (open + one).svd(false, false).singular_values[1]
}

#[test]
fn sampled_loops_match_state_space_models_of_the_same_definition() {
    let (mut worst, mut count) = ((0.0, String::new()), 0);
    for row in rows() {
        for entry in row.value["responses"].as_array().unwrap() {
            let entry = numbers(entry);
            let none = Conditions::default();
            let (open, determinant) =
                loop_response(&row.joint, &row.law, &row.member, &none, row.at(), entry[0])
                    .unwrap();
            let wanted = Complex::new(entry[1], entry[2]);
            let trace = Complex::new(entry[3], entry[4]);
            let mut errors = vec![
                (determinant - wanted).norm() / wanted.norm().max(1.0),
                (open.trace() - trace).norm() / trace.norm().max(1.0),
            ];
            if row.hold == 1 {
                errors.push((sensitivity(open) - entry[5]).abs() / entry[5]);
            }
            for error in errors {
                assert!(error.is_finite());
                if error > worst.0 {
                    worst = (error, format!("{} at {}", row.name, entry[0]));
                }
                count += 1;
            }
        }
    }
    println!("{count} values, worst {:.1e}, {}", worst.0, worst.1);
    assert!(worst.0 <= 1e-9, "{worst:?}");
}

#[test]
fn stability_is_that_of_the_closed_loops_poles() {
    let (mut stable, mut unstable, mut wrong) = (0, 0, Vec::new());
    for row in rows() {
        let figures = row.figures();
        let poles = row.value["unstable"].as_u64().unwrap();
        if poles == 0 {
            stable += 1;
        } else {
            unstable += 1;
        }
        if u64::from(figures.unstable_poles) != poles {
            wrong.push(format!(
                "{}: {} poles found, {poles} there, radius {}",
                row.name, figures.unstable_poles, row.value["radius"]
            ));
        }
    }
    println!("{stable} stable and {unstable} unstable loops");
    assert!(unstable >= 8 && stable >= 60);
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn sensitivity_peaks_and_margins_match() {
    let (mut peaks, mut margins) = (0, 0);
    for row in rows() {
        let figures = row.figures();
        if let Some(peak) = row.value["peak"].as_f64() {
            // The table's is the highest on a grid of 0.2 % steps: ours may be higher by at most
            // the error of a step.
            let ratio = figures.sensitivity.value / peak;
            assert!((1.0 - 1e-6..1.03).contains(&ratio), "{}: {ratio}", row.name);
            peaks += 1;
        }
        let Some(wanted) = row.value.get("margins") else {
            continue;
        };
        let wanted = numbers(wanted);
        if !figures.stable() || !wanted.iter().all(|x| x.is_finite()) {
            continue;
        }
        // python-control also picks the margin of smallest size; splines between grid points limit
        // it.
        let margin = figures.phase_margin.unwrap();
        assert!(
            (margin.value.to_degrees() - wanted[0]).abs() < 0.01,
            "{}: {margin:?} {wanted:?}",
            row.name
        );
        assert!(
            (margin.frequency / wanted[1] - 1.0).abs() < 1e-3,
            "{}",
            row.name
        );
        let gain = figures.gain_margin.unwrap();
        assert!(
            (gain.value / wanted[2] - 1.0).abs() < 1e-3,
            "{}: {gain:?} {wanted:?}",
            row.name
        );
        margins += 1;
    }
    println!("{peaks} peaks, {margins} margins");
    assert!(peaks > 70 && margins >= 8);
}

/// Latencies just below the delay margin and just above, against the stability by the table's
/// poles.
#[test]
fn loops_bear_their_delay_margin_and_no_more() {
    let (mut count, mut endless) = (0, 0);
    for row in rows() {
        let of = |age: f64| {
            let late = Conditions {
                age,
                ..Conditions::default()
            };
            (&row.joint, &row.law, &row.member, late, row.at())
        };
        let (joint, law, member, none, at) = of(0.0);
        let Some(margin) = delay_margin(joint, law, member, &none, at) else {
            endless += u32::from(row.figures().stable());
            continue;
        };
        for (share, stable) in [(0.3, true), (0.7, true), (0.999, true), (1.003, false)] {
            let (joint, law, member, late, at) = of(share * margin);
            let found = loop_figures(joint, law, member, &late, at).unwrap();
            assert_eq!(found.stable(), stable, "{}, {late:?}", row.name);
        }
        count += 1;
    }
    println!("{count} delay margins, {endless} stable loops without");
    assert!(count > 60 && endless < 5);
}

/// An integral law on a first-order lag: crossover and phase margin by hand, and the delay margin
/// is their quotient (common practice, no source). Half a period of it is due to the hold.
#[test]
fn delay_margin_of_an_integrating_loop() {
    let file = file();
    let mut joint = file.joint.clone();
    joint.period = 0.002;
    joint.sample_period = joint.period;
    for (ki, lag) in [(2.0, 0.05), (6.0, 0.1), (20.0, 0.3_f64)] {
        let gains = MotorGains {
            kp: 0.0,
            ki,
            integral_order: 1.0,
            kd: 0.0,
            derivative_order: 1.0,
            derivative_corner: f64::INFINITY,
        };
        let law = law(&file, &joint, vec![gains; joint.motors()], 0.0);
        let member = Member::new("one", Plant::first_order(1.0, lag, 0.0));
        let at = (Bend::zeros(), None);
        let none = Conditions::default();
        let figures = loop_figures(&joint, &law, &member, &none, at).unwrap();
        let product = 2.0 * lag * ki;
        let crossover = ((product.hypot(1.0) - 1.0) / 2.0).sqrt() / lag;
        let wanted = (PI / 2.0 - (crossover * lag).atan()) / crossover - joint.period / 2.0;
        let at_crossover = figures.delay_margin.unwrap();
        assert!((at_crossover.frequency / crossover - 1.0).abs() < 1e-3);
        let found = delay_margin(&joint, &law, &member, &none, at).unwrap();
        for delay in [at_crossover.value, found] {
            assert!((delay / wanted - 1.0).abs() < 2e-3, "{delay}, {wanted}");
        }
        // Two loci, one for each direction of bend, pass -1 together, between two grid frequencies.
        for (share, poles) in [(0.999, 0), (1.001, 4)] {
            let late = Conditions {
                age: share * wanted,
                ..Conditions::default()
            };
            let found = loop_figures(&joint, &law, &member, &late, at).unwrap();
            assert_eq!(found.unstable_poles, poles, "ki {ki}, {share}");
        }
    }
}

#[test]
fn the_ideal_operator_is_that_of_mpmath() {
    let tables = tables();
    for row in tables["continuous"].as_array().unwrap() {
        let row = numbers(row);
        let law = withy::design::model::Law::new(&MotorGains {
            kp: 0.0,
            ki: 1.0,
            kd: 0.0,
            integral_order: row[0],
            derivative_order: 1.0,
            derivative_corner: 100.0,
        });
        let wanted = Complex::new(row[2], row[3]);
        assert!((law.response(row[1]) - wanted).norm() < 1e-13 * wanted.norm());
        // The discrete one is close to it, at 200 Hz.
        let discrete = Integral::new(row[0], 0.005).unwrap().response(row[1]);
        assert!((discrete / wanted).arg().abs().to_degrees() < 0.1);
    }
}

/// The specified margin is that of the sampled loop.
#[test]
fn sampled_loops_realise_the_margins_specified() {
    let file = file();
    let mut worst = (0.0, String::new());
    let mut count = 0;
    for rate in [100.0, 200.0, 500.0] {
        let mut joint = file.joint.clone();
        joint.period = 1.0 / rate;
        joint.sample_period = joint.period;
        for (plant, crossover) in [
            (Plant::first_order(1.0, 0.055, 0.0), 4.0),
            (Plant::first_order(0.95, 0.045, 0.03), 3.0),
            (Plant::first_order(1.0, 0.3, 0.02), 5.0),
            (Plant::second_order(0.944, 44.2, 0.46, 0.013), 4.0),
            (Plant::second_order(1.0, 30.0, 0.7, 0.02), 6.0),
        ] {
            for degrees in [60.0, 75.0, 90.0] {
                for late in [0.0, 1.0] {
                    // One period more where setpoints go out late.
                    let output = late * joint.period;
                    let conditions = Conditions {
                        output,
                        ..Conditions::default()
                    };
                    let specification = Specification::of_degrees(degrees, crossover);
                    let delays = Delays::of(joint.period, 0.0, 0.0, output);
                    let delayed = plant.delayed(delays.total());
                    let mut laws = Vec::new();
                    if let Ok(design) =
                        tune(&plant, &delays, &specification, Form::ProportionalIntegral)
                    {
                        laws.push(design.gains);
                    }
                    for order in [0.9, 1.146] {
                        laws.extend(integral_of(&delayed, &specification, order));
                    }
                    for gains in laws {
                        let motors = vec![gains; joint.motors()];
                        let law = law(&file, &joint, motors, 0.0);
                        let member = Member::new("one", plant);
                        let at = (Bend::zeros(), None);
                        let figures = loop_figures(&joint, &law, &member, &conditions, at).unwrap();
                        // The specified crossover; there may be others further up.
                        let [low, _] = figures.crossovers.unwrap();
                        let (open, _) =
                            loop_response(&joint, &law, &member, &conditions, at, low).unwrap();
                        let error = ((-open[(0, 0)]).arg().to_degrees() - degrees).abs();
                        count += 1;
                        if error > worst.0 {
                            worst = (error, format!("{plant:?} {gains:?} at {rate} Hz"));
                        }
                    }
                }
            }
        }
    }
    println!("{count} designs, worst {:.4} deg, {}", worst.0, worst.1);
    assert!(count > 150);
    assert!(worst.0 <= 0.2, "{worst:?}");
}

/// Returns the PI of a given order that meets margin and crossover, if there is one: two linear
/// equations.
fn integral_of(plant: &Plant, asked: &Specification, order: f64) -> Option<MotorGains> {
    let w = asked.crossover;
    let wanted = Complex::from_polar(1.0, -PI + asked.phase_margin) / plant.response(w);
    let part = Complex::from_polar(w.powf(-order), -order * PI / 2.0);
    let ki = wanted.im / part.im;
    let kp = wanted.re - ki * part.re;
    (ki > 0.0 && kp >= 0.0).then_some(MotorGains {
        kp,
        ki,
        kd: 0.0,
        integral_order: order,
        derivative_order: 1.0,
        derivative_corner: 100.0,
    })
}

/// The stepped loop against the exact inverse Laplace transform of the continuous one, delays
/// included.
#[test]
fn steps_overshoot_as_the_transform_says() {
    let file = file();
    for (plant, kp, ki, order) in [
        (Plant::first_order(0.95, 0.045, 0.03), 0.206, 3.83, 1.146),
        (Plant::first_order(1.0, 0.3, 0.02), 1.0, 9.0, 0.9),
        (Plant::second_order(1.0, 20.0, 0.5, 0.02), 0.3, 6.0, 1.0),
    ] {
        let gains = MotorGains {
            kp,
            ki,
            kd: 0.0,
            integral_order: order,
            derivative_order: 1.0,
            derivative_corner: 100.0,
        };
        let law = law(&file, &file.joint, vec![gains; 4], 0.0);
        let found = examined(&file, &law, &[Member::new("one", plant)], Depth::Full);
        let course = found.models[0].course.unwrap();
        let delays = Delays::of(file.joint.period, 0.0, 0.0, 0.0);
        let wanted = Loop::new(&plant, &gains, &delays)
            .unwrap()
            .overshoots(&[1.0])[0];
        let (got, wanted) = (course.feedback.overshoot, wanted.percent.unwrap());
        println!("{got:.3} % {wanted:.3} %");
        // A step at a sample acts half a period early on operators that interpolate linearly
        // between samples.
        assert!((got - wanted).abs() < 0.3, "{plant:?}: {got} {wanted}");
        // The continuous one matches it directly.
        let continuous = found.models[0]
            .continuous_course
            .unwrap()
            .feedback
            .overshoot;
        assert!(
            (continuous - wanted).abs() < 0.02,
            "{plant:?}: {continuous} {wanted}"
        );
    }
}

/// Overshoot, settling, greatest setpoint and noise of the continuous law, against an exact
/// inversion of its transforms.
#[test]
fn the_ideal_laws_figures_are_those_of_its_transforms() {
    let file = file();
    let tables = tables();
    let rows = tables["ideal_steps"].as_array().unwrap();
    assert!(rows.len() >= 8);
    let conditions = Conditions {
        orientation_noise: 0.001,
        gyro_noise: 0.01,
        ..Conditions::default()
    };
    let (mut overshoots, mut worst) = (0, [0.0_f64; 5]);
    for row in rows {
        let number = |key: &str| row[key].as_f64().unwrap();
        assert!(number("series_apart") < 1e-4, "the references agree");
        let joint = file.joint.clone();
        assert_eq!(joint.period, number("dt"));
        let motors = vec![gains_of(&row["gains"]); joint.motors()];
        let law = law(&file, &joint, motors, number("damping"));
        let of = |key: &str| row["plant"][key].as_f64().unwrap();
        let member = Member {
            name: row["model"].to_string(),
            plant: Plant::second_order(of("gain"), of("w"), of("z"), of("dead")),
            motor_lag: of("lag"),
        };
        let found = examine(&joint, &law, &[member], &conditions, Depth::Full).unwrap();
        let (course, demand) = (
            found.models[0].continuous_course.unwrap(),
            found.models[0].continuous_demand.unwrap(),
        );
        let step = course.feedback;
        assert!(step.speed.is_infinite() && course.shaped.speed.is_finite());
        let off = [
            (step.overshoot - number("overshoot")).abs(),
            (step.settling.unwrap() - number("settling")).abs(),
            (step.peak / number("peak") - 1.0).abs(),
            (demand.noise / number("noise") - 1.0).abs(),
            (demand.noise_speed / number("noise_speed") - 1.0).abs(),
        ];
        println!("{} on {}: {off:.5?}", row["law"], row["model"]);
        for (worst, off) in worst.iter_mut().zip(off) {
            assert!(off.is_finite());
            *worst = worst.max(off);
        }
        overshoots += usize::from(number("overshoot") > 1.0);
    }
    println!("worst {worst:.5?}");
    assert!(overshoots >= 3);
    // Time points are a quarter of a period apart, 1.25 ms.
    let bars = [0.1, 0.0014, 1e-3, 1e-3, 1e-3];
    assert!(worst.iter().zip(bars).all(|(w, bar)| *w < bar), "{worst:?}");
}

/// With shorter periods the sampled law approaches the continuous one, which is computed
/// independently.
#[test]
fn moves_by_both_laws_come_together_as_ticks_become_finer() {
    let (file, velocity) = (
        file(),
        JointFile::load("config/glasshouse-neck-velocity.yaml").expect("a sound joint file"),
    );
    let unlike = |file: &JointFile, joint: &Joint| {
        let mut motors = vec![file.gain_sets[0].gains.motors[0]; joint.motors()];
        motors[1].kp += 0.1;
        motors[2].ki *= 0.7;
        law(file, joint, motors, 0.02)
    };
    let sets = |file: &JointFile, joint: &Joint| -> Vec<Law> {
        let new = |set: &GainSet| Law::new(joint, set, &file.limits, file.feedback).unwrap();
        let sets = file.gain_sets.iter().filter(|s| s.gains.corrects());
        let mut laws: Vec<Law> = sets.map(|s| new(&s.gains)).collect();
        laws.push(unlike(file, joint));
        laws
    };
    for file in [&file, &velocity] {
        let apart = |dt: f64| -> Vec<[f64; 8]> {
            let mut joint = file.joint.clone();
            (joint.period, joint.sample_period) = (dt, dt);
            let laws = sets(file, &joint);
            let one = |law: &Law| {
                let member = Member::new("lens", Plant::second_order(0.93, 40.0, 0.4, 0.004));
                let none = Conditions::default();
                let found = examine(&joint, law, &[member], &none, Depth::Full).unwrap();
                let model = &found.models[0];
                let (run, continuous) = (model.course.unwrap(), model.continuous_course.unwrap());
                let (asked, wanted) = (model.demand.unwrap(), model.continuous_demand.unwrap());
                [
                    run.feedback.overshoot - continuous.feedback.overshoot,
                    run.feedback.settling.unwrap() - continuous.feedback.settling.unwrap(),
                    run.feedback.peak - continuous.feedback.peak,
                    run.shaped.overshoot - continuous.shaped.overshoot,
                    run.shaped.settling.unwrap() - continuous.shaped.settling.unwrap(),
                    run.shaped.peak - continuous.shaped.peak,
                    run.shaped.speed / continuous.shaped.speed - 1.0,
                    asked.travel_share - wanted.travel_share,
                ]
                .map(f64::abs)
            };
            laws.iter().map(one).collect()
        };
        for (coarse, fine) in apart(0.005).iter().zip(apart(0.001)) {
            println!("{coarse:.4?}\n{fine:.4?}");
            // Where the tail is shallow, hundredths of a percent of the bend are milliseconds of
            // settling.
            let bars = [0.1, 0.03, 0.01, 0.01, 0.03, 0.001, 0.03, 0.001];
            let within = |off: &[f64; 8], share: f64| {
                off.iter().zip(bars).all(|(off, bar)| *off <= share * bar)
            };
            assert!(within(coarse, 1.0), "{coarse:?}");
            assert!(within(&fine, 0.3), "{fine:?}");
        }
    }
}

/// Bare to heavy: gains 0.94 to 1.02, 44 to 16.8 rad/s, damping ratios 0.46 to 0.14.
fn family(count: usize) -> Vec<Member> {
    let member = |i: usize| {
        let share = i as f64 / (count - 1) as f64;
        let between = |a: f64, b: f64| a + (b - a) * share;
        let plant = Plant::second_order(
            between(0.94, 1.02),
            44.0 * (16.8f64 / 44.0).powf(share),
            between(0.46, 0.14),
            between(0.013, 0.02),
        );
        Member::new(format!("payload {i}"), plant)
    };
    (0..count).map(member).collect()
}

fn examined(file: &JointFile, law: &Law, family: &[Member], depth: Depth) -> Examination {
    examine(&file.joint, law, family, &Conditions::default(), depth).unwrap()
}

#[test]
fn shipped_sets_are_stable_on_what_they_hold() {
    let file = file();
    let family = family(12);
    for (i, set) in file.gain_sets.iter().enumerate() {
        let start = std::time::Instant::now();
        let law = file.law(i).unwrap();
        let found = examined(&file, &law, &family, Depth::Verdict);
        println!(
            "{}: {:?}, margin {:.1} deg, peak {:.2}, {:?}",
            set.name,
            start.elapsed(),
            found.least().discrete.figures.margin().to_degrees(),
            found.peak().discrete.figures.sensitivity.value,
            found.acceptable(&Floor::default())
        );
        assert_eq!(found.models.len(), 12);
        assert!(found.models.iter().all(|m| m.slack.len() == 4));
    }
    let law = file.law(0).unwrap();
    assert!(examined(&file, &law, &family, Depth::Verdict).stable);
}

#[test]
fn a_set_for_the_light_model_alone_is_refused_for_the_heavy_one() {
    let file = file();
    let family = family(3);
    // Undamped, and quick for a bare head: a crossover of 9 rad/s, far below its mode at 44 rad/s.
    let motors = vec![
        MotorGains {
            kp: 0.3,
            ki: 9.0,
            kd: 0.0,
            integral_order: 1.0,
            derivative_order: 1.0,
            derivative_corner: 100.0,
        };
        4
    ];
    let law = law(&file, &file.joint, motors, 0.0);
    let light = examined(&file, &law, &family[..1], Depth::Verdict);
    assert_eq!(light.acceptable(&Floor::default()), Ok(()));
    let all = examined(&file, &law, &family, Depth::Full);
    assert!(!all.stable && all.models[2].course.is_none() && all.models[0].course.is_some());
    let reason = all.acceptable(&Floor::default()).unwrap_err();
    println!("{reason}");
    assert!(reason.contains("payload") && reason.contains("unstable") && reason.contains("rad/s"));
    assert!(all.reasons.contains(&reason));
    // The reported factor is the limit: just below it the heavy loop is stable, just above not.
    let least = all.models[2].discrete.figures.least_gain.unwrap().value;
    for (factor, stable) in [(0.99 * least, true), (1.01 * least, false)] {
        let motors = vec![
            MotorGains {
                kp: 0.3 * factor,
                ki: 9.0 * factor,
                kd: 0.0,
                integral_order: 1.0,
                derivative_order: 1.0,
                derivative_corner: 100.0,
            };
            4
        ];
        let law = self::law(&file, &file.joint, motors, 0.0);
        let found = examined(&file, &law, &family[2..], Depth::Verdict);
        assert_eq!(
            found.models[0].discrete.figures.stable(),
            stable,
            "{factor}"
        );
    }
}

#[test]
fn margins_below_the_floor_are_refused_with_numbers() {
    let file = file();
    let found = examined(&file, &file.law(0).unwrap(), &family(2), Depth::Verdict);
    let figures = &found.least().discrete.figures;
    let (margin, peak) = (
        figures.margin(),
        found.peak().discrete.figures.sensitivity.value,
    );
    let floor = |margin, sensitivity| {
        found.acceptable(&Floor {
            margin,
            sensitivity,
        })
    };
    assert_eq!(floor(0.99 * margin, 1.01 * peak), Ok(()));
    let reason = floor(1.01 * margin, 1.01 * peak).unwrap_err();
    assert!(
        reason.contains("phase margin is") && reason.contains("deg at"),
        "{reason}"
    );
    let reason = floor(0.99 * margin, 0.99 * peak).unwrap_err();
    assert!(reason.contains("sensitivity peaks at"), "{reason}");
    // In accept form: a floor of NaN accepts nothing.
    assert!(floor(f64::NAN, 10.0).is_err() && floor(0.0, f64::NAN).is_err());
    assert!((Floor::default().margin - FRAC_PI_6).abs() < 1e-15);
}

#[test]
fn a_joint_that_gravity_overturns_without_a_tendon_is_told() {
    let file = file();
    // Of four tendons one has about half of the stiffness in its direction: from a gain of 2 on,
    // the other three cannot hold the joint.
    let member = Member::new("top-heavy", Plant::second_order(2.4, 12.0, 0.3, 0.01));
    let found = examined(&file, &file.law(0).unwrap(), &[member], Depth::Verdict);
    assert!(
        found.models[0]
            .slack
            .iter()
            .any(|s| matches!(s, Slack::Falls { .. }))
    );
    let reason = found.acceptable(&Floor::default()).unwrap_err();
    println!("{reason}");
    assert!(!found.stable);
}

#[test]
fn what_is_out_of_range_is_told() {
    let file = file();
    let law = file.law(0).unwrap();
    let bad = |family: &[Member], conditions: &Conditions| {
        let depth = Depth::Verdict;
        examine(&file.joint, &law, family, conditions, depth)
            .unwrap_err()
            .to_string()
    };
    let none = Conditions::default();
    assert!(bad(&[], &none).contains("no model"));
    let member = Member::new("x", Plant::first_order(f64::NAN, 0.1, 0.0));
    assert!(bad(&[member], &none).contains("model x"));
    let age = Conditions {
        age: f64::NAN,
        ..none
    };
    assert!(bad(&family(2), &age).contains("0 to 10 s"));
}
