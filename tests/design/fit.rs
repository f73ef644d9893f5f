//! Fits of step tests against SciPy, statsmodels and the Cramer-Rao bound, on records drawn from
//! seeds.
//!
//! References: `tests/references/make_fits.py`.

use crate::fit_support::{Case, cases, drawn, holds, reference, test_of};
use withy::design::fit::{
    Fit, Hold, Order, Record, Whiteness, chi_squared_beyond, fit, interval_95,
};
use withy::design::model::{Dynamics, Plant, SecondOrder};

fn values(fit: &Fit) -> Vec<f64> {
    fit.parameters.iter().map(|p| p.value).collect()
}

fn errors(fit: &Fit) -> Vec<f64> {
    fit.parameters
        .iter()
        .map(|p| p.standard_error.expect("no parameter at a bound"))
        .collect()
}

fn fitted(case: &Case, seed: u64) -> Fit {
    fit(&drawn(case, seed), Some(case.order)).unwrap().fit
}

#[test]
fn responses_are_those_of_a_numerical_integration() {
    for case in reference()["responses"].as_array().unwrap() {
        let list = |key: &str| crate::fit_support::numbers(&case[key]);
        let (shape, times) = (list("shape"), list("times"));
        let dynamics = match case["name"].as_str().unwrap() {
            "first" => Dynamics::First {
                time_constant: shape[0],
            },
            "second" => Dynamics::Second(SecondOrder {
                natural_frequency: shape[0],
                damping_ratio: shape[1],
            }),
            _ => Dynamics::Integrating {
                time_constant: shape[0],
            },
        };
        let hold = match case["hold"].as_str().unwrap() {
            "linear" => Hold::Linear,
            _ => Hold::Constant,
        };
        let record = Record {
            input: list("input"),
            along: vec![0.0; times.len()],
            across: vec![0.0; times.len()],
            stamps: times.clone(),
            times,
            hold,
            limit: None,
        };
        let model = Fit {
            plant: Plant {
                gain: 1.0,
                dynamics,
                dead_time: case["dead_time"].as_f64().unwrap(),
            },
            offset: 0.0,
            ..fitted(&cases()[0], 1)
        };
        let worst = model
            .response(&record)
            .iter()
            .zip(list("response"))
            .map(|(a, b)| (a - b).abs())
            .fold(0.0, f64::max);
        assert!(worst < 1e-11, "{dynamics:?} {hold:?}: {worst:e}");
    }
}

#[test]
fn fits_are_those_of_scipy_on_the_same_records() {
    for case in &cases() {
        for stored in &case.fits {
            let fit = fitted(case, stored.seed);
            let rss = fit.noise.powi(2) * (fit.samples - fit.parameters.len()) as f64;
            // Not a worse minimum; where it is the same one, the same place.
            assert!(
                rss <= stored.rss * (1.0 + 1e-9),
                "{}: {rss} against {}",
                stored.seed,
                stored.rss
            );
            assert!(
                rss >= stored.rss * (1.0 - 1e-6),
                "{}: {rss} against {}",
                stored.seed,
                stored.rss
            );
            let all = values(&fit).into_iter().zip(errors(&fit));
            for (i, (value, error)) in all.enumerate() {
                let (v, e) = (stored.parameters[i], stored.errors[i]);
                let apart = (value - v).abs() / e;
                assert!(
                    apart < 2e-3,
                    "{} parameter {i}: {value} {v}, {apart} errors apart",
                    stored.seed
                );
                assert!(
                    (error / e - 1.0).abs() < 2e-3,
                    "{} parameter {i}: errors {error} {e}",
                    stored.seed
                );
            }
            for (own, theirs) in [(fit.aicc, stored.aicc), (fit.bic, stored.bic)] {
                assert!((own - theirs).abs() < 1e-3, "{own} {theirs}");
            }
        }
    }
}

/// Over 200 records for each of 3 seeds: unbiased within 3 standard errors of the mean, 95 %
/// intervals that hold the truth in 90 to 99 of a hundred, spread at most 1.3 of the Cramer-Rao
/// bound.
#[test]
fn estimates_are_unbiased_efficient_and_honest() {
    const RECORDS: u64 = 200;
    for (index, case) in cases().iter().enumerate() {
        for batch in 0..3 {
            let first = 1_000_000 * (index as u64 + 1) + 10_000 * batch;
            let fits: Vec<Fit> = (0..RECORDS).map(|r| fitted(case, first + r)).collect();
            let mut line = format!("{:?} {batch}:", case.order);
            for (i, truth) in case.truth.iter().enumerate() {
                let n = RECORDS as f64;
                let value = |f: &Fit| f.parameters[i].value;
                let mean = fits.iter().map(value).sum::<f64>() / n;
                let variance = fits.iter().map(|f| (value(f) - mean).powi(2)).sum::<f64>();
                let spread = (variance / (n - 1.0)).sqrt();
                let bias = (mean - truth) / (spread / n.sqrt());
                let name = fits[0].parameters[i].name;
                let inside = fits.iter().filter(|f| holds(f, name, *truth)).count();
                let coverage = inside as f64 / n;
                let efficiency = spread / case.bound[i];
                line +=
                    &format!(" {name} bias {bias:.2} cover {coverage:.3} spread {efficiency:.3};");
                assert!(bias.abs() <= 3.0, "{line}");
                assert!((0.90..=0.99).contains(&coverage), "{line}");
                assert!(efficiency <= 1.3, "{line}");
            }
            println!("{line}");
        }
    }
}

#[test]
fn the_criterion_finds_the_form_that_a_record_was_made_with() {
    for case in &cases() {
        let right = (0..20).filter(|seed| {
            let found = fit(&drawn(case, 500 + seed), None).unwrap();
            Order::of(found.fit.plant.dynamics) == case.order
        });
        let right = right.count();
        // By chance 1 of 90 passes the penalty of log n = 6.4 for one parameter too many
        // (chi-squared beyond it).
        assert!(right >= 19, "{:?}: {right} of 20", case.order);
    }
}

#[test]
fn white_noise_leaves_white_residuals_and_a_wrong_form_does_not() {
    let swinging = &cases()[1];
    let record = drawn(swinging, 77);
    assert!(fit(&record, None).unwrap().fit.whiteness.white());
    let wrong = fit(&record, Some(Order::First)).unwrap().fit;
    assert!(!wrong.whiteness.white());
    assert!(wrong.nrmse > 0.2, "{}", wrong.nrmse);
    let cover = (0..200).filter(|seed| fitted(swinging, 900 + seed).whiteness.white());
    // 1 % are called not white by chance.
    assert!(cover.count() >= 192);
}

#[test]
fn the_test_of_ljung_and_box_is_that_of_statsmodels() {
    for case in reference()["whiteness"].as_array().unwrap() {
        let number = |key: &str| case[key].as_f64().unwrap();
        let mut random = crate::fit_support::Random::new(case["seed"].as_u64().unwrap());
        let mut x = 0.0;
        let series: Vec<f64> = (0..400)
            .map(|_| {
                x = number("memory") * x + random.normal();
                x
            })
            .collect();
        let own = Whiteness::of(&series);
        assert_eq!(own.lags, 20);
        assert!((own.statistic / number("statistic") - 1.0).abs() < 1e-9);
        assert!((own.p_value - number("p_value")).abs() < 1e-10);
    }
}

#[test]
fn distributions_are_those_of_scipy() {
    for row in reference()["chi_squared"].as_array().unwrap() {
        let (x, k, p) = (
            row[0].as_f64().unwrap(),
            row[1].as_u64().unwrap() as usize,
            row[2].as_f64().unwrap(),
        );
        let own = chi_squared_beyond(x, k);
        assert!((own - p).abs() <= 1e-13 + 1e-10 * p, "{x} {k}: {own} {p}");
    }
    for row in reference()["student"].as_array().unwrap() {
        let own = interval_95(row[0].as_u64().unwrap() as usize);
        assert!((own - row[1].as_f64().unwrap()).abs() < 1e-3);
    }
}

#[test]
fn a_record_without_noise_gives_its_model_back() {
    for case in &cases() {
        let quiet = Case {
            noise: 0.0,
            ..case.clone()
        };
        let found = fit(&drawn(&quiet, 0), None).unwrap().fit;
        assert_eq!(Order::of(found.plant.dynamics), case.order);
        for (parameter, truth) in found.parameters.iter().zip(&case.truth) {
            let apart = (parameter.value - truth).abs();
            assert!(
                apart < 1e-6 * truth.abs().max(0.01),
                "{parameter:?} {truth}"
            );
        }
    }
}

#[test]
fn a_dead_time_of_zero_is_at_its_bound_and_has_no_error() {
    let mut case = cases()[0].clone();
    case.truth[3] = 0.0;
    let at_bound = (0..40).filter_map(|seed| {
        let found = fitted(&case, seed);
        let dead_time = found.parameter("dead_time_s").unwrap();
        assert!(dead_time.value >= 0.0);
        (dead_time.value == 0.0).then(|| assert_eq!(dead_time.standard_error, None))
    });
    // Half of them would be below zero.
    let count = at_bound.count();
    assert!((8..=32).contains(&count), "{count}");
}

#[test]
fn the_direction_is_that_of_the_first_move() {
    for degrees in [-170.0_f64, -90.0, -20.0, 0.0, 17.0, 90.0, 133.0, 180.0] {
        let direction = degrees.to_radians();
        let test = test_of(&drawn(&cases()[0], 3), direction);
        let (record, found) = test.record().unwrap();
        let turned = (found - direction).sin().abs() + (1.0 - (found - direction).cos());
        assert!(turned < 1e-9, "{degrees}: {found}");
        let gain = fit(&record, Some(Order::First)).unwrap().fit.plant.gain;
        assert!((gain - 0.94).abs() < 0.01);
    }
}
