//! Cost of a design: the root alone, whole designs with their stability and crossing check, and a
//! map of 10 000 pairs. Times on a shared machine are meaningful only as ratios within one run;
//! `tests/references/time_tuning.py` runs this and the same work in NumPy and SciPy.

use std::hint::black_box;
use std::time::Instant;
use withy::design::model::{Delays, Plant};
use withy::design::tune::{Form, Specification, compare, flat_phase_order, map, tune};

/// Returns the median of `batches` of `count` runs each, us per run.
fn median(batches: usize, count: usize, mut run: impl FnMut()) -> f64 {
    let mut times: Vec<f64> = (0..batches)
        .map(|_| {
            let start = Instant::now();
            for _ in 0..count {
                run();
            }
            start.elapsed().as_secs_f64() / count as f64 * 1e6
        })
        .collect();
    times.sort_by(f64::total_cmp);
    times[batches / 2]
}

fn main() {
    // Gain 1 and 0.055 s (common practice, no source), 60 deg at 10 rad/s; an oscillating head; an
    // integrating joint.
    let first = Plant::first_order(1.0, 0.055, 0.01);
    let second = Plant::second_order(1.0, 16.0, 0.4, 0.01);
    let integrating = Plant::integrating(2.0, 0.4, 0.01);
    let delays = Delays::of(0.005, 0.005, 0.0, 0.0);
    let asked = Specification::of_degrees(60.0, 10.0);
    let plant = first.delayed(delays.total());
    let phi = std::f64::consts::PI - asked.phase_margin + plant.phase(asked.crossover);
    let fall = plant.phase_fall(asked.crossover);
    let root = median(101, 1000, || {
        black_box(flat_phase_order(black_box(phi), black_box(fall)));
    });
    println!("root phi {phi:.17} fall {fall:.17}: {root:.4} us");
    let pi = Form::ProportionalIntegral;
    let pd = Form::ProportionalDerivative { corner: 150.0 };
    let full = Form::Full {
        integral_order: 1.0,
        derivative_order: 0.8,
        corner: 150.0,
    };
    for (name, plant, margin, crossover, form) in [
        ("first order, PI", first, 60.0, 10.0, pi),
        ("second order, PI", second, 60.0, 4.0, pi),
        ("integrating, PD", integrating, 60.0, 6.0, pd),
        ("first order, PID", first, 75.0, 10.0, full),
    ] {
        let asked = Specification::of_degrees(margin, crossover);
        let design = tune(&plant, &delays, &asked, form)
            .unwrap_or_else(|refusal| panic!("{name}: {refusal}"));
        let g = design.gains;
        let time = median(101, 20, || {
            black_box(tune(black_box(&plant), &delays, black_box(&asked), form).is_ok());
        });
        println!(
            "design, {name}: {time:.3} us, gains {:e} {:e} {:e}",
            g.kp, g.ki, g.kd
        );
    }
    let design = tune(&first, &delays, &asked, pi).unwrap();
    let figures = median(21, 10, || {
        black_box(black_box(&design).open_loop().figures());
    });
    println!("all figures of a loop: {figures:.1} us");
    let margins: Vec<f64> = (0..100)
        .map(|i| (20.0 + f64::from(i)).to_radians())
        .collect();
    let crossovers: Vec<f64> = (0..100).map(|i| 2.0 * 1.04f64.powi(i)).collect();
    for (name, plant, form) in [
        ("first order, PI", first, pi),
        ("second order, PI", second, pi),
        ("integrating, PD", integrating, pd),
    ] {
        let mut sound = 0;
        let time = median(5, 1, || {
            let rows = map(black_box(&plant), &delays, form, &margins, &crossovers);
            sound = rows.iter().flatten().filter(|one| one.is_ok()).count();
        });
        println!("map of 10000, {name}: {:.4} s, {sound} sound", time * 1e-6);
    }
    let time = median(5, 1, || {
        black_box(compare(black_box(&design)));
    });
    println!(
        "overshoot over gains, with the integer PI: {:.2} ms",
        time * 1e-3
    );
}
