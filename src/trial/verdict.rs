//! Figures against bars: what passes, what does not, and by how much.

use super::{GazeFigures, MoveFigures, PayloadFigures, PushFigures, SetpointPeak, SwapFigures};

const DEG: f64 = std::f64::consts::PI / 180.0;

/// What a joint that holds its poses must do.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bars {
    /// Overshoot as a share of `|d|`; the larger of this and `overshoot_least` holds.
    pub overshoot_share: f64,
    /// Overshoot that is accepted whatever the move, rad.
    pub overshoot_least: f64,
    /// Settling time into 5 % of `|d|`, s.
    pub settling: f64,
    /// Mean error over the last half second, rad.
    pub error: f64,
    /// Time back within 0.3 deg after a payload was set on, s.
    pub payload_back: f64,
    /// Peak of a push over that with the motors held still.
    pub push_ratio: f64,
    /// Time back within 1 deg after a push, s.
    pub push_back: f64,
    /// Greatest distance from the target at rest after a push, rad.
    pub push_rest: f64,
    /// Greatest share of a motor's limits that a setpoint may reach. Just below 1: at 1 the limiter is at work.
    pub setpoint_share: f64,
    /// Bend moved in the 5 s after a swap at rest, rad.
    pub swap_moved: f64,
    /// Departure of the optical axis from a point looked at, beyond what was told to be left over, rad.
    pub gaze: f64,
    /// Angle between optical axis and a moving point, rad rms.
    pub gaze_moving: f64,
}

impl Default for Bars {
    /// The bars of the demo's verdict.
    fn default() -> Self {
        Self {
            overshoot_share: 0.025,
            overshoot_least: 0.2 * DEG,
            settling: 0.8,
            error: 0.1 * DEG,
            payload_back: 1.0,
            push_ratio: 1.15,
            push_back: 2.0,
            push_rest: 0.1 * DEG,
            setpoint_share: 0.999,
            swap_moved: 0.1 * DEG,
            gaze: 0.5 * DEG,
            gaze_moving: 1.0 * DEG,
        }
    }
}

impl Bars {
    /// The same with errors at most doubled: for joints built with tolerances, whose IMU and motors cannot agree.
    pub fn errors_doubled(self) -> Self {
        Self {
            error: 2.0 * self.error,
            push_rest: 2.0 * self.push_rest,
            ..self
        }
    }

    /// Overshoot accepted on a move of `distance` rad, rad.
    pub fn overshoot(&self, distance: f64) -> f64 {
        (self.overshoot_share * distance).max(self.overshoot_least)
    }
}

/// What a figure is in, for showing it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unit {
    /// Kept in rad, shown in deg.
    Angle,
    /// s
    Seconds,
    /// A share, shown in per cent.
    Share,
    /// A ratio, shown as it is.
    Ratio,
}

impl Unit {
    /// The figure with its unit, for people; `never` where there is none.
    pub fn show(self, figure: f64) -> String {
        if figure.is_nan() {
            return "none".into();
        }
        if figure.is_infinite() {
            return "never".into();
        }
        match self {
            Self::Angle => format!("{:.3} deg", figure / DEG),
            Self::Seconds => format!("{figure:.2} s"),
            Self::Share => format!("{:.1} %", 100.0 * figure),
            Self::Ratio => format!("{figure:.2}"),
        }
    }
}

/// One figure against its bar.
#[derive(Clone, Debug, PartialEq)]
pub struct Bar {
    /// What is judged.
    pub what: &'static str,
    /// The worst figure; infinite where it never happened, NaN where nothing was tried.
    pub figure: f64,
    /// Greatest figure accepted.
    pub limit: f64,
    /// Unit of both.
    pub unit: Unit,
    /// Where the worst was seen.
    pub at: String,
}

impl Bar {
    /// Whether the figure is within its bar. What was not tried is not.
    pub fn good(&self) -> bool {
        self.figure <= self.limit
    }
}

/// All figures against their bars.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Verdict {
    /// In the order in which they were judged.
    pub bars: Vec<Bar>,
}

impl Verdict {
    /// Whether every figure is within its bar; false where nothing was judged.
    pub fn good(&self) -> bool {
        !self.bars.is_empty() && self.bars.iter().all(Bar::good)
    }

    /// Judges the worst of `figures`, each a figure with its own limit, by their ratio.
    fn judge<'a>(
        &mut self,
        what: &'static str,
        unit: Unit,
        limit: f64,
        figures: impl Iterator<Item = (&'a str, f64, f64)>,
    ) {
        let mut bar = Bar {
            what,
            figure: f64::NAN,
            limit,
            unit,
            at: String::new(),
        };
        let mut worst = f64::NEG_INFINITY;
        for (at, figure, limit) in figures {
            let share = figure / limit;
            // A figure that is no number is the worst there is.
            let share = if share.is_nan() { f64::INFINITY } else { share };
            if share > worst {
                worst = share;
                (bar.figure, bar.limit, bar.at) = (figure, limit, at.to_string());
            }
        }
        self.bars.push(bar);
    }

    /// Judges moves, each with the words that tell where it was.
    pub fn moves(mut self, bars: &Bars, moves: &[(String, MoveFigures)]) -> Self {
        let each = || moves.iter().map(|(at, m)| (at.as_str(), m));
        self.judge(
            "overshoot",
            Unit::Angle,
            bars.overshoot_least,
            each().map(|(at, m)| (at, m.overshoot, bars.overshoot(m.distance))),
        );
        self.judge(
            "within 5 % of the move",
            Unit::Seconds,
            bars.settling,
            each().map(|(at, m)| (at, m.settling.unwrap_or(f64::INFINITY), bars.settling)),
        );
        self.judge(
            "mean error, last half second",
            Unit::Angle,
            bars.error,
            each().map(|(at, m)| (at, m.error, bars.error)),
        );
        self
    }

    /// Judges payloads set on held poses.
    pub fn payloads(mut self, bars: &Bars, payloads: &[(String, PayloadFigures)]) -> Self {
        let each = payloads.iter();
        self.judge(
            "payload set on: back within 0.3 deg",
            Unit::Seconds,
            bars.payload_back,
            each.map(|(at, p)| {
                let back = p.back.unwrap_or(f64::INFINITY);
                (at.as_str(), back, bars.payload_back)
            }),
        );
        self
    }

    /// Judges pushes.
    pub fn pushes(mut self, bars: &Bars, pushes: &[(String, PushFigures)]) -> Self {
        let each = || pushes.iter().map(|(at, p)| (at.as_str(), p));
        self.judge(
            "push: peak over that with motors still",
            Unit::Ratio,
            bars.push_ratio,
            each().map(|(at, p)| (at, p.ratio(), bars.push_ratio)),
        );
        self.judge(
            "push: back within 1 deg",
            Unit::Seconds,
            bars.push_back,
            each().map(|(at, p)| (at, p.back.unwrap_or(f64::INFINITY), bars.push_back)),
        );
        self.judge(
            "push: distance from target at rest",
            Unit::Angle,
            bars.push_rest,
            each().map(|(at, p)| (at, p.rest, bars.push_rest)),
        );
        self
    }

    /// Judges swaps of gain sets at rest.
    pub fn swaps(mut self, bars: &Bars, swaps: &[(String, SwapFigures)]) -> Self {
        self.judge(
            "swap at rest: bend moved in 5 s",
            Unit::Angle,
            bars.swap_moved,
            swaps
                .iter()
                .map(|(at, s)| (at.as_str(), s.moved, bars.swap_moved)),
        );
        self
    }

    /// Judges points looked at.
    pub fn gazes(mut self, bars: &Bars, gazes: &[(String, GazeFigures)]) -> Self {
        let each = |moving: bool| {
            let of = gazes.iter().filter(move |(_, g)| g.moving == moving);
            of.map(|(at, g)| (at.as_str(), g))
        };
        self.judge(
            "gaze: axis to point, beyond what was told",
            Unit::Angle,
            bars.gaze,
            each(false).map(|(at, g)| (at, (g.angle - g.told).abs(), bars.gaze)),
        );
        self.judge(
            "gaze: axis to a moving point, rms",
            Unit::Angle,
            bars.gaze_moving,
            each(true).map(|(at, g)| (at, g.angle, bars.gaze_moving)),
        );
        self
    }

    /// Judges the setpoints' peaks, of travel and of speed.
    pub fn setpoints(mut self, bars: &Bars, peaks: &[(String, SetpointPeak)]) -> Self {
        self.judge(
            "setpoint peak, share of its limit",
            Unit::Share,
            bars.setpoint_share,
            peaks
                .iter()
                .map(|(at, p)| (at.as_str(), p.share(), bars.setpoint_share)),
        );
        self
    }
}
