//! A moving target predicted from its samples.

use nalgebra::Vector3;
use std::f64::consts::{PI, TAU};
use withy::track::{Motion, Track};

const DEG: f64 = PI / 180.0;
const LAG: f64 = 0.27;
const AGE: f64 = 0.02;
const AMPLITUDE: f64 = 20.0 * DEG;
type Path = Box<dyn Fn(f64) -> Vector3<f64>>;

fn circle(f: f64) -> Path {
    Box::new(move |t| {
        let a = TAU * f * t;
        Vector3::new(0.0, a.sin(), a.cos()) * AMPLITUDE
    })
}

struct Random(u64);
impl Random {
    fn uniform(&mut self) -> f64 {
        // Knuth's MMIX generator, from memory.
        self.0 = self
            .0
            .wrapping_mul(6364136223846793005)
            .wrapping_add(1442695040888963407);
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }
    fn normal(&mut self) -> f64 {
        (-2.0 * (1.0 - self.uniform()).ln()).sqrt() * (TAU * self.uniform()).cos()
    }
    fn noise(&mut self, sd: f64) -> Vector3<f64> {
        Vector3::from_fn(|_, _| self.normal()) * sd
    }
}

/// (time, motion or newest sample) every ms from 1.5 s on.
fn run(
    path: &Path,
    rate: f64,
    noise: f64,
    jitter: f64,
    last: f64,
    mut see: impl FnMut(f64, &Motion),
) {
    let mut random = Random(1);
    let mut track = Track::new();
    let mut arrivals = Vec::new();
    let mut k = 0.0;
    while k / rate < last {
        let t = (k + jitter * (random.uniform() - 0.5)) / rate;
        arrivals.push((t, path(t) + random.noise(noise)));
        k += 1.0;
    }
    let mut next = 0;
    let mut held = None;
    for i in 0..(last * 1000.0) as usize {
        let now = i as f64 * 1e-3;
        while next < arrivals.len() && arrivals[next].0 + AGE <= now {
            held = track.sample(arrivals[next].1, arrivals[next].0).unwrap();
            next += 1;
        }
        if let Some(m) = &held {
            see(now, m);
        }
    }
}

#[test]
fn circles_are_predicted() {
    for f in [0.1, 0.3, 1.0] {
        for rate in [10.0, 30.0, 100.0] {
            let path = circle(f);
            let (mut worst, mut peak) = (0.0_f64, 0.0_f64);
            run(&path, rate, 0.0, 0.0, 1.5 + 2.0 / f, |now, m| {
                if now > 1.5 {
                    let p = m.at(now, LAG);
                    worst = worst.max((p - path(now + LAG)).norm());
                    peak = peak.max(p.norm());
                }
            });
            println!(
                "{f} Hz at {rate}: worst {:.3} deg, peak {:+.2} %",
                worst / DEG,
                (peak / AMPLITUDE - 1.0) * 100.0
            );
            assert!(worst < 0.5 * DEG && peak < 1.01 * AMPLITUDE);
        }
    }
}
