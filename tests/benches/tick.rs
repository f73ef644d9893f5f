//! Cost of a whole control cycle with 3, 6 and 12 tendons, and with 4 on a pan motor and a moving
//! base: median and slowest batch of many. Times on a shared machine are meaningful only as ratios
//! within one run.

#[path = "../common/mod.rs"]
mod common;

use common::many::{Busy, neck_of, panned_neck_of};
use std::hint::black_box;
use std::time::Instant;
use withy::control::tick::{Input, Output, State, tick};
use withy::runtime::link::Record;
use withy::runtime::recorder::{About, IncidentRecorder, Layout};

const BATCHES: usize = 200;
const TICKS: u64 = 100;

fn main() {
    println!("tendons   tick, median   slowest batch   against 3 tendons");
    let mut first = None;
    let necks = [3, 6, 12].map(neck_of);
    for (joint, law) in necks.into_iter().chain([panned_neck_of(4)]) {
        let tendons = joint.motors();
        let mut busy = Busy::new(&joint);
        let mut state = State::new(&joint, &law);
        let mut input = Input::new(tendons);
        let mut out = Output::new(tendons);
        let mut k = 0;
        let mut batches: Vec<f64> = (0..BATCHES)
            .map(|_| {
                let mut spent = 0.0;
                for _ in 0..TICKS {
                    let now = busy.at(&joint, &mut input, k);
                    let start = Instant::now();
                    tick(&joint, &law, &mut state, black_box(&input), now, &mut out);
                    spent += start.elapsed().as_secs_f64();
                    black_box(&out);
                    k += 1;
                }
                spent / TICKS as f64 * 1e6
            })
            .collect();
        batches.sort_by(f64::total_cmp);
        let (median, slowest) = (batches[BATCHES / 2], batches[BATCHES - 1]);
        let ratio = median / *first.get_or_insert(median);
        let name = match joint.pan {
            None => tendons.to_string(),
            Some(_) => format!("{tendons}, pan"),
        };
        println!("{name:>7}   {median:9.2} us   {slowest:10.2} us   {ratio:17.2}");
    }
    incident_costs();
}

/// Cost of keeping a cycle: the copy of the input, in the loop, and the row of the incident
/// recording, in the publisher.
fn incident_costs() {
    println!(
        "\ntendons   copy of the input   row of the incident recording   share of a period of 2 ms"
    );
    let necks = [3, 6, 12].map(neck_of);
    for (joint, law) in necks.into_iter().chain([panned_neck_of(4)]) {
        let tendons = joint.motors();
        let mut busy = Busy::new(&joint);
        let mut state = State::new(&joint, &law);
        let mut record = Record::new(tendons);
        let mut input = Input::new(tendons);
        for k in 0..500 {
            let now = busy.at(&joint, &mut input, k);
            tick(&joint, &law, &mut state, &input, now, &mut record.output);
        }
        let about = About {
            node: "/neck".into(),
            version: String::new(),
            period: 0.002,
            layout: Layout {
                motors: (0..tendons).map(|i| format!("motor_{i}")).collect(),
                pan: joint.pan.map(|_| "pan".into()),
                base_imu: joint.base_from_imu.is_some(),
                kind: law.kind(),
            },
            lines: Vec::new(),
        };
        let (_kept, mut recorder) = IncidentRecorder::new(about);
        let median = |work: &mut dyn FnMut()| {
            let mut batches: Vec<f64> = (0..BATCHES)
                .map(|_| {
                    let start = Instant::now();
                    (0..TICKS).for_each(|_| work());
                    start.elapsed().as_secs_f64() / TICKS as f64 * 1e6
                })
                .collect();
            batches.sort_by(f64::total_cmp);
            batches[BATCHES / 2]
        };
        let copied = median(&mut || record.input.copy_from(black_box(&input)));
        let kept = median(&mut || recorder.see(black_box(&record)));
        let share = (copied + kept) / 2e3 * 100.0;
        let name = match joint.pan {
            None => tendons.to_string(),
            Some(_) => format!("{tendons}, pan"),
        };
        println!("{name:>7}   {copied:14.3} us   {kept:17.3} us   {share:22.3} %");
    }
}
