//! A moving target predicted from its samples: circles against the closed form, oscillations,
//! sudden stops, noise, and the same through a model of a joint's lag. `cargo test --test control track:: --
//! --nocapture` prints the figures.
//!
//! Every run: lag 0.27 s, samples 20 ms old when they come, a cycle every ms, amplitude 20 deg.
//! Bounds are a third or more above the measured figures.

use nalgebra::{Vector2, Vector3};
use proptest::prelude::*;
use std::collections::VecDeque;
use std::f64::consts::{PI, TAU};
use withy::control::track::{LONGEST_GAP, Motion, RECOGNISED, Refusal, Track};

const DEG: f64 = PI / 180.0;
const LAG: f64 = 0.27;
const AGE: f64 = 0.02;
const AMPLITUDE: f64 = 20.0 * DEG;
const TICK: f64 = 1e-3;
const RATES: [f64; 3] = [10.0, 30.0, 100.0];
const FREQUENCIES: [f64; 3] = [0.1, 0.3, 1.0];

type Path = dyn Fn(f64) -> Vector3<f64>;

/// Pan and pitch on an ellipse whose second axis is `ratio` of the first: 1 a circle, 0 a line.
fn ellipse(frequency: f64, ratio: f64) -> Box<Path> {
    Box::new(move |t| {
        let a = TAU * frequency * t;
        Vector3::new(0.1, ratio * a.cos() * AMPLITUDE, a.sin() * AMPLITUDE)
    })
}

/// Moves at `speed`, rad/s, from 2 s on for `lasting` s, then rests.
fn ramp(speed: f64, lasting: f64) -> Box<Path> {
    Box::new(move |t| Vector3::new(0.1, 0.0, speed * (t - 2.0).clamp(0.0, lasting)))
}

/// 20 deg from rest to rest with minimum jerk, from 2 s on (Flash and Hogan 1985, from memory).
fn smooth_move(lasting: f64) -> Box<Path> {
    Box::new(move |t| {
        let x = ((t - 2.0) / lasting).clamp(0.0, 1.0);
        let way = x.powi(3) * (10.0 - 15.0 * x + 6.0 * x * x);
        Vector3::new(0.1, 0.0, AMPLITUDE * way)
    })
}

/// Seeded noise: linear congruence with Knuth's MMIX constants (from memory), then Box and Muller.
struct Random(u64);

impl Random {
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6364136223846793005);
        self.0 = self.0.wrapping_add(1442695040888963407);
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        (-2.0 * (1.0 - self.uniform()).ln()).sqrt() * (TAU * self.uniform()).cos()
    }
}

/// Sampling of a target.
#[derive(Clone, Copy)]
struct Sampling {
    /// Samples per second.
    rate: f64,
    /// Noise of each axis, rms, rad.
    noise: f64,
    /// Width of the stamps' scatter, periods.
    scatter: f64,
}

fn clean(rate: f64) -> Sampling {
    Sampling {
        rate,
        noise: 0.0,
        scatter: 0.0,
    }
}

/// Samples a path and passes every cycle from the stream's recognition on to `see`: (now, motion).
fn run(path: &Path, sampling: Sampling, last: f64, mut see: impl FnMut(f64, &Motion)) {
    let mut random = Random(1);
    let mut track = Track::new();
    let mut motion = None;
    let mut k = 0.0;
    let mut next = 0.0;
    for tick in 0..(last / TICK) as usize {
        let now = tick as f64 * TICK;
        while next + AGE <= now {
            let noise = Vector3::from_fn(|_, _| random.normal()) * sampling.noise;
            motion = track.sample(path(next) + noise, next).unwrap();
            k += 1.0;
            next = (k + sampling.scatter * (random.uniform() - 0.5)) / sampling.rate;
        }
        if let Some(motion) = &motion {
            see(now, motion);
        }
    }
}

/// Figures of a prediction. The amplitude is about the path's centre.
#[derive(Default)]
struct Score {
    squares: f64,
    squares_without: f64,
    worst: f64,
    peak: f64,
    peak_without: f64,
    ticks: f64,
}

impl Score {
    fn add(&mut self, predicted: Vector3<f64>, without: Vector3<f64>, truth: Vector3<f64>) {
        let error = (predicted - truth).norm();
        self.squares += error * error;
        self.squares_without += (without - truth).norm_squared();
        self.worst = self.worst.max(error);
        self.peak = self.peak.max(predicted.yz().norm());
        self.peak_without = self.peak_without.max(without.yz().norm());
        self.ticks += 1.0;
    }

    fn rms(&self) -> f64 {
        (self.squares / self.ticks).sqrt()
    }

    fn rms_without(&self) -> f64 {
        (self.squares_without / self.ticks).sqrt()
    }

    /// Returns the overshoot beyond the amplitude, as a share of it.
    fn beyond(&self) -> f64 {
        self.peak / AMPLITUDE - 1.0
    }

    fn beyond_without(&self) -> f64 {
        self.peak_without / AMPLITUDE - 1.0
    }

    fn print(&self, what: &str) {
        println!(
            "{what}: rms {:.3} deg (without {:.2}), worst {:.3} deg, peak {:+.2} % (without {:+.2})",
            self.rms() / DEG,
            self.rms_without() / DEG,
            self.worst / DEG,
            100.0 * self.beyond(),
            100.0 * self.beyond_without(),
        );
    }
}

/// Scores two periods from `from` s on.
fn score(path: &Path, frequency: f64, sampling: Sampling, from: f64) -> Score {
    let mut score = Score::default();
    run(path, sampling, from + 2.0 / frequency, |now, motion| {
        if now > from {
            score.add(motion.at(now, LAG), motion.newest, path(now + LAG));
        }
    });
    score
}

/// The published model of a steady turn: velocity rotated, place by its integral (Li and Jilkov
/// 2003, coordinated turn; from memory).
fn coordinated_turn(
    place: Vector2<f64>,
    velocity: Vector2<f64>,
    turn: f64,
    s: f64,
) -> Vector2<f64> {
    let (sin, cos) = (turn * s).sin_cos();
    let (along, across) = (sin / turn, (1.0 - cos) / turn);
    place
        + Vector2::new(
            along * velocity.x - across * velocity.y,
            across * velocity.x + along * velocity.y,
        )
}

#[test]
fn a_steady_turn_is_predicted_as_its_closed_form() {
    // Means lie inside the circle by a share of the square of their angle: here some 1e-3.
    for frequency in FREQUENCIES {
        let turn = -TAU * frequency;
        let path = ellipse(frequency, 1.0);
        let mut worst = 0.0_f64;
        run(&path, clean(10.0), 8.0, |now, motion| {
            if now > 6.0 {
                let a = TAU * frequency * motion.stamp;
                let velocity = Vector2::new(-a.sin(), a.cos()) * AMPLITUDE * -turn;
                for ahead in [0.0, 0.1, 0.3, 0.45] {
                    let s = now + ahead - motion.stamp;
                    let place = motion.newest.yz();
                    let expected = coordinated_turn(place, velocity, -turn, s);
                    worst = worst.max((motion.at(now, ahead).yz() - expected).norm());
                }
            }
        });
        println!("turn at {frequency} Hz: {:.2e} rad off", worst);
        assert!(worst < 2e-3, "{frequency} Hz: {worst}");
    }
}

#[test]
fn circles_are_predicted() {
    for frequency in FREQUENCIES {
        for rate in RATES {
            let path = ellipse(frequency, 1.0);
            let s = score(&path, frequency, clean(rate), 1.5);
            s.print(&format!("circle {frequency} Hz at {rate} Hz"));
            assert!(s.rms() < 0.4 * DEG && s.worst < 1.3 * DEG);
            // The bound is 1 percent.
            assert!(s.beyond() < 0.01);
        }
    }
}

#[test]
fn ellipses_are_predicted() {
    for frequency in FREQUENCIES {
        for rate in RATES {
            let path = ellipse(frequency, 0.5);
            let s = score(&path, frequency, clean(rate), 1.5);
            s.print(&format!("ellipse {frequency} Hz at {rate} Hz"));
            assert!(s.beyond() < 0.01 && s.rms() < 0.1 * s.rms_without());
        }
    }
}

#[test]
fn to_and_fro_on_a_line_is_predicted_without_overshoot() {
    for frequency in FREQUENCIES {
        for rate in RATES {
            let path = ellipse(frequency, 0.0);
            // From the start on, and once reversals have been observed.
            let first = score(&path, frequency, clean(rate), 0.0);
            let later = score(&path, frequency, clean(rate), 2.0 + 1.0 / frequency);
            first.print(&format!("line {frequency} Hz at {rate} Hz, first"));
            later.print(&format!("line {frequency} Hz at {rate} Hz, later"));
            assert!(first.beyond() < 0.01 && later.beyond() < 0.01);
            assert!(first.rms() < first.rms_without());
            assert!(later.rms() < 0.12 * later.rms_without());
        }
    }
}

#[test]
fn scattered_stamps_do_no_harm() {
    for frequency in FREQUENCIES {
        for rate in RATES {
            let sampling = Sampling {
                scatter: 0.5,
                ..clean(rate)
            };
            let s = score(&ellipse(frequency, 1.0), frequency, sampling, 2.0);
            s.print(&format!("scattered circle {frequency} Hz at {rate} Hz"));
            assert!(s.rms() < 0.15 * s.rms_without());
            // Three means at 10 Hz are three samples: scatter matters in their circle at 1 Hz.
            let most = if rate * frequency < 20.0 { 0.05 } else { 0.01 };
            assert!(s.beyond() < most, "{}", s.beyond());
        }
    }
}

#[test]
fn noisy_targets_are_followed_closer_than_without_prediction() {
    for ratio in [1.0, 0.0] {
        for frequency in FREQUENCIES {
            for rate in RATES {
                let sampling = Sampling {
                    noise: 0.3 * DEG,
                    ..clean(rate)
                };
                let s = score(&ellipse(frequency, ratio), frequency, sampling, 3.0);
                s.print(&format!(
                    "noisy, axes 1 to {ratio}, {frequency} Hz at {rate} Hz"
                ));
                assert!(s.rms() < 0.75 * s.rms_without());
                assert!(s.beyond() < 0.2);
            }
        }
    }
}

#[test]
fn a_noisy_target_at_rest_does_not_jitter() {
    for noise in [0.05, 0.3, 1.0] {
        for rate in RATES {
            let sampling = Sampling {
                noise: noise * DEG,
                ..clean(rate)
            };
            let place = Vector3::new(0.1, -0.2, 0.3);
            let (mut with, mut without) = (0.0, 0.0);
            run(&move |_| place, sampling, 60.0, |now, motion| {
                with += (motion.at(now, LAG) - place).norm_squared();
                without += (motion.newest - place).norm_squared();
            });
            let share = (with / without).sqrt();
            println!("at rest, noise {noise} deg at {rate} Hz: {share:.4} of the samples' own");
            // The bound is 1.5.
            assert!(share < 1.05);
        }
    }
}

/// Returns the farthest beyond and short of the goal, after `after` s, and the same of the joint's
/// lag.
fn beyond_goal(path: &Path, rate: f64, after: f64) -> (f64, f64, f64) {
    let goal = path(99.0).z;
    let (mut beyond, mut short, mut joint_beyond) = (0.0_f64, 0.0_f64, 0.0_f64);
    let mut joint = Joint::new(path(0.0));
    run(path, clean(rate), 6.0, |now, motion| {
        let predicted = motion.at(now, LAG);
        beyond = beyond.max(predicted.z - goal);
        joint_beyond = joint_beyond.max(joint.step(predicted).z - goal);
        if now > after {
            short = short.max(goal - predicted.z);
        }
    });
    (beyond, short, joint_beyond)
}

#[test]
fn a_sudden_stop_is_overshot_by_no_more_than_the_way_of_the_lag() {
    for speed in [10.0, 30.0, 90.0] {
        for rate in RATES {
            // 30 deg each, the fastest 45.
            let lasting = if speed > 60.0 { 0.5 } else { 30.0 / speed };
            // Noticed once a sample at rest has come.
            let seen = 2.0 + lasting + 2.0 / rate + AGE + TICK;
            let (beyond, short, joint) = beyond_goal(&ramp(speed * DEG, lasting), rate, seen);
            println!(
                "{speed} deg/s stops, {rate} Hz: {:.2} deg beyond, {:.2} short of the goal after \
                 it, joint {:.2} beyond",
                beyond / DEG,
                short / DEG,
                joint / DEG
            );
            // Lag, latency, and a cycle at which the next sample is due.
            let way = speed * DEG * (LAG + AGE + 1.0 / rate + TICK);
            assert!(beyond < 1.1 * way);
            assert!(short < 0.5 * DEG);
            assert!(joint < 0.5 * way);
        }
    }
}

#[test]
fn a_smooth_move_is_not_overshot() {
    for lasting in [0.25, 0.5, 1.0, 2.0] {
        for rate in RATES {
            let (beyond, short, joint) = beyond_goal(&smooth_move(lasting), rate, 2.5 + lasting);
            println!(
                "20 deg in {lasting} s, {rate} Hz: {:.2} deg beyond, joint {:.2} beyond",
                beyond / DEG,
                joint / DEG
            );
            assert!(beyond < 0.1 * AMPLITUDE && joint < 0.02 * AMPLITUDE);
            assert!(short < 0.02 * AMPLITUDE);
        }
    }
}

/// A joint's lag: two moving averages and a lag of first order, 0.28 s in all.
struct Joint {
    averages: [(VecDeque<Vector3<f64>>, Vector3<f64>); 2],
    place: Vector3<f64>,
}

impl Joint {
    fn new(place: Vector3<f64>) -> Self {
        let average = |s: f64| {
            let n = (s / TICK).round() as usize;
            (VecDeque::from(vec![place; n]), place * n as f64)
        };
        Self {
            averages: [average(0.37), average(0.08)],
            place,
        }
    }

    fn step(&mut self, mut target: Vector3<f64>) -> Vector3<f64> {
        for (kept, sum) in &mut self.averages {
            *sum += target - kept.pop_front().unwrap();
            kept.push_back(target);
            target = *sum / kept.len() as f64;
        }
        self.place += (target - self.place) * (1.0 - (-TICK / 0.055).exp());
        self.place
    }
}

#[test]
fn a_joint_follows_with_less_lag_and_no_overshoot() {
    for ratio in [1.0, 0.0] {
        for frequency in FREQUENCIES {
            for rate in RATES {
                let path = ellipse(frequency, ratio);
                let (mut with, mut without) = (Joint::new(path(0.0)), Joint::new(path(0.0)));
                let mut s = Score::default();
                // From rest at the path's start, and scored once reversals have been observed.
                let from = 2.0 + 1.0 / frequency;
                run(&path, clean(rate), from + 2.0 / frequency, |now, motion| {
                    let predicted = with.step(motion.at(now, LAG));
                    let held = without.step(motion.newest);
                    if now > from {
                        s.add(predicted, held, path(now));
                    }
                });
                s.print(&format!(
                    "joint, axes 1 to {ratio}, {frequency} Hz at {rate} Hz"
                ));
                assert!(s.beyond() < 0.01);
                assert!(s.rms() < 0.3 * s.rms_without());
            }
        }
    }
}

fn feed(track: &mut Track, path: &Path, times: impl Iterator<Item = f64>) -> Option<Motion> {
    let mut motion = None;
    for t in times {
        motion = track.sample(path(t), t).unwrap();
    }
    motion
}

#[test]
fn a_stream_is_recognised_and_ends() {
    let path = ellipse(0.3, 1.0);
    let mut track = Track::new();
    for k in 0..RECOGNISED {
        let motion = track.sample(path(0.1 * k as f64), 0.1 * k as f64).unwrap();
        assert_eq!(motion.is_some(), k + 1 == RECOGNISED);
    }
    // A gap restarts the track.
    let late = 0.1 * (RECOGNISED - 1) as f64 + LONGEST_GAP + 0.01;
    assert_eq!(track.sample(path(late), late), Ok(None));
    assert!(feed(&mut track, &path, (1..4).map(|k| late + 0.1 * k as f64)).is_some());
    // So does a jump of 15 deg between two samples at 30 Hz; one at the gap's limit does not.
    let mut track = Track::new();
    let times = |n: usize| (0..n).map(|k| k as f64 / 30.0);
    assert!(feed(&mut track, &path, times(60)).is_some());
    let jumped = path(2.0) + Vector3::new(0.0, 0.0, 15.0 * DEG);
    assert_eq!(track.sample(jumped, 2.0), Ok(None));
    let mut track = Track::new();
    feed(&mut track, &path, times(60));
    let t = 59.0 / 30.0 + LONGEST_GAP - 1e-9;
    assert!(track.sample(path(t), t).unwrap().is_some());
}

#[test]
fn a_stream_that_stops_holds() {
    for (rate, hold_off) in [(10.0, 0.25), (30.0, 2.5 / 30.0), (100.0, 0.06)] {
        let path = ellipse(0.3, 1.0);
        let n = (3.0 * rate) as usize;
        let mut track = Track::new();
        let motion = feed(&mut track, &path, (0..n).map(|k| k as f64 / rate)).unwrap();
        assert!((motion.until - motion.stamp - hold_off).abs() < 1e-9);
        let before = motion.at(motion.until, LAG) - motion.newest;
        assert!(before.norm() > 5.0 * DEG);
        for now in [
            motion.until + 1e-9,
            motion.until + 100.0,
            f64::NAN,
            f64::INFINITY,
        ] {
            assert_eq!(motion.at(now, LAG), motion.newest);
        }
        assert_eq!(motion.at(motion.stamp, f64::NAN), motion.newest);
    }
}

/// Between two samples the prediction moves as the target does; a new sample moves it only a
/// little.
#[test]
fn the_prediction_is_continuous() {
    for ratio in [1.0, 0.0] {
        for frequency in FREQUENCIES {
            for rate in RATES {
                let path = ellipse(frequency, ratio);
                let speed = TAU * frequency * AMPLITUDE;
                let mut last: Option<(Motion, Vector3<f64>)> = None;
                let (mut within, mut jump) = (0.0_f64, 0.0_f64);
                run(&path, clean(rate), 6.0 + 2.0 / frequency, |now, motion| {
                    let place = motion.at(now, LAG);
                    if let Some((before, was)) = last {
                        if before == *motion {
                            within = within.max((place - was).norm());
                        } else if now > 2.0 + 1.0 / frequency {
                            jump = jump.max((place - before.at(now, LAG)).norm());
                        }
                    }
                    last = Some((*motion, place));
                });
                println!(
                    "axes 1 to {ratio}, {frequency} Hz at {rate} Hz: {:.3} of the speed, jumps {:.3} deg",
                    within / (speed * TICK),
                    jump / DEG
                );
                assert!(within < 1.5 * speed * TICK);
                assert!(jump < 0.3 * speed * LAG);
            }
        }
    }
}

#[test]
fn what_is_refused_has_no_effect() {
    let path = ellipse(0.3, 1.0);
    let (mut clean, mut spoilt) = (Track::new(), Track::new());
    for k in 0..100 {
        let t = k as f64 / 30.0;
        assert_eq!(clean.sample(path(t), t), spoilt.sample(path(t), t));
        let value = path(t);
        for stamp in [
            t,
            t - 0.01,
            t - 100.0,
            t + 5e-5,
            f64::NAN,
            f64::INFINITY,
            f64::NEG_INFINITY,
        ] {
            let refusal = spoilt.sample(value, stamp).unwrap_err();
            assert!(matches!(refusal, Refusal::Stamp { newest, .. } if newest == t));
        }
        for bad in [f64::NAN, f64::INFINITY, 1.1e4] {
            for axis in 0..3 {
                let mut value = value;
                value[axis] = bad;
                let refusal = spoilt.sample(value, t + 0.01).unwrap_err();
                assert!(matches!(refusal, Refusal::Value { .. }));
            }
        }
    }
    let refusal = spoilt.sample(path(0.0), 1.0).unwrap_err();
    assert_eq!(
        refusal.to_string(),
        "the sample's stamp is 1 s; accepted: one at least 0.0001 s later than the newest, 3.3 s"
    );
}

#[test]
fn nothing_is_allocated() {
    let mut track = Track::new();
    let made = allocation_counter::measure(|| {
        for k in 0..300 {
            let t = k as f64 * 0.01;
            let a = TAU * 0.3 * t;
            let value = Vector3::new(0.1, a.cos(), a.sin());
            if let Ok(Some(motion)) = track.sample(value, t) {
                std::hint::black_box(motion.at(t + AGE, LAG));
            }
        }
    });
    assert_eq!(made.count_total, 0);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 500, failure_persistence: None, ..ProptestConfig::default() })]

    /// For any input: finite, and never farther from the newest sample than the bound.
    #[test]
    fn any_stream_gives_finite_bounded_motions(
        samples in prop::collection::vec(
            (1e-4..0.3_f64, prop::array::uniform3(-1.0..1.0_f64), -12..5_i32), 1..150),
        start in -1e9..1e9_f64,
        ahead in -1.0..10.0_f64,
    ) {
        let mut track = Track::new();
        let mut stamp = start;
        for (gap, value, exponent) in samples {
            stamp += gap;
            let value = Vector3::from(value) * 10_f64.powi(exponent);
            if let Ok(Some(motion)) = track.sample(value, stamp) {
                for now in [stamp, motion.until, stamp + 0.01] {
                    let place = motion.at(now, ahead);
                    prop_assert!(place.iter().all(|v| v.is_finite()));
                    prop_assert!((place - motion.newest).norm() <= 0.7 + 1e-9);
                }
            }
        }
    }
}
