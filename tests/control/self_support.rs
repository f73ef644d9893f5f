//! Self-support, the load that the beam alone carries: against closed forms, SciPy and the
//! simulated joint.

use std::f64::consts::PI;

use nalgebra::{UnitQuaternion, Vector3};
use serde_json::Value;
use withy::control::self_support::{Cantilever, FACTOR, Load, SelfSupport};
use withy::sim::beam::{JointDescription, Options, Plant};

const GRAVITY: f64 = 9.80665;
/// The range of limits.inclination, rad.
const MOST: f64 = 2.1;

fn cantilever(numbers: &[f64]) -> (Cantilever, Load) {
    let cantilever = Cantilever {
        length: numbers[0],
        stiffness: numbers[1],
        mass: numbers[2],
        head: Load {
            mass: numbers[3],
            height: numbers[4],
        },
        heaviest: Load::default(),
    };
    let payload = Load {
        mass: numbers[5],
        height: numbers[6],
    };
    (cantilever, payload)
}

fn numbers(value: &Value) -> Vec<f64> {
    let list = value.as_array().unwrap();
    list.iter().map(|n| n.as_f64().unwrap()).collect()
}

fn reference() -> Value {
    serde_json::from_str(include_str!("../references/self_support.json")).unwrap()
}

#[test]
fn an_upright_beam_carries_what_euler_says() {
    // Euler 1744: pi^2 EI / (4 L^2).
    let (cantilever, payload) = cantilever(&[0.12, 0.05, 0.0, 0.4, 0.0, 0.0, 0.0]);
    let limit = PI * PI * 0.05 / (4.0 * 0.12 * 0.12);
    let factor = cantilever.greatest_factor(payload, 0.0, MOST);
    let off = factor * 0.4 * GRAVITY / limit - 1.0;
    println!("Euler: {off:.1e}");
    assert!(off.abs() < 1e-5, "{off}");
}

#[test]
fn a_rigid_head_takes_from_it() {
    // k h tan(k L) = 1, solved here by bisection on k.
    for height in [0.002, 0.03, 0.1, 0.5, 1.0] {
        let (cantilever, payload) = cantilever(&[0.12, 0.05, 0.0, 0.1, 0.0, 0.3, height]);
        let centre = 0.3 * height / 0.4;
        let (mut low, mut high) = (0.0, 0.5 * PI / 0.12);
        for _ in 0..100 {
            let k = 0.5 * (low + high);
            *(if k * centre * (k * 0.12).tan() < 1.0 {
                &mut low
            } else {
                &mut high
            }) = k;
        }
        let limit = low * low * 0.05;
        let off = cantilever.greatest_factor(payload, 0.0, MOST) * 0.4 * GRAVITY / limit - 1.0;
        println!("head {height} m up: {off:.1e}");
        assert!(off.abs() < 1e-5, "{height}: {off}");
    }
}

#[test]
fn a_beam_carries_itself_up_to_greenhills_height() {
    let reference = reference()["own_weight"].as_f64().unwrap();
    let (cantilever, payload) = cantilever(&[0.3, 0.01, 0.5, 1e-12, 0.0, 0.0, 0.0]);
    let weight = 0.5 * GRAVITY * 0.3 * 0.3 / 0.01;
    let off = cantilever.greatest_factor(payload, 0.0, MOST) * weight / reference - 1.0;
    println!("own weight: {off:.1e}");
    assert!(off.abs() < 1e-5, "{off}");
}

#[test]
fn limits_are_those_of_beam_elements() {
    for case in reference()["limits"].as_array().unwrap() {
        let (cantilever, payload) = cantilever(&numbers(&case["beam"]));
        let limit = case["factor"].as_f64().unwrap();
        let off = cantilever.greatest_factor(payload, 0.0, MOST) / limit - 1.0;
        println!("{limit:.4}: {off:.1e}");
        assert!(off.abs() < 1e-5, "{case}: {off}");
        assert_eq!(
            cantilever.inclination(payload, 0.999 * limit, 0.0, MOST),
            Some(0.0)
        );
        assert_eq!(
            cantilever.inclination(payload, 1.001 * limit, 0.0, MOST),
            None
        );
    }
}

#[test]
fn on_a_tilted_base_it_leans_as_the_elastica() {
    let (mut worst, mut greatest) = (0.0_f64, 0.0_f64);
    for case in reference()["leans"].as_array().unwrap() {
        let (cantilever, payload) = cantilever(&numbers(&case["beam"]));
        let (factor, tilt) = (case["factor"].as_f64(), case["tilt"].as_f64());
        let (factor, tilt) = (factor.unwrap(), tilt.unwrap());
        let lean = case["inclination"].as_f64().unwrap();
        let ours = cantilever.inclination(payload, factor, tilt, MOST).unwrap();
        worst = worst.max((ours - lean).abs());
        greatest = greatest.max(lean);
        // And not where the limit is just below.
        assert_eq!(
            cantilever.inclination(payload, factor, tilt, 0.99 * lean),
            None
        );
    }
    println!(
        "leans up to {:.1} deg: off by {worst:.1e} rad",
        greatest.to_degrees()
    );
    assert!(worst < 1e-5, "{worst} rad");
}

/// Returns the bend of a bare beam of the glasshouse guide, without tendons, `seconds` after a
/// small push, rad.
fn alone(payload: Load, tilt: f64, seconds: f64) -> f64 {
    let description = JointDescription {
        tendons: Vec::new(),
        gravity: GRAVITY,
        base_orientation: UnitQuaternion::from_axis_angle(&Vector3::y_axis(), tilt),
        ..JointDescription::glasshouse()
    };
    let mut plant = Plant::new(&description, &Options::default(), 1).unwrap();
    plant.set_payload(payload.mass, payload.height).unwrap();
    plant.push(Vector3::new(0.1, 0.2, 0.0), 0.2).unwrap();
    plant.advance(seconds);
    plant.truth().bend.norm()
}

fn glasshouse() -> Cantilever {
    let d = JointDescription::glasshouse();
    cantilever(&[
        d.length,
        d.flexural_rigidity,
        d.beam_mass,
        d.head_mass,
        d.head_height,
        0.0,
        0.0,
    ])
    .0
}

/// Returns the payload at the given height at the limit of the upright beam of the glasshouse
/// guide, kg.
fn limit(height: f64) -> f64 {
    let cantilever = glasshouse();
    let (mut low, mut high) = (0.0, 5.0);
    for _ in 0..50 {
        let mass = 0.5 * (low + high);
        let carried = cantilever
            .inclination(Load { mass, height }, 1.0, 0.0, MOST)
            .is_some();
        *(if carried { &mut low } else { &mut high }) = mass;
    }
    low
}

#[test]
fn the_simulated_joint_stands_and_falls_there() {
    for height in [0.0, 0.035, 0.06, 0.15] {
        let mass = limit(height);
        let load = |share: f64| Load {
            mass: share * mass,
            height,
        };
        let (below, above) = (alone(load(0.97), 0.0, 90.0), alone(load(1.03), 0.0, 90.0));
        println!(
            "{:.0} g, {:.0} mm up: 3 % below {:.2} deg, 3 % above {:.1} deg",
            mass * 1e3,
            height * 1e3,
            below.to_degrees(),
            above.to_degrees()
        );
        assert!(below.to_degrees() < 0.5 && above.to_degrees() > 15.0);
    }
}

#[test]
fn the_simulated_joint_leans_as_far() {
    for tilt_deg in [5.0_f64, 20.0, 45.0, 90.0, 150.0] {
        for (mass, height) in [(0.0, 0.035), (0.09, 0.035), (0.21, 0.05)] {
            let payload = Load { mass, height };
            let tilt = tilt_deg.to_radians();
            let ours = glasshouse().inclination(payload, 1.0, tilt, MOST).unwrap();
            let theirs = alone(payload, tilt, 20.0);
            println!(
                "{tilt_deg} deg, {:.0} g: {:.3} deg, simulated {:.3} deg",
                mass * 1e3,
                ours.to_degrees(),
                theirs.to_degrees()
            );
            assert!((ours - theirs).abs().to_degrees() < 0.1 + 0.005 * ours.to_degrees());
        }
    }
}

#[test]
fn what_is_not_told_is_taken_as_the_heaviest() {
    let beam = Cantilever {
        heaviest: Load {
            mass: 0.38,
            height: 0.06,
        },
        ..glasshouse()
    };
    let light = Load {
        mass: 0.21,
        height: 0.05,
    };
    let most = 40_f64.to_radians();
    let told = beam.carries(Some(light), 0.0, false, most);
    let not_told = beam.carries(None, 0.0, false, most);
    println!("{told}\n{not_told}");
    assert!(told.carries() && !not_told.carries());
    let SelfSupport::DoesNot {
        payload, factor, ..
    } = not_told
    else {
        panic!("{not_told:?}");
    };
    assert_eq!(payload, beam.heaviest);
    assert!(factor < FACTOR);
    assert!(!SelfSupport::NotKnown.carries() && !SelfSupport::default().carries());
}

#[test]
fn a_base_that_moves_has_a_range_of_tilts() {
    let beam = glasshouse();
    let most = 40_f64.to_radians();
    for (mass, height) in [(0.0, 0.035), (0.09, 0.035), (0.21, 0.05)] {
        let payload = Load { mass, height };
        let self_support = beam.carries(Some(payload), 0.0, true, most);
        let SelfSupport::Carries {
            tilts: (least, reached),
            inclination,
            ..
        } = self_support
        else {
            panic!("{self_support:?}");
        };
        println!(
            "{:.0} g: up to {:.1} deg, leaning {:.1} deg",
            mass * 1e3,
            reached.to_degrees(),
            inclination.to_degrees()
        );
        assert_eq!(least, 0.0);
        assert!(beam.inclination(payload, FACTOR, reached, most).is_some());
        let beyond = reached + 1f64.to_radians();
        assert!(
            reached.to_degrees() > 19.0
                || beam.inclination(payload, FACTOR, beyond, most).is_none()
        );
        assert!(inclination <= most);
    }
}

#[test]
fn loads_far_beyond_the_limit_are_not_carried() {
    for case in reference()["limits"].as_array().unwrap() {
        let (cantilever, payload) = cantilever(&numbers(&case["beam"]));
        let limit = case["factor"].as_f64().unwrap();
        for times in [1.01, 1.5, 3.0, 7.0, 20.0, 60.0, 300.0, 1e4, 1e8, 1e300] {
            for tilt in [0.0, 1e-12, 0.01, 0.3, 1.5] {
                let stands = cantilever.inclination(payload, times * limit, tilt, MOST);
                assert_eq!(stands, None, "{times} times the limit, {tilt} rad");
            }
        }
    }
}

#[test]
fn more_load_is_never_carried_better() {
    let mut random = 1_u64;
    let mut number = |low: f64, high: f64| {
        // Knuth's linear congruence, MMIX; logarithmic over the range.
        random = random
            .wrapping_mul(6364136223846793005)
            .wrapping_add(1442695040888963407);
        let share = (random >> 11) as f64 / (1_u64 << 53) as f64;
        low * (high / low).powf(share)
    };
    let (mut carried, mut refused) = (0, 0);
    for _ in 0..3000 {
        // The ranges of a joint file.
        let (cantilever, payload) = cantilever(&[
            number(1e-3, 10.0),
            number(1e-4, 1e6),
            number(1e-3, 10.0),
            number(1e-3, 10.0),
            number(1e-3, 1.0),
            number(1e-3, 10.0),
            number(1e-3, 1.0),
        ]);
        let tilt = number(1e-3, PI);
        let more = number(1.0001, 30.0);
        let [less, more] = [1.0, more].map(|f| cantilever.inclination(payload, f, tilt, MOST));
        match (less, more) {
            // A greater load factor brings a hanging beam nearer to straight down.
            (Some(less), Some(more)) => assert!(more >= less - 1e-6, "{cantilever:?} {tilt}"),
            (None, Some(_)) => panic!("{cantilever:?} {payload:?} {tilt}"),
            _ => {}
        }
        carried += usize::from(less.is_some());
        refused += usize::from(less.is_none());
    }
    println!("{carried} carried, {refused} not");
    assert!(carried > 300 && refused > 300);
}
