//! A tick allocates nothing after construction, hand-over included: counted by the allocator itself.

mod common;

use common::many::{Busy, neck_of, panned_neck_of};
use withy::carry::{Carry, Load};
use withy::tick::{Input, Mode, Output, State, tick};

#[test]
fn a_tick_allocates_nothing() {
    let necks = [3, 6, 12].map(neck_of);
    // As if the beam alone carried the head, so that the tendons may be let down.
    let carry = Carry::Carries {
        factor: 2.0,
        inclination: 0.0,
        tilts: (0.0, 3.0),
        payload: Load::default(),
    };
    for (joint, law) in necks.into_iter().chain([panned_neck_of(4)]) {
        let law = law.with_carry(&joint, carry);
        let tendons = joint.motors();
        let mut busy = Busy::new(&joint);
        let other = law.clone();
        let mut state = State::new(&joint, &law);
        let mut input = Input::new(tendons);
        let mut out = Output::new(tendons);
        let (mut tracked, mut lowered) = (0, 0);
        let made = allocation_counter::measure(|| {
            for k in 0..5500 {
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
                // Let down, and taken up.
                input.slacken = u64::from(k >= 3000);
                input.hold = u64::from(k >= 4300);
                tick(&joint, &law, &mut state, &input, now, &mut out);
                tracked += usize::from(out.mode == Mode::Tracking);
                lowered |= match out.mode {
                    Mode::LettingDown => 1,
                    Mode::Down => 2,
                    Mode::TakingUp => 4,
                    _ => 0,
                };
            }
        });
        assert!(tracked > 2000, "{tracked} ticks tracked");
        assert_eq!(lowered, 7, "let down, down and taken up");
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
