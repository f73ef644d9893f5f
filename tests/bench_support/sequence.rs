//! Random sequences of faults, from a seed.

use super::faults::{Fault, Kind, Stream};
use super::{Event, Random, Rig, Seen};

/// Time from the first command until the end, s; faults are over 3 s before.
pub const LENGTH: f64 = 9.0;
const QUIET: f64 = 3.0;

/// Rigs from which sequences start, ready.
pub struct Start {
    pub name: String,
    pub rig: Rig,
}

/// The plan of one seed for one start.
#[derive(Clone, Debug)]
pub struct Plan {
    pub start: usize,
    pub faults: Vec<Fault>,
    pub events: Vec<(f64, Event)>,
}

fn command(random: &mut Random) -> Event {
    let pan = random.between(-1.0, 1.0);
    Event::Command(random.between(0.0, 35.0), random.between(0.0, 360.0), pan)
}

/// Returns a random fault.
pub fn kind(random: &mut Random, motors: usize, tendons: usize) -> Kind {
    let streams = [Stream::Motors, Stream::Head, Stream::Command, Stream::Base];
    // Joints on a pan motor have a base IMU.
    let stream = streams[random.below(if motors > tendons { 4 } else { 3 })];
    let share = [0.02, 0.1, 0.5, 1.0][random.below(4)];
    match random.below(18) {
        0 => Kind::Silent(stream),
        1 => Kind::Dropped(stream, share),
        2 => Kind::Late(stream, random.between(0.005, 0.4)),
        3 => Kind::Doubled(stream),
        4 => Kind::Shuffled(stream, random.between(0.005, 0.2)),
        5 | 6 => Kind::Flipped(stream, share),
        7 => Kind::Nan(stream, share),
        8 => Kind::Wild(stream, share),
        9 => Kind::Missized(stream, share),
        10 => Kind::Frozen(stream, 1 + random.next() % ((1 << motors) - 1)),
        11 => Kind::Unnamed(random.below(motors)),
        12 => Kind::ClockStep(stream, random.between(-1.0, 1.0).powi(3)),
        13 => Kind::Stalled(random.below(motors)),
        14 => Kind::Cut(random.below(tendons)),
        15 => Kind::LoopStall,
        16 => Kind::LoopStep(random.between(0.0, 1.5)),
        _ => Kind::TimeJump,
    }
}

impl Plan {
    pub fn new(seed: u64, starts: &[Start]) -> Self {
        let mut random = Random(seed);
        let start = random.below(starts.len());
        let rig = &starts[start].rig;
        let begin = rig.time();
        let tendons = rig.joint.motors();
        let motors = tendons + usize::from(rig.joint.pan.is_some());
        let mut events = vec![(begin, command(&mut random))];
        let mut t = begin;
        loop {
            t += random.between(0.5, 3.0);
            if t > begin + LENGTH - QUIET {
                break;
            }
            events.push((t, command(&mut random)));
        }
        let mut faults = Vec::new();
        for _ in 0..1 + random.below(3) {
            let from = begin + random.between(0.0, 4.0);
            let duration = [0.02, 0.1, 0.5, 2.0][random.below(4)] * random.between(0.5, 1.0);
            faults.push(Fault {
                kind: kind(&mut random, motors, tendons),
                from,
                until: from + duration,
            });
        }
        for _ in 0..random.below(3) {
            let at = begin + random.between(0.0, LENGTH - QUIET);
            let event = match random.below(5) {
                0 | 1 => {
                    let force = [random.between(-3.0, 3.0), random.between(-3.0, 3.0)];
                    Event::Push(force, random.between(0.02, 0.15))
                }
                2 => Event::Clear,
                3 => Event::Hold,
                _ => {
                    events.push((at + random.between(0.1, 1.0), Event::Activate(true)));
                    Event::Activate(false)
                }
            };
            events.push((at, event));
        }
        events.sort_by(|a, b| a.0.total_cmp(&b.0));
        Self {
            start,
            faults,
            events,
        }
    }

    /// Returns true if a tendon is cut in it.
    pub fn cuts(&self) -> bool {
        self.faults.iter().any(|f| matches!(f.kind, Kind::Cut(_)))
    }

    /// Returns the start of the first fault.
    pub fn begin(&self) -> f64 {
        self.faults
            .iter()
            .map(|f| f.from)
            .fold(f64::INFINITY, f64::min)
    }

    /// Runs the sequence, observed from the first fault on.
    pub fn run(&self, seed: u64, starts: &[Start], trace: bool) -> Runs {
        let mut rig = starts[self.start].rig.clone();
        rig.seed(seed);
        rig.faults.clone_from(&self.faults);
        rig.events.clone_from(&self.events);
        rig.watch_from = self.begin();
        let (period, end) = (rig.joint.period, rig.time() + LENGTH);
        // Runs until the last cycle before `t`.
        let until = |rig: &mut Rig, t: f64| {
            let ticks = ((t - rig.time()) / period - 1e-6).floor().max(0.0);
            rig.run(ticks * period);
        };
        until(&mut rig, self.begin());
        let mut healthy = rig.clone();
        healthy.faults.clear();
        until(&mut healthy, end);
        rig.trace = trace;
        // The effect of a push grows with the bend: it is compared with held motors where it comes.
        let pushes = self.events.iter();
        let pushes = pushes.filter(|(at, e)| matches!(e, Event::Push(..)) && *at > self.begin());
        let mut begins: Vec<f64> = self.faults.iter().map(|f| f.from).collect();
        begins.extend(pushes.map(|(at, _)| *at));
        begins.sort_by(f64::total_cmp);
        let mut held: f64 = 0.0;
        for begin in begins {
            until(&mut rig, begin);
            let mut still = rig.clone();
            (still.motors_held_from, still.trace) = (still.time(), false);
            until(&mut still, end);
            held = held.max(still.seen.peak);
        }
        until(&mut rig, end);
        Runs {
            closed: rig.seen,
            held,
            healthy: healthy.seen,
        }
    }
}

/// Three runs from the first fault on.
#[derive(Clone, Debug)]
pub struct Runs {
    /// With the faults, the loop closed.
    pub closed: Seen,
    /// Greatest bend with the faults, the motors held still from the start of one of them or of a
    /// push on, rad.
    pub held: f64,
    /// Without the faults, the loop closed: the same commands and pushes.
    pub healthy: Seen,
}

impl Runs {
    /// Returns the greatest bend as a share of its bound.
    pub fn beyond(&self) -> f64 {
        let closed = &self.closed;
        closed.peak / self.held.max(closed.asked).max(self.healthy.peak)
    }

    /// Returns the missed bounds; the greatest bend may be `beyond` times its bound.
    pub fn wrong(&self, in_time: f64, beyond: f64) -> Vec<String> {
        let closed = &self.closed;
        let mut wrong = closed.wrong.clone();
        if !(self.beyond() <= beyond) {
            let [c, h, a, g] =
                [closed.peak, self.held, closed.asked, self.healthy.peak].map(f64::to_degrees);
            wrong.push(format!(
                "bends to {c:.1} deg; held still {h:.1}, asked {a:.1}, without faults {g:.1}"
            ));
        }
        let (longest, until) = closed.longest_unsafe;
        if !(longest <= in_time) {
            wrong.push(format!("not safe for {longest:.2} s until {until:.2} s"));
        }
        wrong
    }
}
