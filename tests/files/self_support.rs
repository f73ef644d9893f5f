//! The beam's stiffness and its carried mass in a joint file.

use crate::files_support::{Copy, JOINT, assert_told, config, text};
use withy::control::self_support::{Load, SelfSupport};
use withy::files::JointFile;
use withy::sim::beam::JointDescription;

#[test]
fn the_glasshouse_necks_are_as_drawn() {
    let drawn = JointDescription::glasshouse();
    let near = |a: f64, b: f64| (a - b).abs() < 1e-12;
    for name in [
        JOINT,
        "glasshouse-neck-velocity.yaml",
        "glasshouse-neck-imu-tick.yaml",
        "glasshouse-neck-pan.yaml",
    ] {
        let file = JointFile::load(config().join(name)).unwrap();
        let cantilever = file.cantilever.unwrap();
        assert!(near(cantilever.length, drawn.length));
        assert!(near(cantilever.stiffness, drawn.flexural_rigidity));
        assert!(near(cantilever.mass, drawn.beam_mass));
        assert!(near(cantilever.head.mass, drawn.head_mass));
        assert!(near(cantilever.head.height, drawn.head_height));
        assert!(near(cantilever.heaviest.mass, 0.38) && near(cantilever.heaviest.height, 0.06));
    }
}

#[test]
fn the_payload_told_decides_else_the_heaviest() {
    let file = JointFile::load(config().join(JOINT)).unwrap();
    let carries = |payload| file.self_support_of_file(payload).carries();
    let told = |mass, height| Some(Load { mass, height });
    assert!(carries(told(0.0, 0.035)) && carries(told(0.09, 0.035)) && carries(told(0.21, 0.05)));
    assert!(!carries(told(0.38, 0.06)) && !carries(None));
    // Only the mass of 250 g is known: at the height of the heaviest payload it is too much, on the
    // beam's end it would not be.
    assert!(!carries(told(0.25, 0.0)) && carries(told(0.25, 1e-3)));
    // On a leaning base, for example a captured one, the beam carries less.
    let gravity = nalgebra::Vector3::new(0.3, 0.0, -1.0).normalize();
    let leaning = |payload| file.self_support(payload, gravity, &file.limits).carries();
    assert!(leaning(told(0.09, 0.035)) && !leaning(told(0.21, 0.05)));
    assert!(!file.law(file.initial).unwrap().carries());
    let law = file.law(file.initial).unwrap();
    let law = law.with_self_support(&file.joint, file.self_support_of_file(told(0.09, 0.035)));
    assert!(law.carries() && law.self_support().carries());
    // A base that is measured may lean by up to 20 deg.
    let pan = JointFile::load(config().join("glasshouse-neck-pan.yaml")).unwrap();
    let SelfSupport::Carries { tilts, .. } = pan.self_support_of_file(told(0.0, 0.035)) else {
        panic!("not carried");
    };
    assert!(tilts.0 == 0.0 && tilts.1.to_degrees() > 19.9);
}

#[test]
fn a_file_that_says_nothing_of_it_lets_nothing_down() {
    let copy = Copy::new();
    let kept: Vec<&str> = (text(JOINT).leak().lines())
        .filter(|line| {
            let key = line.trim_start();
            ![
                "bending_",
                "mass_g",
                "head_mass",
                "head_height",
                "heaviest_",
            ]
            .iter()
            .any(|start| key.starts_with(start))
        })
        .collect();
    std::fs::write(copy.path(JOINT), kept.join("\n")).unwrap();
    let file = copy.joint().unwrap();
    assert!(file.cantilever.is_none());
    assert_eq!(file.self_support_of_file(None), SelfSupport::NotKnown);
    assert!(!file.law(0).unwrap().carries());
}

#[test]
fn a_travel_that_ends_too_early_lets_nothing_down() {
    let copy = Copy::new();
    // 10 deg of bend and the stretch take 1.04 rad; commands need more.
    copy.spoil(JOINT, "travel_deg: [-360, 360]", "travel_deg: [-55, 360]");
    copy.spoil(JOINT, "  inclination_deg: 40", "  inclination_deg: 10");
    let file = copy.joint().unwrap();
    let bare = file.self_support_of_file(Some(Load::default()));
    let law = file
        .law(file.initial)
        .unwrap()
        .with_self_support(&file.joint, bare);
    assert!(law.self_support().carries() && !law.carries());
}

#[test]
fn wrong_values_are_told() {
    for (from, to, sentence) in [
        (
            "bending_stiffness_n_m2: 0.05",
            "bending_stiffness_n_m2: 0",
            "beam.bending_stiffness_n_m2 is 0; accepted: a number above 0 and at most 1000000 N m^2",
        ),
        (
            "bending_stiffness_n_m2: 0.05",
            "bending_stiffness_n_m2: .nan",
            "beam.bending_stiffness_n_m2 is .nan; accepted: a number above 0 and at most 1000000 N m^2",
        ),
        (
            "  bending_stiffness_n_m2: 0.05",
            "  # ",
            "beam.bending_stiffness_n_m2 is missing; accepted: a number above 0 and at most 1000000 N m^2",
        ),
        (
            "  mass_g: 60",
            "  mass_g: -60",
            "beam.mass_g is -60; accepted: a number from 0 to 10000 g",
        ),
        (
            "head_mass_g: 90",
            "head_mass_g: 0",
            "beam.head_mass_g is 0; accepted: a number above 0 and at most 10000 g",
        ),
        (
            "head_height_mm: 8",
            "head_height_mm: -8",
            "beam.head_height_mm is -8; accepted: a number from 0 to 1000 mm",
        ),
        (
            "heaviest_payload_g: 380",
            "heaviest_payload_g: heavy",
            "beam.heaviest_payload_g is \"heavy\"; accepted: a number from 0 to 10000 g",
        ),
        (
            "  heaviest_payload_height_mm: 60",
            "  # ",
            "beam.heaviest_payload_height_mm is missing; accepted: a number from 0 to 1000 mm",
        ),
        (
            "head_mass_g: 90",
            "head_weight_n: 0.9",
            "beam.head_weight_n (given as 0.9) is not a known key; accepted here: length_mm, \
             guide_discs, ...",
        ),
    ] {
        let copy = Copy::new();
        copy.spoil(JOINT, from, to);
        let path = copy.path(JOINT);
        assert_told(copy.joint().map(drop), &path, sentence);
    }
}
