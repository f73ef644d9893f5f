//! The files under `config/` belong together.

use withy::beam::JointDescription;
use withy::config::SimulatedFile;

/// The simulated-joint file is the library's own glasshouse neck: what tests say of one holds for the
/// other.
#[test]
fn the_simulated_joint_file_is_the_glasshouse_neck() {
    let file = SimulatedFile::load("config/glasshouse-neck-simulated.yaml").unwrap();
    let (a, b) = (&file.description, &JointDescription::glasshouse());
    let near = |x: f64, y: f64, what: &str| {
        assert!(
            (x - y).abs() <= 1e-9 * (1.0 + y.abs()),
            "{what}: {x} against {y}"
        );
    };
    near(a.length, b.length, "length");
    near(
        a.flexural_rigidity,
        b.flexural_rigidity,
        "flexural rigidity",
    );
    near(a.beam_mass, b.beam_mass, "beam mass");
    near(a.retardation, b.retardation, "retardation");
    near(a.head_mass, b.head_mass, "head mass");
    near(a.head_height, b.head_height, "head height");
    near(a.air_drag, b.air_drag, "air drag");
    near(a.pretension, b.pretension, "pretension");
    for i in 0..3 {
        near(a.head_inertia[i], b.head_inertia[i], "head inertia");
    }
    assert_eq!(a.tendons.len(), b.tendons.len());
    for (x, y) in a.tendons.iter().zip(&b.tendons) {
        near(x.base_angle, y.base_angle, "base angle");
        near(x.base_radius, y.base_radius, "base radius");
        near(x.drum_radius, y.drum_radius, "drum radius");
        near(x.stiffness, y.stiffness, "stiffness");
        assert_eq!(x.guide_radii.len(), y.guide_radii.len());
    }
    assert_eq!(a.motor, b.motor);
    assert_eq!(file.options.sensors.imu_rate, 200.0);
}
