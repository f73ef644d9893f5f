//! Moving targets in closed loop on virtual time: streams of samples, as a behaviour sends them,
//! against the simulated joint. Errors are true ones, to the target's place at that instant.

use crate::common::{HEAVIEST, Loop, Neck, pose};
use nalgebra::Vector3;
use std::f64::consts::TAU;
use withy::control::aim::Target;
use withy::control::geometry::{Bend, Configuration, bend_from, configuration};
use withy::control::tick::Desired;
use withy::control::track::Track;

/// From a sample's stamp to its arrival, s.
const AGE: f64 = 0.02;

/// Amplitude of the target's motion, rad.
const AMPLITUDE: f64 = 0.3;

/// Bound on the followed amplitude as a share of the target's: half a per cent above.
const NO_MORE: f64 = 1.005;

/// Greatest lag or lead of a target whose motion is tracked, s.
const ON_TIME: f64 = 0.04;

/// Rates of streams, Hz.
const RATES: [f64; 3] = [10.0, 30.0, 100.0];

/// A stream of samples of one command.
struct Stream<'a> {
    /// The target's place at a time, s.
    place: &'a dyn Fn(f64) -> Configuration,
    rate: f64,
    /// True if the target's motion is known.
    tracked: bool,
    /// Standard deviation of noise in bend, rad per axis.
    noise: f64,
    begin: f64,
    track: Track,
    next: u64,
    seed: u64,
}

impl<'a> Stream<'a> {
    fn new(place: &'a dyn Fn(f64) -> Configuration, rate: f64, begin: f64) -> Self {
        Self {
            place,
            rate,
            tracked: true,
            noise: 0.0,
            begin,
            track: Track::new(),
            next: 0,
            seed: 1,
        }
    }

    /// Returns a nearly normal number of standard deviation 1: the sum of twelve uniform numbers.
    fn random(&mut self) -> f64 {
        let mut sum = -6.0;
        for _ in 0..12 {
            // Knuth's linear congruential generator (The Art of Computer Programming 2, 3.3.4; from
            // memory).
            self.seed = self.seed.wrapping_mul(6364136223846793005);
            self.seed = self.seed.wrapping_add(1442695040888963407);
            sum += (self.seed >> 11) as f64 / (1_u64 << 53) as f64;
        }
        sum
    }

    /// Delivers the samples that have arrived by now.
    fn feed(&mut self, closed: &mut Loop) {
        loop {
            let stamp = self.begin + self.next as f64 / self.rate;
            if stamp + AGE > closed.now() + 1e-9 {
                return;
            }
            let noise = Vector3::new(self.random(), self.random(), 0.0) * self.noise;
            let configuration = (self.place)(stamp) + noise;
            let motion = self
                .track
                .sample(configuration, stamp)
                .expect("a good sample");
            let sequence = closed.input.desired.map_or(0, |d| d.sequence) + 1;
            closed.input.desired = Some(Desired {
                configuration,
                motion: motion.filter(|_| self.tracked),
                continues: self.next > 0,
                command: 1000,
                sequence,
                ..Desired::default()
            });
            self.next += 1;
        }
    }

    fn run(&mut self, closed: &mut Loop, seconds: f64) {
        for _ in 0..(seconds / closed.joint.period).round() as usize {
            self.feed(closed);
            closed.step();
        }
    }
}

/// Figures of a followed target.
#[derive(Debug)]
struct Followed {
    /// Root mean square and peak of the error, deg.
    rms: f64,
    peak: f64,
    /// Amplitude of the first harmonic as a share of the target's, and its lag, s.
    gain: f64,
    lag: f64,
    /// Greatest distance from the target's centre, as a share of the target's greatest.
    reach: f64,
}

/// Time, s, a true configuration, the target's, and the angle of the error, rad.
type Sample = (f64, Configuration, Configuration, f64);

/// Scores whole periods of an oscillation at `hz`. The harmonics of all axes together: sum of `Y
/// conj(X)` over sum of `|X|^2`.
fn score(samples: &[Sample], hz: f64) -> Followed {
    let count = samples.len() as f64;
    let w = TAU * hz;
    let centre = samples.iter().map(|s| s.2).sum::<Configuration>() / count;
    let mean = samples.iter().map(|s| s.1).sum::<Configuration>() / count;
    let (mut y, mut x) = ([Configuration::zeros(); 2], [Configuration::zeros(); 2]);
    let (mut square, mut peak) = (0.0, 0.0_f64);
    let (mut real, mut asked) = (0.0_f64, 0.0_f64);
    for (time, followed, target, error) in samples {
        for (k, wave) in [(w * time).cos(), (w * time).sin()].into_iter().enumerate() {
            y[k] += (followed - mean) * wave;
            x[k] += (target - centre) * wave;
        }
        square += error * error;
        peak = peak.max(*error);
        real = real.max((followed - centre).norm());
        asked = asked.max((target - centre).norm());
    }
    let size = x[0].norm_squared() + x[1].norm_squared();
    let along = (y[0].dot(&x[0]) + y[1].dot(&x[1])) / size;
    let behind = (y[1].dot(&x[0]) - y[0].dot(&x[1])) / size;
    Followed {
        rms: (square / count).sqrt().to_degrees(),
        peak: peak.to_degrees(),
        gain: along.hypot(behind),
        lag: behind.atan2(along) / w,
        reach: real / asked,
    }
}

/// A target's course, at a frequency in Hz.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Course {
    /// A point on a circle 1 m in front of a camera on a pan: bend and pan. The error is the axis'
    /// angle to the point.
    Point,
    /// A pose on a circle of bends, without pan.
    Circle,
    /// A pose to and fro on a line beside the straight one.
    ToAndFro,
}

fn follow(course: Course, payload: usize, hz: f64, rate: f64, tracked: bool) -> Followed {
    let neck = match course {
        Course::Point => Neck::pan(),
        _ => Neck::position(),
    };
    let aim = neck.file.aim();
    let point = |t: f64| {
        let (sin, cos) = (TAU * hz * t).sin_cos();
        Vector3::new(1.0, AMPLITUDE * cos, 0.15 + AMPLITUDE * sin)
    };
    let place = |t: f64| match course {
        Course::Point => {
            let aimed = aim.solve(&Target::Point(point(t)), Configuration::zeros());
            aimed.expect("a camera").configuration
        }
        Course::Circle => configuration(bend_from(AMPLITUDE, TAU * hz * t), 0.0),
        Course::ToAndFro => configuration(Bend::new(AMPLITUDE * (TAU * hz * t).sin(), 0.05), 0.0),
    };
    let mut closed = neck.ready("any-payload", payload);
    closed.command_posture(place(closed.now()));
    closed.run(2.0);
    let mut stream = Stream::new(&place, rate, closed.now());
    stream.tracked = tracked;
    stream.run(&mut closed, f64::max(2.0, 1.0 / hz));
    let periods = if hz < 0.2 { 2.0 } else { 4.0 };
    let ticks = (periods / (hz * closed.joint.period)).round() as usize;
    let samples: Vec<Sample> = (0..ticks)
        .map(|_| {
            stream.feed(&mut closed);
            closed.step();
            let truth = closed.plant.truth();
            let real = configuration(truth.bend, truth.pan);
            let target = place(truth.time);
            let error = match course {
                Course::Point => {
                    let camera = neck.file.gazer.as_ref().expect("a camera").camera();
                    let seat = truth.position + truth.orientation * camera.position;
                    let sight = point(truth.time) - seat;
                    (truth.orientation * camera.axis).angle(&sight)
                }
                _ => (real - target).norm(),
            };
            (truth.time, real, target, error)
        })
        .collect();
    score(&samples, hz)
}

fn show(what: &str, f: &Followed) {
    println!(
        "{what}: error rms {:.2} peak {:.2} deg, amplitude {:.3}, lag {:.0} ms, reach {:.3}",
        f.rms,
        f.peak,
        f.gain,
        1e3 * f.lag,
        f.reach
    );
}

/// Follows at every rate; `bars` are bounds on the error's rms, deg, by frequency. The error at 1
/// Hz is amplitude lost to the smoothing of the reference; less smoothing would overshoot.
fn follows(course: Course, bars: [(f64, f64); 3]) {
    for payload in [0, HEAVIEST] {
        for (hz, bar) in bars {
            let what = format!("{course:?} at {hz} Hz, payload {payload}");
            let without = follow(course, payload, hz, 30.0, false);
            show(&format!("{what}, samples alone"), &without);
            for rate in RATES {
                let followed = follow(course, payload, hz, rate, true);
                show(&format!("{what}, {rate} samples/s"), &followed);
                assert!(followed.rms < bar, "{what}: {followed:?}");
                assert!(followed.rms < 0.3 * without.rms, "{what}: {followed:?}");
                assert!(followed.reach < NO_MORE, "{what}: {followed:?}");
                assert!(followed.gain < NO_MORE, "{what}: {followed:?}");
                assert!(followed.lag.abs() < ON_TIME, "{what}: {followed:?}");
            }
        }
    }
}

#[test]
fn a_point_that_circles() {
    follows(Course::Point, [(0.1, 0.25), (0.3, 0.9), (1.0, 6.5)]);
}

#[test]
fn a_pose_that_circles() {
    follows(Course::Circle, [(0.1, 0.25), (0.3, 0.9), (1.0, 6.5)]);
}

#[test]
fn a_pose_to_and_fro() {
    follows(Course::ToAndFro, [(0.1, 0.25), (0.3, 0.8), (1.0, 6.5)]);
}

/// A stream that stops in mid-motion, at 17 deg/s: the last sample is held. Until the gap is
/// noticed, 2.5 periods later, the target is assumed to go on, and the reference is ahead of it by
/// the joint's lag.
#[test]
fn a_stream_that_stops_holds() {
    for payload in [0, HEAVIEST] {
        for rate in RATES {
            let neck = Neck::position();
            let place = |t: f64| configuration(Bend::new(0.3 * (t - 6.0), 0.1), 0.0);
            let mut closed = neck.ready("any-payload", payload);
            closed.command_posture(place(5.0));
            closed.run(2.0);
            let begin = closed.now();
            let mut stream = Stream::new(&place, rate, begin);
            stream.run(&mut closed, 1.5);
            let last = closed.input.desired.expect("samples").configuration;
            let record = closed.run(3.0).to_vec();
            let beyond = record.iter().map(|r| r.bend.x - last.x).fold(0.0, f64::max);
            let end = (record[record.len() - 1].bend - last.xy()).norm();
            println!(
                "payload {payload}, {rate} samples/s: beyond the last sample by {:.2} deg, at the \
                 end off by {:.2}",
                beyond.to_degrees(),
                end.to_degrees()
            );
            assert!(closed.out.settled && (closed.out.target - last.xy()).norm() < 1e-12);
            assert!(end.to_degrees() < 0.3 && beyond.to_degrees() < 7.0);
        }
    }
}

/// A target at rest, with 0.2 deg of noise per axis in each sample; then it moves away by 2 deg.
#[test]
fn a_noisy_target_at_rest_is_settled() {
    for payload in [0, HEAVIEST] {
        for rate in RATES {
            let neck = Neck::position();
            let place = |t: f64| configuration(pose(if t < 25.0 { 15.0 } else { 17.0 }, 40.0), 0.0);
            let mut closed = neck.ready("any-payload", payload);
            let mut stream = Stream::new(&place, rate, closed.now());
            stream.noise = 0.2_f64.to_radians();
            let from = closed.record.len();
            stream.run(&mut closed, 2.0);
            let unsettled = closed.record[from..].iter().rposition(|r| !r.out.settled);
            let rest = closed.record.len();
            stream.run(&mut closed, 20.0);
            let record = &closed.record[rest..];
            let settled = record.iter().filter(|r| r.out.settled).count() as f64;
            let off = record.iter().map(|r| (r.bend - place(0.0).xy()).norm());
            let worst = off.fold(0.0, f64::max).to_degrees();
            println!(
                "payload {payload}, {rate} samples/s: settled after {:.2} s, later for {:.1} % of the time; \
                 off by at most {worst:.2} deg",
                unsettled.unwrap_or(0) as f64 * closed.joint.period,
                100.0 * settled / record.len() as f64
            );
            assert!(worst < 0.5, "{worst}");
            assert_eq!(settled as usize, record.len());
            let moved = closed.record.len();
            stream.run(&mut closed, 2.5);
            let lost = closed.record[moved..].iter().position(|r| !r.out.settled);
            let lost = lost.expect("it notices") as f64 * closed.joint.period;
            println!("elsewhere: noticed after {lost:.2} s");
            assert!(lost < 0.25 && closed.out.settled, "{lost}");
        }
    }
}

/// A request to hold ends the command: its later samples move nothing, another command does.
#[test]
fn hold_in_the_middle_of_a_stream() {
    for tracked in [true, false] {
        let neck = Neck::pan();
        let place = |t: f64| configuration(bend_from(0.25, 1.5 * t), 0.4 * (1.5 * t).sin());
        let mut closed = neck.ready("any-payload", 0);
        let mut stream = Stream::new(&place, 30.0, closed.now());
        stream.tracked = tracked;
        stream.run(&mut closed, 3.0);
        assert_eq!(closed.out.answered.ended, None);
        closed.input.hold += 1;
        stream.run(&mut closed, 1.5);
        assert_eq!(closed.out.answered.ended, Some(1000));
        let (bend, pan) = (closed.plant.truth().bend, closed.plant.truth().pan);
        let (reference, reference_pan) = (closed.out.reference, closed.out.reference_pan);
        let mut moved = 0.0_f64;
        for _ in 0..600 {
            stream.feed(&mut closed);
            closed.step();
            assert_eq!(closed.out.reference, reference);
            assert_eq!(closed.out.reference_pan, reference_pan);
            let truth = closed.plant.truth();
            moved = moved.max((truth.bend - bend).norm().max((truth.pan - pan).abs()));
        }
        println!("held: moved by {:.3} deg at most", moved.to_degrees());
        assert!(moved.to_degrees() < 0.3 && closed.out.settled);
        // Command numbers rise.
        let target = pose(10.0, 200.0);
        let sequence = stream.next + 1;
        closed.input.desired = Some(Desired {
            configuration: configuration(target, -0.5),
            command: 1001,
            sequence,
            ..Desired::default()
        });
        closed.run(3.0);
        let truth = closed.plant.truth();
        assert!((truth.bend - target).norm() < 0.01 && (truth.pan + 0.5).abs() < 0.01);
    }
}
