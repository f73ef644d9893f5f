//! Bad records are refused, each with its reason; good ones that look odd are not.

use crate::fit_support::{Case, Random, cases, drawn, test_of};
use withy::design::fit::{Extent, Family, Fitted, Hold, Member, Order, Payload, Record, fit};

fn refused(record: &Record) -> String {
    let sentence = fit(record, None)
        .map(|f| f.fit.plant)
        .unwrap_err()
        .to_string();
    assert_eq!(sentence.lines().count(), 1);
    sentence
}

/// Returns the record of a first-order joint, or of a joint that oscillates.
fn good(index: usize) -> Record {
    drawn(&cases()[index], 11)
}

/// Evenly sampled: input 0.2 rad from 0.5 s on, and the given response.
fn stepped(seconds: f64, response: impl Fn(f64) -> f64) -> Record {
    let times: Vec<f64> = (0..(seconds / 0.005) as usize)
        .map(|i| i as f64 * 0.005)
        .collect();
    let input = times.iter().map(|t| if *t < 0.5 { 0.0 } else { 0.2 });
    let along: Vec<f64> = times.iter().map(|t| response(*t)).collect();
    Record {
        input: input.collect(),
        across: vec![0.0; along.len()],
        along,
        stamps: times.clone(),
        times,
        hold: Hold::Constant,
        limit: None,
    }
}

#[test]
fn columns_of_different_lengths() {
    let mut record = good(0);
    record.input.pop();
    assert_eq!(
        refused(&record),
        "600 times, 599 commanded and 600 measured values; accepted: equally many"
    );
    let mut test = test_of(&good(0), 0.0);
    test.measured.truncate(10);
    assert_eq!(
        test.record().unwrap_err().to_string(),
        "600 times, 600 commanded and 10 measured values; accepted: equally many"
    );
}

#[test]
fn too_few_samples() {
    let mut record = good(0);
    record.times.truncate(12);
    record.input.truncate(12);
    record.stamps.truncate(12);
    record.along.truncate(12);
    record.across.truncate(12);
    assert_eq!(
        refused(&record),
        "too few samples: 12; accepted: at least 30"
    );
    let nothing = Record {
        times: vec![],
        input: vec![],
        stamps: vec![],
        along: vec![],
        across: vec![],
        ..record
    };
    assert_eq!(
        refused(&nothing),
        "too few samples: 0; accepted: at least 30"
    );
}

#[test]
fn no_numbers() {
    for (value, word) in [(f64::NAN, "NaN"), (f64::INFINITY, "inf")] {
        let mut record = good(0);
        record.along[41] = value;
        assert_eq!(
            refused(&record),
            format!("no number: the response of sample 42 is {word}; accepted: finite numbers")
        );
        let mut test = test_of(&good(0), 0.0);
        test.asked[2].y = value;
        assert_eq!(
            test.record().unwrap_err().to_string(),
            format!(
                "no number: the commanded bend of sample 3 is {word}; accepted: finite numbers"
            )
        );
    }
}

#[test]
fn times_that_do_not_rise() {
    let mut record = stepped(3.0, |t| t);
    record.stamps[100] = record.stamps[98];
    assert_eq!(
        refused(&record),
        "times do not rise: sample 101 is at 0.490000 s, the one before at 0.495000 s"
    );
}

#[test]
fn lost_samples() {
    let mut record = stepped(3.0, |t| 0.2 * (1.0 - (-(t - 0.5).max(0.0) / 0.1).exp()));
    record.stamps.drain(100..120);
    record.along.drain(100..120);
    record.across.drain(100..120);
    assert_eq!(
        refused(&record),
        "samples lost: 0.105 s without one after 0.495 s, 21 median periods; accepted: at most 10"
    );
}

#[test]
fn no_step() {
    let mut record = stepped(3.0, |_| 0.0);
    record.input.fill(0.1);
    assert_eq!(
        refused(&record),
        "no step: the input moves by 0.00000 rad; accepted: at least 0.00100 rad"
    );
    let mut random = Random::new(1);
    let mut record = stepped(3.0, |_| 0.0);
    record.along.fill_with(|| 0.1 * random.normal());
    let sentence = refused(&record);
    assert!(
        sentence.starts_with("no step: the input moves by 0.20000 rad; accepted: at least 0.4")
            && sentence.ends_with(" rad, 4 times the noise of the response"),
        "{sentence}"
    );
    let mut test = test_of(&good(0), 1.0);
    let first = test.asked[0];
    test.asked.fill(first);
    assert_eq!(
        test.record().unwrap_err().to_string(),
        "no step: the input moves by 0.00000 rad; accepted: at least 0.00100 rad"
    );
}

#[test]
fn clipped() {
    let mut record = good(0);
    let cut = 0.15;
    record.along.iter_mut().for_each(|y| *y = y.min(cut));
    let sentence = refused(&record);
    assert!(
        sentence.starts_with("clipped: the response sits at 0.15000 rad for 1")
            && sentence.ends_with(" s on; accepted: fewer than 5"),
        "{sentence}"
    );
    // Without noise too, where a joint at rest repeats its values as well.
    let rise = |t: f64| 0.2 * (1.0 - (-(t - 0.5).max(0.0) / 0.1).exp());
    assert_eq!(
        refused(&stepped(3.0, |t| rise(t).min(0.12))),
        "clipped: the response sits at 0.12000 rad for 481 samples from 0.595 s on; accepted: fewer than 5"
    );
    assert!(fit(&stepped(3.0, rise), None).is_ok());
    let coarse = |t: f64| (rise(t) / 0.002).round() * 0.002;
    assert!(fit(&stepped(3.0, coarse), None).is_ok());
    let mut record = good(0);
    record.limit = Some(0.25);
    let sentence = refused(&record);
    assert!(
        sentence.starts_with("clipped: the input sits at -0.25000 rad for 150 samples from 1.65"),
        "{sentence}"
    );
}

#[test]
fn too_short() {
    let rise = |t: f64| 0.2 * (1.0 - (-(t - 0.5).max(0.0) / 0.6).exp());
    assert_eq!(
        refused(&stepped(1.5, rise)),
        "too short: the longest rest after a move is 0.995 s, 1.7 times the 0.600 s of dead time \
         and slowest time constant; accepted: at least 3"
    );
    let creeping = |t: f64| 0.02 * (t - 0.5).max(0.0);
    let mut random = Random::new(5);
    let mut record = stepped(2.0, creeping);
    record
        .along
        .iter_mut()
        .for_each(|y| *y += 2e-3 * random.normal());
    let sentence = refused(&record);
    assert!(
        sentence.starts_with(
            "too short: in a longest rest of 1.495 s an integrating joint and one \
                              with a time constant of "
        ) && sentence
            .ends_with(" s look alike; accepted: a longer rest, or a fit with the order given"),
        "{sentence}"
    );
    assert!(fit(&record, Some(Order::Integrating)).is_ok());
}

#[test]
fn too_coarse() {
    assert_eq!(
        refused(&stepped(3.0, |t| if t < 0.501 { 0.0 } else { 0.2 })),
        "too coarse: a time constant of 0.0003 s between samples 0.0050 s apart; accepted: at \
         least half a period"
    );
}

#[test]
fn a_response_that_does_not_follow() {
    let mut random = Random::new(3);
    let mut record = stepped(3.0, |_| 0.0);
    record.along.fill_with(|| 0.02 * random.normal());
    let sentence = refused(&record);
    assert!(
        sentence.starts_with("the response does not follow: its gain is ")
            && sentence.ends_with("; accepted: at least 5 standard errors"),
        "{sentence}"
    );
    // Nothing measured at all.
    let sentence = refused(&stepped(3.0, |_| 0.0));
    assert!(
        sentence.starts_with("the response does not follow: its gain is 0.0000"),
        "{sentence}"
    );
}

#[test]
fn a_response_the_other_way() {
    let mut record = good(0);
    record.along.iter_mut().for_each(|y| *y = -*y);
    let sentence = refused(&record);
    assert!(
        sentence.starts_with("the response is opposite to the input: its gain is -0.9")
            && sentence.ends_with("; accepted: above 0"),
        "{sentence}"
    );
}

#[test]
fn unstable() {
    let mut random = Random::new(8);
    let grows = |t: f64| {
        let t = (t - 0.5).max(0.0);
        0.001 * (1.2 * t).exp() * (9.0 * t).sin()
    };
    let mut record = stepped(4.0, grows);
    record
        .along
        .iter_mut()
        .for_each(|y| *y += 1e-4 * random.normal());
    let sentence = refused(&record);
    assert!(
        sentence
            .starts_with("unstable: after the step at 0.500 s the response oscillates over 0.0")
            && sentence.ends_with(
                " rad in the three thirds of the rest; accepted: an oscillation that decays"
            ),
        "{sentence}"
    );
    let falls_over = stepped(3.0, |t| 0.001 * (1.5 * (t - 0.5).max(0.0)).exp_m1());
    assert!(refused(&falls_over).starts_with("unstable: "));
}

#[test]
fn what_is_only_odd_is_fitted() {
    // Shifted to time 1000 s, offset by 1 rad, a slow sensor that repeats stamps.
    let mut test = test_of(&good(1), 2.0);
    test.times.iter_mut().for_each(|t| *t += 1000.0);
    for (i, stamp) in test.stamps.iter_mut().enumerate() {
        *stamp = test.times[i - i % 3];
    }
    let slow: Vec<_> = (0..test.measured.len())
        .map(|i| test.measured[i - i % 3])
        .collect();
    test.measured = slow;
    let (record, _) = test.record().unwrap();
    assert_eq!(record.stamps.len(), 200);
    let found = fit(&record, None).unwrap().fit;
    let (w, z) = (&found.parameters[2], &found.parameters[3]);
    assert!(
        (w.value - 16.8).abs() < 4.0 * w.standard_error.unwrap(),
        "{w:?}"
    );
    assert!(
        (z.value - 0.14).abs() < 4.0 * z.standard_error.unwrap(),
        "{z:?}"
    );
}

#[test]
fn what_crosses_the_step_is_told() {
    let case = &cases()[0];
    let mut record = drawn(case, 21);
    let shadow = drawn(
        &Case {
            noise: 0.0,
            ..case.clone()
        },
        0,
    );
    let mut random = Random::new(21);
    record.across = shadow
        .along
        .iter()
        .map(|y| 0.1 * (y - 0.01) + 0.004 * random.normal())
        .collect();
    let across = fit(&record, None).unwrap().across;
    assert!(
        (across.gain - 0.094).abs() < 4.0 * across.standard_error,
        "{across:?}"
    );
    assert!((0.05..0.12).contains(&across.share));
    let own = across.fit.expect("a tenth of the step is no noise").plant;
    assert!((own.gain - 0.094).abs() < 0.006, "{own:?}");
    record.across.fill_with(|| 0.004 * random.normal());
    let across = fit(&record, None).unwrap().across;
    assert!(across.gain.abs() < 4.0 * across.standard_error);
    assert_eq!(across.fit, None);
}

fn member(case: &Case, seed: u64, mass: f64, direction: f64) -> Member {
    Member {
        name: format!("{mass} {direction}"),
        payload: Some(Payload { mass, height: 0.05 }),
        direction,
        fitted: fit(&drawn(case, seed), Some(case.order)).unwrap(),
    }
}

#[test]
fn a_family_tells_what_is_within_errors() {
    let light = cases()[1].clone();
    let mut heavy = light.clone();
    heavy.truth[2] = 15.0;
    let mut members = Vec::new();
    for (k, direction) in [0.0, 1.5, 3.0, -1.5].into_iter().enumerate() {
        members.push(member(&heavy, 40 + k as u64, 0.3, direction));
        members.push(member(&light, 50 + k as u64, 0.1, direction));
    }
    let family = Family::new(members);
    assert_eq!(family.members[0].name, "0.1 -1.5");
    assert_eq!(family.members[7].name, "0.3 3");
    let groups = family.groups();
    assert_eq!(groups.len(), 2);
    for (group, w) in groups.iter().zip([16.8, 15.0]) {
        assert_eq!(group.members.len(), 4);
        let found = group.spread.natural_frequency.unwrap();
        assert_eq!(found.within_errors(), Some(true), "{found:?}");
        assert!(found.least <= found.mean && found.mean <= found.greatest);
        assert!((found.mean - w).abs() < 0.1, "{found:?}");
    }
    let all = family.spread().unwrap();
    assert_eq!(all.natural_frequency.unwrap().within_errors(), Some(false));
    assert_eq!(all.gain.within_errors(), Some(true));
    assert_eq!(all.dead_time.within_errors(), Some(true));
    assert!(Family::default().spread().is_none());
}

#[test]
fn an_extent_is_cochrans_test() {
    // Weights 1, 1/4: mean 1.2, Q = 0.04 + 0.64/4 = 0.2.
    let extent = Extent::of(&[(1.0, Some(1.0)), (2.0, Some(2.0))]).unwrap();
    assert!((extent.mean - 1.2).abs() < 1e-12);
    // erfc(sqrt 0.1), NIST Digital Library of Mathematical Functions.
    assert!((extent.p_value.unwrap() - 0.654_720_846_018_577).abs() < 1e-9);
    let unknown = Extent::of(&[(1.0, None), (2.0, Some(2.0))]).unwrap();
    assert_eq!((unknown.mean, unknown.p_value), (1.5, None));
    assert_eq!(Extent::of(&[]), None);
}

/// Any record is fitted or refused.
#[test]
fn garbage_never_panics() {
    let mut random = Random::new(99);
    let nasty = [
        0.0,
        -0.0,
        1e308,
        -1e308,
        1e-308,
        f64::NAN,
        f64::INFINITY,
        1.0,
        1e6,
    ];
    for round in 0..60 {
        let mut record = good(round % 4);
        let n = 30 + (random.unit() * 60.0) as usize;
        for list in [
            &mut record.times,
            &mut record.input,
            &mut record.stamps,
            &mut record.along,
            &mut record.across,
        ] {
            list.truncate(n);
        }
        record.hold = [Hold::Constant, Hold::Linear][round % 2];
        for _ in 0..1 + round % 4 {
            let at = (random.unit() * n as f64) as usize;
            let value = nasty[(random.unit() * nasty.len() as f64) as usize];
            match round % 3 {
                0 => record.along[at] = value,
                1 => record.input[at] = value,
                _ => record.across[at] = value,
            }
        }
        let result: Result<Fitted, _> = fit(&record, None);
        if let Err(error) = result {
            assert_eq!(error.to_string().lines().count(), 1);
        }
    }
}

/// At any scales of time and angle: no panic, and no figure that is not finite passes for a fit.
#[test]
fn absurd_scales_never_panic() {
    for time in [1.0, 1e-290, 1e-12, 1e12, 1e290, 1e308] {
        for angle in [1.0, 1e-290, 1e150, 1e290] {
            for start in [0.0, 1e15] {
                let mut record = good(0);
                for list in [&mut record.times, &mut record.stamps] {
                    list.iter_mut().for_each(|t| *t = *t * time + start);
                }
                for list in [&mut record.input, &mut record.along] {
                    list.iter_mut().for_each(|y| *y *= angle);
                }
                match fit(&record, None) {
                    Err(error) => assert_eq!(error.to_string().lines().count(), 1),
                    Ok(found) => {
                        assert!(found.fit.parameters.iter().all(|p| p.value.is_finite()));
                    }
                }
            }
        }
    }
}
