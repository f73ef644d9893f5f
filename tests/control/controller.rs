//! The parts of the controller: limits, shaper, reference model, deadband and hunting.

use withy::control::controller::IntegratorDeadband;
use withy::control::controller::limits::{dead_zone, factor_inside, factor_within};
use withy::control::controller::reference_model::{
    Lag, Model, ReferenceModel, ReferenceModelState, SecondOrder,
};
use withy::control::controller::shaper::{ShaperDesign, ShaperState};
use withy::control::controller::watch::{DeadbandState, HuntingState};
use withy::control::geometry::{Bend, Configuration};

#[test]
fn one_factor_serves_all_motors() {
    assert_eq!(factor_within([(1.0, 2.0), (-4.0, 2.0)].into_iter()), 0.5);
    assert_eq!(factor_within([(0.0, 0.0)].into_iter()), 1.0);
}

#[test]
fn position_limits_scale_the_part_and_not_the_base() {
    let factor = factor_inside([(1.0, 2.0, -5.0, 2.0), (0.0, -1.0, -5.0, 5.0)].into_iter());
    assert_eq!(factor, 0.5);
    assert_eq!(factor_inside([(3.0, 1.0, -2.0, 2.0)].into_iter()), 0.0);
}

#[test]
fn a_dead_zone_is_continuous() {
    assert_eq!(dead_zone(0.3, 0.5), 0.0);
    assert_eq!(dead_zone(0.75, 0.5), 0.25);
    assert_eq!(dead_zone(-0.75, 0.5), -0.25);
}

#[test]
fn stopped_it_brakes_at_its_acceleration_where_it_says() {
    let dt = 0.005;
    let design = ShaperDesign::new(2.0, 40.0, [0.4, 0.05], dt)
        .unwrap()
        .with_pan(1.5, 20.0);
    for stop in [0, 3, 40, 70, 110, 300] {
        let mut state = ShaperState::new(dt, Configuration::zeros());
        let target = Configuration::new(0.6, -0.3, 0.4);
        (0..stop).for_each(|_| state.step(&design, target, 1.0));
        let end = state.brake(&design);
        assert_eq!(end, state.point());
        let (mut rate, mut ticks) = (state.rate(), 0);
        // A target does not matter before it is at rest.
        while !state.at_rest() {
            state.step(&design, target, 1.0);
            assert!((state.rate() - rate).xy().norm() <= 40.0 * dt + 1e-9);
            (rate, ticks) = (state.rate(), ticks + 1);
        }
        assert!((state.value() - end).norm() < 1e-12, "{stop}");
        assert!(f64::from(ticks) * dt <= 2.0 / 20.0 + dt, "{stop}: {ticks}");
        state.step(&design, target, 1.0);
        assert!(!state.at_rest() || (target - end).norm() < 1e-9);
    }
}

#[test]
fn stays_inside_speed_and_acceleration_and_never_overshoots() {
    let dt = 0.005;
    let design = ShaperDesign::new(2.0, 15.0, [0.2, 0.05], dt).unwrap();
    let mut state = ShaperState::new(dt, Configuration::zeros());
    let target = Configuration::new(0.4, -0.3, 0.0);
    let mut rate = Configuration::zeros();
    for tick in 0..400 {
        // Reversals during a motion are the hardest case.
        let goal = if (60..90).contains(&tick) {
            -target
        } else {
            target
        };
        state.step(&design, goal, 1.0);
        assert!(state.rate().norm() <= 2.0 + 1e-9);
        assert!(((state.rate() - rate) / dt).norm() <= 15.0 + 1e-6);
        assert!(state.value().norm() <= target.norm() + 1e-12);
        rate = state.rate();
    }
    assert!((state.value() - target).norm() < 1e-12 && state.at_rest());
}

#[test]
fn bend_and_pan_arrive_together_within_their_own_limits() {
    let dt = 0.005;
    let design = ShaperDesign::new(2.0, 15.0, [0.2, 0.05], dt).unwrap();
    // A full reversal, twice the speed, needs this at the acceleration: whole ticks, rounded up.
    let window = (2.0 * 2.0 / 15.0 / dt).ceil() * dt;
    for (target, pan_speed) in [
        (Configuration::new(0.4, -0.3, 2.5), 1.5),
        (Configuration::new(0.6, 0.0, -0.1), 1.5),
        (Configuration::new(0.1, 0.2, 0.9), 30.0),
    ] {
        let design = design.with_pan(pan_speed, 20.0);
        let most = pan_speed.min(10.0 * window);
        let mut state = ShaperState::new(dt, Configuration::zeros());
        let (mut rate, mut ticks) = (0.0, 0);
        while !state.at_rest() && ticks < 2000 || ticks < 5 {
            state.step(&design, target, 1.0);
            ticks += 1;
            assert!(state.rate().z.abs() <= most + 1e-9);
            assert!(((state.rate().z - rate) / dt).abs() <= 20.0 + 1e-6);
            assert!(state.rate().xy().norm() <= 2.0 + 1e-9);
            rate = state.rate().z;
            // The same fraction of the distance at every tick.
            let share = state.value().dot(&target) / target.norm_squared();
            assert!((state.value() - target * share).norm() < 1e-9);
        }
        assert!(state.at_rest() && (state.value() - target).norm() < 1e-12);
    }
    // Without a pan motor the pan is constant.
    let mut state = ShaperState::new(dt, Configuration::zeros());
    state.step(&design, Configuration::new(0.1, 0.0, 1.0), 1.0);
    assert_eq!(state.point().z, 0.0);
}

#[test]
fn lags_by_what_it_says() {
    let dt = 0.005;
    let design = ShaperDesign::new(2.0, 15.0, [0.3, 0.05], dt).unwrap();
    let mut state = ShaperState::new(dt, Configuration::zeros());
    let speed = Configuration::new(0.3, -0.2, 0.0);
    for tick in 0..400 {
        let now = f64::from(tick) * dt;
        state.step(&design, speed * now, 1.0);
        if tick > 200 {
            assert!((state.value() - speed * (now - design.lag())).norm() < 1e-9);
        }
    }
}

#[test]
fn other_windows_wait_for_rest() {
    let dt = 0.005;
    let short = ShaperDesign::new(2.0, 1e3, [0.1, 0.02], dt).unwrap();
    let long = ShaperDesign::new(2.0, 1e3, [0.5, 0.02], dt).unwrap();
    let run = |swap: bool| {
        let mut state = ShaperState::new(dt, Configuration::zeros());
        (0..200)
            .map(|tick| {
                let design = if swap && tick > 10 { &long } else { &short };
                state.step(design, Configuration::new(0.3, 0.0, 0.0), 1.0);
                state.value()
            })
            .collect::<Vec<_>>()
    };
    // Up to rest both runs agree, and after that they stay there.
    for (plain, swapped) in run(false).iter().zip(&run(true)) {
        assert!((plain - swapped).norm() < 1e-12);
    }
}

fn ramp_response(model: &Model, at: f64) -> (f64, f64) {
    let dt = 0.005;
    let design = ReferenceModel::new(model, dt).unwrap();
    let mut state = ReferenceModelState::new(dt, Configuration::zeros());
    let ticks = (at / dt).round() as usize;
    for tick in 0..=ticks {
        state.step(&design, Configuration::new(tick as f64 * dt, 0.0, 0.0));
    }
    (state.value().x, state.rate().x)
}

/// Ramp responses in closed form: Franklin, Powell and Workman (as above), table of transforms.
#[test]
fn follows_a_ramp_as_the_closed_form_says() {
    let t = 0.05;
    let first = Model {
        gain: 0.9,
        lag: Lag::First { time_constant: t },
        dead_time: 0.0175,
    };
    let (value, rate) = ramp_response(&first, 0.3);
    let tau: f64 = 0.3 - 0.0175;
    // The dead time is not a whole number of ticks; the corner of the ramp is rounded there.
    assert!((value - (tau - t * (1.0 - (-tau / t).exp()))).abs() < 2e-5);
    assert!((rate - (1.0 - (-tau / t).exp())).abs() < 2e-4);
    let (w, z): (f64, f64) = (20.0, 0.3);
    let lag = Lag::Second(SecondOrder {
        natural_frequency: w,
        damping_ratio: z,
    });
    let (value, _) = ramp_response(
        &Model {
            gain: 1.0,
            lag,
            dead_time: 0.02,
        },
        0.3,
    );
    let tau: f64 = 0.28;
    let wd = w * (1.0 - z * z).sqrt();
    let decay = (-z * w * tau).exp();
    let exact = tau - 2.0 * z / w
        + decay * (2.0 * z / w * (wd * tau).cos() + (2.0 * z * z - 1.0) / wd * (wd * tau).sin());
    assert!((value - exact).abs() < 1e-9, "{value} {exact}");
}

#[test]
fn rests_where_the_reference_rests() {
    let lag = Lag::Second(SecondOrder {
        natural_frequency: 18.0,
        damping_ratio: 0.4,
    });
    let design = ReferenceModel::new(
        &Model {
            gain: 1.0,
            lag,
            dead_time: 0.03,
        },
        0.005,
    )
    .unwrap();
    let at = Configuration::new(0.2, -0.1, 0.7);
    let mut state = ReferenceModelState::new(0.005, at);
    for _ in 0..1000 {
        state.step(&design, at);
    }
    assert!((state.value() - at).norm() < 1e-12 && state.rate().norm() < 1e-12);
}

#[test]
fn a_sawtooth_hunts_and_noise_does_not() {
    let run = |size: f64| {
        let mut state = HuntingState::default();
        for tick in 0..2000 {
            let now = tick as f64 * 0.005;
            state.step(
                Bend::new(size * (3.0 * now).sin(), 0.01),
                true,
                0.0026,
                now,
                0.005,
            );
        }
        state.hunting(10.0)
    };
    assert!(run(0.004) && !run(0.001));
}

#[test]
fn the_band_has_hysteresis() {
    let band = IntegratorDeadband {
        enter: 0.006,
        leave: 0.015,
    };
    let mut state = DeadbandState::new(2);
    let mut run = |e: f64, at_rest| {
        (0..400).for_each(|_| state.step(Some(&band), &[0.0, e], at_rest, 0.005));
        state.holding()
    };
    assert!(!run(0.010, false));
    assert!(!run(0.010, true));
    assert!(run(0.005, true));
    assert!(run(0.010, true));
    assert!(!run(0.016, true));
    assert!(!run(0.001, false));
}
