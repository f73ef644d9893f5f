//! The simulated joint on a moving base and on a pan motor, against closed forms.

use crate::beam_support::{asked_angles, hold, toward};
use nalgebra::{UnitQuaternion, Vector2, Vector3};
use std::f64::consts::{FRAC_PI_2, PI, TAU};
use withy::sim::beam::{
    BaseMotion, BaseOscillation, DriveKind, JointDescription, Options, Plant, STEP, SensorOptions,
    SimulatedBaseImu, SimulatedPan,
};

/// Returns a pan motor that follows almost at once.
fn quick_pan() -> SimulatedPan {
    SimulatedPan {
        speed_limit: 100.0,
        acceleration_limit: 1000.0,
        ..SimulatedPan::glasshouse()
    }
}

/// Returns a beam without mass and drag, in weightlessness, with a point of 0.3 kg at its tip; no
/// tendons.
fn point_on_a_spring() -> JointDescription {
    JointDescription {
        tendons: Vec::new(),
        gravity: 0.0,
        beam_mass: 0.0,
        air_drag: 0.0,
        head_mass: 0.3,
        head_height: 0.0,
        head_inertia: [0.0; 3],
        ..JointDescription::glasshouse()
    }
}

/// Returns the stiffness of a cantilever against a force at its tip, 3 E I / L^3 (any
/// strength-of-materials text), N/m.
fn tip_stiffness(joint: &JointDescription) -> f64 {
    3.0 * joint.flexural_rigidity / joint.length.powi(3)
}

fn plant(joint: &JointDescription) -> Plant {
    Plant::new(joint, &Options::default(), 1).unwrap()
}

fn swing(axis: Vector3<f64>, amplitude: f64, frequency: f64) -> BaseOscillation {
    BaseOscillation {
        axis,
        amplitude,
        frequency,
        pivot: Vector3::zeros(),
    }
}

/// Amplitude and phase of a signal at `frequency`, one value a millisecond (Fourier's integral over
/// whole periods).
#[derive(Default)]
struct Sine {
    sum: Vector2<f64>,
    count: f64,
}

impl Sine {
    fn add(&mut self, value: f64, phase: f64) {
        self.sum += Vector2::new(phase.sin(), phase.cos()) * value;
        self.count += 1.0;
    }

    /// Returns the sine and cosine components.
    fn parts(&self) -> Vector2<f64> {
        self.sum * (2.0 / self.count)
    }
}

/// Advances an oscillating plant from a whole number of periods over `periods` more. Returns the
/// bend's components toward `direction`: in phase with the base, and a quarter period ahead of it.
fn response(
    plant: &mut Plant,
    frequency: f64,
    periods: f64,
    look: impl Fn(&Plant) -> f64,
) -> Vector2<f64> {
    let mut sine = Sine::default();
    for _ in 0..(periods / frequency / STEP).round() as usize {
        plant.advance(STEP);
        sine.add(look(plant), TAU * frequency * plant.time());
    }
    sine.parts()
}

/// Both IMUs of a stiff, short joint with a payload, oscillating about an oblique axis while it
/// pans. Orientations are base x pan x head x mounting within the noise. Without noise each IMU's
/// angular velocity is the rate of its own orientation (differences).
#[test]
fn inertial_units_on_a_swinging_base() {
    let mountings = [(0.4, 0.3, -1.0), (-0.2, 1.0, 2.0)]
        .map(|(r, p, y)| UnitQuaternion::from_euler_angles(r, p, y));
    let quiet = |quiet: bool| {
        let share = if quiet { 0.0 } else { 1.0 };
        let usual = SensorOptions::default();
        let sensors = SensorOptions {
            imu_rate: 1000.0,
            imu_age: 0.0,
            orientation_noise: usual.orientation_noise * share,
            gyro_noise: usual.gyro_noise * share,
            yaw_drift: 0.0,
            ..usual
        };
        let joint = JointDescription {
            length: 0.05,
            flexural_rigidity: 50.0,
            base_orientation: UnitQuaternion::from_euler_angles(0.2, -0.1, 0.7),
            pan: Some(quick_pan()),
            imu_mounting: mountings[0],
            base_imu: Some(SimulatedBaseImu {
                mounting: mountings[1],
                rate: 1000.0,
                age: 0.0,
                orientation_noise: sensors.orientation_noise,
                gyro_noise: sensors.gyro_noise,
            }),
            tendons: Vec::new(),
            ..JointDescription::glasshouse()
        };
        let options = Options {
            sensors,
            ..Options::default()
        };
        let mut plant = Plant::new(&joint, &options, 4).unwrap();
        plant.set_payload(0.2, 0.05).unwrap();
        // Discards the readings of time 0.
        while plant.take_imu_reading().is_some() {}
        while plant.take_base_imu_reading().is_some() {}
        plant
            .set_base(BaseMotion::BaseOscillation(BaseOscillation {
                pivot: Vector3::new(0.1, -0.2, -0.5),
                ..swing(Vector3::new(1.0, 2.0, 0.5), 20f64.to_radians(), 1.0)
            }))
            .unwrap();
        let mut records = [Vec::new(), Vec::new()];
        for ms in 0..4000 {
            let pan = 1.0 - (TAU * 0.3 * f64::from(ms) * 0.001).cos();
            plant.command(DriveKind::Position, &[pan]).unwrap();
            plant.advance(STEP);
            let truth = plant.truth().clone();
            let place = truth.base_orientation * truth.orientation;
            // The joint is stiff, so the pan turns the head and little else does.
            let stiff = truth.base_orientation
                * UnitQuaternion::from_axis_angle(&Vector3::z_axis(), truth.pan);
            assert!(place.angle_to(&stiff) < 1e-3, "{}", place.angle_to(&stiff));
            let head = plant.take_imu_reading().unwrap();
            let base = plant.take_base_imu_reading().unwrap();
            records[0].push((place * mountings[0], head));
            records[1].push((truth.base_orientation * mountings[1], base));
        }
        records
    };
    for (name, record) in ["head", "base"].iter().zip(quiet(true)) {
        // Headings start anywhere, and do not drift here.
        let turn = record[0].1.orientation * record[0].0.inverse();
        let (mut fastest, mut worst) = (0.0f64, 0.0f64);
        for (place, reading) in &record {
            assert!((turn * place).angle_to(&reading.orientation) < 1e-9);
            assert!((turn * Vector3::z() - Vector3::z()).norm() < 1e-9);
        }
        for three in record.windows(3) {
            let (before, after) = (three[0].1, three[2].1);
            let rate =
                (before.orientation.inverse() * after.orientation).scaled_axis() / (2.0 * STEP);
            let omega = three[1].1.angular_velocity;
            fastest = fastest.max(omega.norm());
            worst = worst.max((rate - omega).norm());
        }
        println!(
            "{name}: up to {fastest:.2} rad/s, off the rate of orientation by {worst:.5} rad/s at most"
        );
        assert!(fastest > 2.0 && worst < 0.01, "{fastest} {worst}");
    }
    for ((name, noisy), clean) in ["head", "base"].iter().zip(quiet(false)).zip(quiet(true)) {
        let turn = clean[0].1.orientation * clean[0].0.inverse();
        let (mut tilt, mut rate) = (0.0, 0.0);
        for ((place, reading), (_, silent)) in noisy.iter().zip(&clean) {
            let error = ((turn * place).inverse() * reading.orientation).scaled_axis();
            tilt += error.norm_squared() / 3.0;
            rate += (reading.angular_velocity - silent.angular_velocity).norm_squared() / 3.0;
        }
        let count = noisy.len() as f64;
        let (tilt, rate) = ((tilt / count).sqrt().to_degrees(), (rate / count).sqrt());
        println!("{name}: noise {tilt:.4} deg and {rate:.5} rad/s rms");
        assert!((tilt / 0.06 - 1.0).abs() < 0.05, "{tilt}");
        assert!((rate / 0.01 - 1.0).abs() < 0.05, "{rate}");
    }
}

/// Centrifugal deflection. Tendons of low stiffness kt hold a beam bent in the panned frame; it
/// then turns at a steady W. Small deflection x and slope s of a cantilever of length L under a
/// force F and a moment Q at its tip (any strength-of-materials text): x = F L^3/(3EI) + Q
/// L^2/(2EI), s = F L^2/(2EI) + Q L/(EI). The tendons' moment is Q0 - K s, K = kt sum (r cos)^2, Q0
/// from their reeling in; F = m W^2 x.
#[test]
fn centrifugal_deflection_of_a_bent_head() {
    let mut joint = point_on_a_spring();
    joint.pan = Some(quick_pan());
    joint.tendons = JointDescription::glasshouse().tendons;
    joint.pretension = 2.0;
    let (r, kt) = (joint.tendons[0].base_radius, 20.0);
    for (tendon, angle) in joint.tendons.iter_mut().zip([0.0, 0.5, 1.0, 1.5]) {
        tendon.base_angle = angle * PI;
        tendon.head_angle = angle * PI;
        tendon.stiffness = kt;
        tendon.guide_radii = vec![r; 11];
    }
    let (l, ei, m) = (joint.length, joint.flexural_rigidity, joint.head_mass);
    // The tendons toward +x reel in the length that those toward -x let out.
    let reel = 1.2 * joint.tendons[0].drum_radius;
    let angles = [1.2, 0.0, -1.2, 0.0, 0.0];
    let (k, q0) = (2.0 * kt * r * r, 2.0 * kt * r * reel);
    let expected = |w: f64| {
        // x = a F + b Q, s = b F + c Q, with Q = q0 - k s and F = m w^2 x.
        let (a, b, c) = (l.powi(3) / (3.0 * ei), l * l / (2.0 * ei), l / ei);
        let f = m * w * w;
        // From s: s (1 + c k) = b f x + c q0; into x.
        let s_x = b * f / (1.0 + c * k);
        let s_0 = c * q0 / (1.0 + c * k);
        b * (q0 - k * s_0) / (1.0 - a * f + b * k * s_x)
    };
    let mut at_rest = 0.0;
    for w in [0.0, 4.0, 7.0, 10.0] {
        let mut plant = plant(&joint);
        for _ in 0..100 {
            plant.command(DriveKind::Position, &angles).unwrap();
            plant.advance(0.02);
        }
        for _ in 0..300 {
            plant
                .command(DriveKind::Velocity, &[0.0, 0.0, 0.0, 0.0, w])
                .unwrap();
            plant.advance(0.02);
        }
        let truth = plant.truth();
        assert!((truth.angular_velocity - Vector3::new(0.0, 0.0, w)).norm() < 1e-3);
        // Back into the panned frame.
        let out = UnitQuaternion::from_axis_angle(&Vector3::z_axis(), -truth.pan) * truth.position;
        let closed = expected(w);
        println!(
            "{w} rad/s: tip {:.4} mm aside, closed form {:.4} mm; across {:.1e} mm; tensions {:.2?}",
            out.x * 1e3,
            closed * 1e3,
            out.y * 1e3,
            truth.tensions
        );
        assert!((out.x / closed - 1.0).abs() < 0.02, "{} {closed}", out.x);
        assert!(out.y.abs() < 0.005 * out.x);
        if w == 0.0 {
            at_rest = out.x;
        } else if w == 10.0 {
            assert!(out.x > 1.3 * at_rest, "{} {at_rest}", out.x);
        }
    }
}

/// An overhung shaft that turns at W under a steady side load keeps its place. Its internal damping
/// rotates the deflection from the load by the angle atan(eta W) (Kimball 1925, "Internal friction
/// as a cause of shaft whirling": k x + c (x' - W x x) = F at x' = 0 with c = eta k, here at small
/// deflection). In the panned frame Coriolis and centrifugal force carry the head round.
#[test]
fn internal_damping_deflects_a_turning_shaft_sideways() {
    let mut joint = point_on_a_spring();
    joint.pan = Some(quick_pan());
    joint.retardation = 0.05;
    let k = tip_stiffness(&joint);
    for w in [2.0, 8.0] {
        let mut plant = plant(&joint);
        plant.push(Vector3::new(0.3, 0.0, 0.0), 100.0).unwrap();
        for _ in 0..400 {
            plant.command(DriveKind::Velocity, &[w]).unwrap();
            plant.advance(0.02);
        }
        let truth = plant.truth();
        let angle = truth.position.y.atan2(truth.position.x);
        let closed = (joint.retardation * w).atan();
        let far = truth.position.xy().norm() * k / 0.3 * 1f64.hypot(joint.retardation * w);
        println!(
            "{w} rad/s: {angle:.5} rad aside, closed form {closed:.5}; deflection {far:.4} of its"
        );
        assert!((angle / closed - 1.0).abs() < 0.02, "{angle} {closed}");
        assert!((far - 1.0).abs() < 0.01, "{far}");
    }
}

/// A base that oscillates slowly acts like a statically tilted one: no response in quadrature, the
/// static sag in phase. Bound: inertia deflects by (w/wn)^2 of the tilt's leverage, here below 0.3
/// % of the sag, and lag by 2 zeta w/wn.
#[test]
fn slow_swing_sags_as_a_tilted_base_does() {
    let mut joint = point_on_a_spring();
    joint.gravity = 9.81;
    joint.head_mass = 0.05;
    let (amplitude, frequency) = (10f64.to_radians(), 0.05);
    let tilted = |tilt: f64| {
        let mut joint = joint.clone();
        joint.base_orientation = UnitQuaternion::from_axis_angle(&Vector3::y_axis(), tilt);
        let mut plant = plant(&joint);
        plant.advance(3.0);
        plant.truth().bend
    };
    let mut plant = plant(&joint);
    plant
        .set_base(BaseMotion::BaseOscillation(swing(
            Vector3::y(),
            amplitude,
            frequency,
        )))
        .unwrap();
    plant.advance(1.0 / frequency);
    let greatest = tilted(amplitude).norm();
    let mut worst = 0.0f64;
    for _ in 0..8 {
        plant.advance(0.125 / frequency);
        let tilt = amplitude * (TAU * frequency * plant.time()).sin();
        worst = worst.max((plant.truth().bend - tilted(tilt)).norm());
    }
    println!(
        "sag of {greatest:.4} rad at the most, off the static one by {worst:.2e} rad at the most"
    );
    assert!(
        greatest > 0.01 && worst < 0.01 * greatest,
        "{worst} of {greatest}"
    );
}

/// Near resonance a tip mass on an oscillating base is the textbook oscillator under base
/// excitation: the motion relative to the base has the amplitude Y r^2 / sqrt((1 - r^2)^2 + (2 zeta
/// r)^2) and lags by atan2(2 zeta r, 1 - r^2) (Rao, "Mechanical Vibrations", harmonic motion of the
/// base). The base carries the tip through Y = L theta. With beam of mass m: wn^2 = k / (M + 33/140
/// m) (Rayleigh), and the beam's share of the drive is 11/40 m (the same shape (3 z^2 L - z^3)/(2
/// L^3) times z, integrated). zeta = eta wn / 2.
#[test]
fn resonance_on_a_swinging_base() {
    let theta = 0.5f64.to_radians();
    for beam_mass in [0.0, 0.06] {
        let mut joint = point_on_a_spring();
        joint.beam_mass = beam_mass;
        joint.head_mass = 0.1;
        let k = tip_stiffness(&joint);
        let mass = joint.head_mass + 33.0 / 140.0 * beam_mass;
        let wn = (k / mass).sqrt();
        joint.retardation = 2.0 * 0.1 / wn;
        for r in [0.6, 0.9, 1.0, 1.1, 1.6] {
            let frequency = r * wn / TAU;
            let mut plant = plant(&joint);
            plant
                .set_base(BaseMotion::BaseOscillation(swing(
                    Vector3::y(),
                    theta,
                    frequency,
                )))
                .unwrap();
            plant.run_until((20.0 / frequency / STEP).round() * STEP);
            let seen = response(&mut plant, frequency, 20.0, |p| p.truth().position.x);
            let drive = theta * joint.length * (joint.head_mass + 11.0 / 40.0 * beam_mass) / mass;
            let damping = 2.0 * 0.1 * r;
            let amplitude = drive * r * r / (1.0 - r * r).hypot(damping);
            let lag = damping.atan2(1.0 - r * r);
            let (ratio, behind) = (seen.norm() / amplitude, -seen.y.atan2(seen.x));
            println!(
                "beam {beam_mass} kg, r {r}: amplitude {ratio:.4} of the closed form, lag \
                 {behind:.4} rad, closed form {lag:.4}"
            );
            assert!((ratio - 1.0).abs() < 0.04, "{ratio}");
            assert!((behind - lag).abs() < 0.06, "{behind} {lag}");
        }
    }
}

/// Far above resonance the head keeps its place in the world while the base moves. A base that
/// oscillates about a far pivot carries its foot by Y = D theta (Rao, as above, r to infinity).
/// Drag acts on the velocity in the world: it does not hold the head in place on the base.
#[test]
fn far_pivot_shakes_the_foot() {
    let mut joint = point_on_a_spring();
    joint.head_mass = 2.0;
    let k = tip_stiffness(&joint);
    let wn = (k / joint.head_mass).sqrt();
    let (theta, distance, r) = (1e-4, 5.0, 1.7);
    joint.retardation = 2.0 * 0.05 / wn;
    for drag in [0.0, 4.0] {
        joint.air_drag = drag;
        let frequency = r * wn / TAU;
        let mut plant = plant(&joint);
        plant
            .set_base(BaseMotion::BaseOscillation(BaseOscillation {
                pivot: Vector3::new(0.0, 0.0, -distance),
                ..swing(Vector3::y(), theta, frequency)
            }))
            .unwrap();
        plant.run_until((20.0 / frequency / STEP).round() * STEP);
        let seen = response(&mut plant, frequency, 20.0, |p| p.truth().position.x);
        // m (x'' + y'') + c x' + d (x' + y') + k x = 0, y = (D + L) theta sin(w t): x / y = (m w^2
        // - i d w) / (k - m w^2 + i (c + d) w).
        let w = r * wn;
        let (m, c) = (joint.head_mass, joint.retardation * k);
        let (re, im) = (m * w * w, -drag * w);
        let (below_re, below_im) = (k - m * w * w, (c + drag) * w);
        let scale = theta * (distance + joint.length) / (below_re.powi(2) + below_im.powi(2));
        let closed =
            Vector2::new(re * below_re + im * below_im, im * below_re - re * below_im) * scale;
        let error = (seen - closed).norm() / closed.norm();
        println!(
            "drag {drag} N s/m: ({:.4e}, {:.4e}) m, closed form ({:.4e}, {:.4e}), {error:.4} off",
            seen.x, seen.y, closed.x, closed.y
        );
        assert!(error < 0.03, "{error}");
    }
}

/// A quarter turn of the pan on a level base leaves the bend and turns the head. On a tilted base
/// the sag keeps gravity's direction, and rotates the other way in the panned frame.
#[test]
fn quarter_turn_of_the_pan() {
    let joint = JointDescription::glasshouse_with_pan();
    let mut plant = plant(&joint);
    let mut angles = asked_angles(&joint, toward(30.0, 15.0));
    angles.push(0.0);
    hold(&mut plant, &angles, 3.0, |_| ());
    let before = plant.truth().clone();
    angles[4] = FRAC_PI_2;
    let mut shaken = 0.0f64;
    hold(&mut plant, &angles, 4.0, |p| {
        shaken = shaken.max((p.truth().bend - before.bend).norm())
    });
    let after = plant.truth().clone();
    let turn = UnitQuaternion::from_axis_angle(&Vector3::z_axis(), FRAC_PI_2);
    let moved = (after.bend - before.bend).norm();
    println!(
        "level: bend {:.4} rad, shaken by {:.4} rad under way, {moved:.1e} rad off after; pan {:.6} rad",
        before.bend.norm(),
        shaken,
        after.pan
    );
    assert!((after.pan - FRAC_PI_2).abs() < 1e-6);
    assert!(moved < 1e-5 && shaken > 1e-3, "{moved} {shaken}");
    assert!((after.position - turn * before.position).norm() < 1e-6);
    assert!(after.orientation.angle_to(&(turn * before.orientation)) < 1e-5);
    let reading = std::iter::from_fn(|| plant.take_motor_reading().cloned())
        .last()
        .unwrap();
    let count = TAU / 16384.0;
    assert!((reading.angles[4] - FRAC_PI_2).abs() <= 0.51 * count);

    let mut bare = point_on_a_spring();
    bare.gravity = 9.81;
    bare.head_mass = 0.1;
    bare.pan = Some(SimulatedPan::glasshouse());
    bare.base_orientation = UnitQuaternion::from_axis_angle(&Vector3::y_axis(), 0.5);
    let mut plant = self::plant(&bare);
    hold(&mut plant, &[0.0], 3.0, |_| ());
    let before = plant.truth().clone();
    assert!(
        before.bend.x > 0.02 && before.bend.y.abs() < 1e-9,
        "{}",
        before.bend
    );
    hold(&mut plant, &[FRAC_PI_2], 6.0, |_| ());
    let after = plant.truth().clone();
    println!(
        "tilted: sag {:.5?} rad, after the quarter turn {:.5?}",
        before.bend, after.bend
    );
    let expected = Vector2::new(0.0, -before.bend.x);
    assert!((after.bend - expected).norm() < 1e-5);
    assert!((after.position - before.position).norm() < 1e-6);
}

/// A push keeps its direction in the base frame while the pan turns.
#[test]
fn push_is_in_the_base_frame() {
    let mut joint = point_on_a_spring();
    joint.pan = Some(quick_pan());
    let mut plant = plant(&joint);
    hold(&mut plant, &[FRAC_PI_2], 2.0, |_| ());
    plant.push(Vector3::new(0.3, 0.0, 0.0), 100.0).unwrap();
    hold(&mut plant, &[FRAC_PI_2], 3.0, |_| ());
    let truth = plant.truth();
    let expected = 0.3 / tip_stiffness(&joint);
    assert!((truth.position.x / expected - 1.0).abs() < 0.01);
    assert!(truth.position.y.abs() < 1e-6);
    assert!(truth.bend.y < -0.01 && truth.bend.x.abs() < 1e-6);
}

/// The base turns smoothly and the shorter way, ends exactly at its command, and accepts a new
/// command meanwhile. A gyro on it measures the rate of its orientation throughout.
#[test]
fn base_turns_end_where_they_should() {
    let mut plant = plant(&JointDescription::glasshouse_with_pan());
    let goals = [(0.3, 0.1, 3.0), (0.0, 0.0, 1.0), (-0.2, 0.4, -3.0)]
        .map(|(r, p, y)| UnitQuaternion::from_euler_angles(r, p, y));
    for orientation in goals {
        let duration = 1.0;
        plant
            .set_base(BaseMotion::Turn {
                orientation,
                duration,
            })
            .unwrap();
    }
    // The third command replaced the second while the first was under way.
    let mut before = plant.truth().clone();
    let (mut worst, mut fastest) = (0.0f64, 0.0f64);
    for ms in 1..=2100 {
        plant.advance(STEP);
        let now = plant.truth().clone();
        let rate = (before.base_orientation.inverse() * now.base_orientation).scaled_axis() / STEP;
        let mean = (before.base_angular_velocity + now.base_angular_velocity) * 0.5;
        worst = worst.max((rate - mean).norm());
        fastest = fastest.max(rate.norm());
        if ms == 1000 {
            assert!(now.base_orientation.angle_to(&goals[0]) < 1e-9);
        }
        before = now;
    }
    println!("base turns at up to {fastest:.2} rad/s, rate off by {worst:.1e} rad/s");
    assert!(plant.truth().base_orientation.angle_to(&goals[2]) < 1e-12);
    assert_eq!(plant.truth().base_angular_velocity, Vector3::zeros());
    assert!(worst < 1e-3 && fastest < 6.0, "{worst} {fastest}");
    // From 3 to -3 rad of yaw the shorter way is 0.28 rad; the longer one would take 11 rad/s (peak
    // 15/8 of the mean).
}

/// The wildest accepted motions move the joint violently but leave every number finite.
#[test]
fn wild_bases_leave_numbers_finite() {
    let half = UnitQuaternion::from_axis_angle(&Vector3::x_axis(), PI);
    for (amplitude, frequency, pivot) in [
        (PI, 0.5, 0.7),
        (1.5, 1.05, 0.5),
        (0.3, 5.0, 0.2),
        (0.07, 20.0, 0.07),
        (0.0, 20.0, 10.0),
    ] {
        for payload in [0.0, 0.38] {
            let mut plant = plant(&JointDescription::glasshouse_with_pan());
            plant.set_payload(payload, 0.06).unwrap();
            plant
                .set_base(BaseMotion::BaseOscillation(BaseOscillation {
                    pivot: Vector3::new(0.0, 0.0, -pivot),
                    ..swing(Vector3::new(1.0, 1.0, 0.3), amplitude, frequency)
                }))
                .unwrap();
            let mut most = 0.0f64;
            for ms in 0..10_000 {
                if ms % 1000 == 0 {
                    let orientation = if ms % 2000 == 0 {
                        half
                    } else {
                        UnitQuaternion::identity()
                    };
                    let duration = 0.6;
                    plant
                        .set_base(BaseMotion::Turn {
                            orientation,
                            duration,
                        })
                        .unwrap();
                }
                let pan = 3.0 * (0.002 * f64::from(ms)).sin();
                plant
                    .command(DriveKind::Position, &[1.0, -1.0, 1.0, -1.0, pan])
                    .unwrap();
                plant.advance(STEP);
                let truth = plant.truth();
                let finite = truth.bend.norm() + truth.position.norm() + truth.orientation.norm();
                assert!(finite.is_finite());
                most = most.max(truth.bend.norm());
            }
            println!(
                "{amplitude} rad at {frequency} Hz, {payload} kg: bends by up to {most:.2} rad"
            );
        }
    }
}

/// Refused motions of a base: the message has the value and the reason, and nothing changes.
#[test]
fn refusals() {
    let mut plant = plant(&JointDescription::glasshouse_with_pan());
    let good = swing(Vector3::y(), 0.1, 1.0);
    let before = plant.truth().clone();
    for (motion, words) in [
        (
            BaseMotion::BaseOscillation(BaseOscillation {
                axis: Vector3::zeros(),
                ..good
            }),
            "axis is 0",
        ),
        (
            BaseMotion::BaseOscillation(BaseOscillation {
                amplitude: f64::NAN,
                ..good
            }),
            "amplitude (rad) is NaN",
        ),
        (
            BaseMotion::BaseOscillation(BaseOscillation {
                frequency: 0.0,
                ..good
            }),
            "frequency (Hz) is 0",
        ),
        (
            BaseMotion::BaseOscillation(BaseOscillation {
                pivot: Vector3::x() * 11.0,
                ..good
            }),
            "pivot (m) is 11",
        ),
        (
            BaseMotion::BaseOscillation(BaseOscillation {
                amplitude: 1.0,
                frequency: 2.0,
                ..good
            }),
            "rate of the base oscillation (rad/s) is 12.5",
        ),
        (
            BaseMotion::BaseOscillation(BaseOscillation {
                amplitude: 1.0,
                pivot: Vector3::x() * 10.0,
                ..good
            }),
            "acceleration of the beam's foot (m/s^2) is 789",
        ),
        (
            BaseMotion::Turn {
                orientation: UnitQuaternion::identity(),
                duration: 0.0,
            },
            "duration (s) is 0",
        ),
        (
            BaseMotion::Still(UnitQuaternion::new_unchecked(nalgebra::Quaternion::new(
                f64::NAN,
                0.0,
                0.0,
                0.0,
            ))),
            "quaternion is NaN",
        ),
    ] {
        let sentence = plant.set_base(motion).unwrap_err().to_string();
        println!("{sentence}");
        assert!(
            sentence.contains(words) && sentence.contains("accepted: "),
            "{sentence}"
        );
    }
    plant.advance(0.1);
    assert_eq!(plant.truth().base_orientation, before.base_orientation);
    for (pan, words) in [
        (
            SimulatedPan {
                gear_ratio: 0.0,
                ..quick_pan()
            },
            "pan gear ratio is 0",
        ),
        (
            SimulatedPan {
                speed_limit: f64::NAN,
                ..quick_pan()
            },
            "pan speed limit (rad/s) is NaN",
        ),
    ] {
        let joint = JointDescription {
            pan: Some(pan),
            ..JointDescription::glasshouse()
        };
        let sentence = Plant::new(&joint, &Options::default(), 1)
            .unwrap_err()
            .to_string();
        assert!(sentence.contains(words), "{sentence}");
    }
    assert_eq!(plant.motor_count(), 5);
    assert!(plant.command(DriveKind::Position, &[0.0; 4]).is_err());
}
