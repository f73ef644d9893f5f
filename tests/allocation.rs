//! A tick allocates nothing after construction, hand-over included: counted by the allocator itself.

mod common;

use common::many::{busy, neck_of};
use withy::tick::{Input, Mode, Output, State, tick};

#[test]
fn a_tick_allocates_nothing() {
    for tendons in [3, 6, 12] {
        let (joint, law) = neck_of(tendons);
        let other = law.clone();
        let mut state = State::new(&joint, &law);
        let mut input = Input::new(tendons);
        let mut out = Output::new(tendons);
        let mut angles = vec![0.0; tendons];
        let mut tracked = 0;
        let made = allocation_counter::measure(|| {
            for k in 0..3000 {
                let now = busy(&joint, &mut input, &mut angles, k);
                if k % 700 == 699 {
                    state.take_over(&law, &other, now);
                }
                // A gap in the data, so that holding, stopping and starting anew are covered.
                if (1500..1700).contains(&k) {
                    input.head = None;
                }
                tick(&joint, &law, &mut state, &input, now, &mut out);
                tracked += usize::from(out.mode == Mode::Tracking);
            }
        });
        assert!(tracked > 2000, "{tracked} ticks tracked");
        assert_eq!(made.count_total, 0, "{tendons} tendons");
    }
    // The counter counts: otherwise none of this could fail.
    let made = allocation_counter::measure(|| {
        std::hint::black_box(vec![0_u8; 10]);
    });
    assert_eq!(made.count_total, 1);
}
