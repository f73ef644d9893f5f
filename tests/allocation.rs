//! A control cycle allocates nothing after construction, bumpless transfer included, as counted by
//! the allocator itself.

mod common;

use common::many::{Busy, neck_of, panned_neck_of};
use withy::control::self_support::{Load, SelfSupport};
use withy::control::tick::{Input, Mode, Output, State, tick};

#[test]
fn a_tick_allocates_nothing() {
    let necks = [3, 6, 12].map(neck_of);
    // Assumes that the beam alone carries the head, so that the tendons may be released.
    let self_support = SelfSupport::Carries {
        factor: 2.0,
        inclination: 0.0,
        tilts: (0.0, 3.0),
        payload: Load::default(),
    };
    for (joint, law) in necks.into_iter().chain([panned_neck_of(4)]) {
        let law = law.with_self_support(&joint, self_support);
        let tendons = joint.motors();
        let mut busy = Busy::new(&joint);
        let other = law.clone();
        let mut state = State::new(&joint, &law);
        let mut input = Input::new(tendons);
        let mut out = Output::new(tendons);
        let (mut tracked, mut released) = (0, 0);
        let made = allocation_counter::measure(|| {
            for k in 0..5500 {
                let now = busy.at(&joint, &mut input, k);
                if k % 700 == 699 {
                    state.take_over(&law, &other, now);
                }
                // A gap in the data, so that holding, stopping and restarting are covered.
                if (1500..1700).contains(&k) {
                    input.head = None;
                }
                // Another gap in those of the base's IMU.
                if (2200..2400).contains(&k) {
                    input.base = None;
                }
                // Released, and retensioned.
                input.release_tension = u64::from(k >= 3000);
                input.hold = u64::from(k >= 4300);
                tick(&joint, &law, &mut state, &input, now, &mut out);
                tracked += usize::from(out.mode == Mode::Tracking);
                released |= match out.mode {
                    Mode::ReleasingTension => 1,
                    Mode::Released => 2,
                    Mode::Retensioning => 4,
                    _ => 0,
                };
            }
        });
        assert!(tracked > 2000, "{tracked} ticks tracked");
        assert_eq!(released, 7, "release tension, down and retensioned");
        let turned = out.reference_pan.abs();
        assert_eq!(turned > 0.01, joint.pan.is_some(), "{turned}");
        assert_eq!(made.count_total, 0, "{tendons} tendons");
    }
    // Checks the counter itself: otherwise this test could not fail.
    let made = allocation_counter::measure(|| {
        std::hint::black_box(vec![0_u8; 10]);
    });
    assert_eq!(made.count_total, 1);
}
