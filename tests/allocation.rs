//! A tick allocates nothing after construction, hand-over included: counted by the allocator itself.

mod common;

use common::many::{Busy, neck_of, panned_neck_of};
use withy::tick::{Input, Mode, Output, State, tick};

#[test]
fn a_tick_allocates_nothing() {
    let necks = [3, 6, 12].map(neck_of);
    for (joint, law) in necks.into_iter().chain([panned_neck_of(4)]) {
        let tendons = joint.motors();
        let mut busy = Busy::new(&joint);
        let other = law.clone();
        let mut state = State::new(&joint, &law);
        let mut input = Input::new(tendons);
        let mut out = Output::new(tendons);
        let mut tracked = 0;
        let made = allocation_counter::measure(|| {
            for k in 0..3000 {
                let now = busy.at(&joint, &mut input, k);
                if k % 700 == 699 {
                    state.take_over(&law, &other, now);
                }
                // A gap in the data, so that holding, stopping and starting anew are covered.
                if (1500..1700).contains(&k) {
                    input.head = None;
                }
                // And one in those of the base's IMU.
                if (2200..2400).contains(&k) {
                    input.base = None;
                }
                tick(&joint, &law, &mut state, &input, now, &mut out);
                tracked += usize::from(out.mode == Mode::Tracking);
            }
        });
        assert!(tracked > 2000, "{tracked} ticks tracked");
        let turned = out.reference_pan.abs();
        assert_eq!(turned > 0.01, joint.pan.is_some(), "{turned}");
        assert_eq!(made.count_total, 0, "{tendons} tendons");
    }
    // The counter counts: otherwise none of this could fail.
    let made = allocation_counter::measure(|| {
        std::hint::black_box(vec![0_u8; 10]);
    });
    assert_eq!(made.count_total, 1);
}
