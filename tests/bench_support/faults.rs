//! Faults, and the wire that applies them to messages.

use super::Random;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stream {
    Motors,
    Head,
    Base,
    Command,
}

/// A message with its numbers: motor angles; an orientation (x, y, z, w) and an angular velocity;
/// an orientation.
#[derive(Clone, Debug, PartialEq)]
pub struct Message {
    pub stream: Stream,
    /// Time on the loop's clock, s.
    pub stamp: f64,
    pub numbers: Vec<f64>,
    /// Names of the motors.
    pub names: Vec<String>,
}

impl Message {
    pub fn new(stream: Stream, stamp: f64, numbers: Vec<f64>, names: &[String]) -> Self {
        Self {
            stream,
            stamp,
            numbers,
            names: names.to_vec(),
        }
    }
}

/// Faults; shares are of a stream's messages, times in s.
#[derive(Clone, Debug, PartialEq)]
pub enum Kind {
    Silent(Stream),
    Dropped(Stream, f64),
    /// Later by this time.
    Late(Stream, f64),
    /// A second copy, a little later.
    Doubled(Stream),
    /// Later by up to this time, so that they overtake each other.
    Shuffled(Stream, f64),
    /// One bit of one number, or of the stamp, is flipped.
    Flipped(Stream, f64),
    Nan(Stream, f64),
    Wild(Stream, f64),
    /// A number too few or too many, a motor twice.
    Missized(Stream, f64),
    /// Goes on with the same numbers; for motors those with their bit set.
    Frozen(Stream, u64),
    /// One motor's encoder is left out.
    Unnamed(usize),
    /// The sensor's clock steps ahead by this time, or back.
    ClockStep(Stream, f64),
    /// A motor jams.
    Stalled(usize),
    Cut(usize),
    /// No control cycles.
    LoopStall,
    /// The loop's time jumps ahead by this time.
    LoopStep(f64),
    /// Simulated time jumps back.
    TimeJump,
}

/// In force from `from` until `until`, machine time, s.
#[derive(Clone, Debug, PartialEq)]
pub struct Fault {
    pub kind: Kind,
    pub from: f64,
    pub until: f64,
}

impl Fault {
    pub fn active(&self, t: f64) -> bool {
        self.from <= t && t < self.until
    }
}

/// Wild values in place of a number.
const WILD: [f64; 14] = [
    0.0,
    -0.0,
    1.0,
    -1.0,
    7.0,
    -40.0,
    99.0,
    9999.0,
    -1e4,
    1e9,
    1e308,
    f64::INFINITY,
    f64::NEG_INFINITY,
    5e-324,
];

/// Messages on their way.
#[derive(Clone, Debug)]
pub struct Wire {
    random: Random,
    count: u64,
    /// Arrival in machine time, then sequence, of each message.
    way: Vec<(f64, u64, Message)>,
    /// The last numbers of each stream that were sent.
    last: [Vec<f64>; 4],
}

impl Wire {
    pub fn new(seed: u64) -> Self {
        Self {
            random: Random(seed),
            count: 0,
            way: Vec::new(),
            last: Default::default(),
        }
    }

    /// Sends a message at machine time `t`, with the faults in force then.
    pub fn send(&mut self, mut message: Message, t: f64, faults: &[Fault]) {
        let stream = message.stream;
        let (mut delay, mut copies, mut frozen) = (0.0, 1, 0);
        let random = &mut self.random;
        // Another fault may have left no number.
        let some = |message: &Message| !message.numbers.is_empty();
        for fault in faults.iter().filter(|f| f.active(t)) {
            match fault.kind {
                Kind::Silent(s) if s == stream => copies = 0,
                Kind::Dropped(s, share) if s == stream && random.chance(share) => copies = 0,
                Kind::Late(s, by) if s == stream => delay += by,
                Kind::Doubled(s) if s == stream => copies *= 2,
                Kind::Shuffled(s, by) if s == stream => delay += random.between(0.0, by),
                Kind::Flipped(s, share) if s == stream && random.chance(share) => {
                    flip(&mut message, random);
                }
                Kind::Nan(s, share) if s == stream && random.chance(share) && some(&message) => {
                    let at = random.below(message.numbers.len());
                    message.numbers[at] = f64::NAN;
                }
                Kind::Wild(s, share) if s == stream && random.chance(share) && some(&message) => {
                    let at = random.below(message.numbers.len());
                    message.numbers[at] = WILD[random.below(WILD.len())];
                }
                Kind::Missized(s, share) if s == stream && random.chance(share) => {
                    missize(&mut message, random);
                }
                Kind::Frozen(s, which) if s == stream => frozen |= which,
                Kind::Unnamed(motor) if stream == Stream::Motors => {
                    // Foreign names belong to no motor.
                    if let Some(name) = message.names.get_mut(motor) {
                        *name = "elsewhere".into();
                    }
                }
                Kind::ClockStep(s, by) if s == stream => message.stamp += by,
                _ => {}
            }
        }
        let last = &mut self.last[stream as usize];
        for (i, number) in message.numbers.iter_mut().enumerate() {
            let stands = match stream {
                Stream::Motors => frozen & (1 << i) != 0,
                _ => frozen != 0,
            };
            match last.get(i) {
                Some(old) if stands => *number = *old,
                _ => {}
            }
        }
        last.clone_from(&message.numbers);
        for copy in 0..copies {
            self.count += 1;
            let later = f64::from(copy) * self.random.between(0.0, 0.02);
            let arrives = t + delay + later;
            self.way.push((arrives, self.count, message.clone()));
        }
    }

    /// Returns the messages that have arrived by machine time `t`, in order.
    pub fn arrived(&mut self, t: f64) -> Vec<Message> {
        let (mut here, on) = std::mem::take(&mut self.way)
            .into_iter()
            .partition::<Vec<_>, _>(|(arrives, ..)| *arrives <= t + 1e-9);
        self.way = on;
        here.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        here.into_iter().map(|(_, _, message)| message).collect()
    }
}

fn flip(message: &mut Message, random: &mut Random) {
    let at = random.below(message.numbers.len() + 1);
    match message.numbers.get_mut(at) {
        Some(number) => *number = f64::from_bits(number.to_bits() ^ (1 << random.below(64))),
        // Stamps are whole nanoseconds.
        None => {
            let flipped = (message.stamp * 1e9) as i64 ^ (1 << random.below(63));
            message.stamp = flipped as f64 / 1e9;
        }
    }
}

fn missize(message: &mut Message, random: &mut Random) {
    match random.below(4) {
        0 => drop(message.numbers.pop()),
        1 => message.numbers.push(0.1),
        2 => message.numbers.clear(),
        _ => match (message.names.first().cloned(), message.names.last_mut()) {
            (Some(first), Some(last)) => *last = first,
            _ => message.numbers.fill(0.0),
        },
    }
}
