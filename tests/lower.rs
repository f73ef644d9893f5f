//! Tendons let down where the beam alone carries the head, and taken up again.

mod common;

use common::{Loop, Neck, PAYLOADS};
use withy::carry::{Column, Load};
use withy::tick::{Mode, NotLetDown};

fn column(neck: &Neck) -> Column {
    let d = &neck.description;
    Column {
        length: d.length,
        stiffness: d.flexural_rigidity,
        mass: d.beam_mass,
        head: Load {
            mass: d.head_mass,
            height: d.head_height,
        },
        heaviest: Load {
            mass: 0.38,
            height: 0.06,
        },
    }
}

/// At its inclination limit of 40 deg.
const MOST: f64 = 0.698;

fn closed(neck: &Neck, payload: (f64, f64)) -> Loop {
    let (mass, height) = payload;
    let carry = column(neck).carries(Some(Load { mass, height }), 0.0, false, MOST);
    let law = neck
        .law(&neck.file.gain_sets[0].name)
        .with_carry(&neck.file.joint, carry);
    let mut closed = neck.close(law);
    closed.plant.set_payload(mass, height).unwrap();
    closed.run(3.0);
    closed.point(30.0, 47.0);
    closed.run(4.0);
    closed
}

#[test]
fn let_down_and_taken_up() {
    for neck in [Neck::position(), Neck::velocity()] {
        for payload in &PAYLOADS[..3] {
            let mut closed = closed(&neck, *payload);
            closed.input.slacken += 1;
            closed.run(6.0);
            assert_eq!(closed.out.mode, Mode::Down);
            let truth = closed.plant.truth();
            assert!(truth.tensions.iter().all(|t| *t == 0.0));
            assert!(truth.bend.norm().to_degrees() < 0.2);
            let target = closed.point(20.0, 200.0);
            closed.run(8.0);
            assert_eq!(closed.out.mode, Mode::Tracking);
            let off = closed.plant.truth().bend - target;
            assert!(off.norm().to_degrees() < 0.1);
        }
    }
}

#[test]
fn refused_and_held() {
    for neck in [Neck::position(), Neck::velocity()] {
        let mut closed = closed(&neck, PAYLOADS[3]);
        closed.input.slacken += 1;
        closed.run(3.0);
        assert_eq!(closed.out.not_let_down, Some(NotLetDown::NotCarried));
        assert_eq!(closed.out.mode, Mode::Tracking);
    }
}
