//! What a whole control tick costs with 3, 6 and 12 tendons, and with 4 on a pan motor and a moving base: median and
//! slowest batch of many. Times of a shared machine mean something only as ratios within one run.

#[path = "../common/mod.rs"]
mod common;

use common::many::{Busy, neck_of, panned_neck_of};
use std::hint::black_box;
use std::time::Instant;
use withy::tick::{Input, Output, State, tick};

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
}
