//! Metrics against limits: which pass, which fail, and by how much.

use super::{GazeFigures, MoveFigures, PayloadFigures, PushFigures, SetpointPeak, SwapFigures};

const DEG: f64 = std::f64::consts::PI / 180.0;

/// Limits for a joint that holds its poses.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bars {
    /// Maximum overshoot as a share of `|d|`; the larger of this and `overshoot_least` applies.
    pub overshoot_share: f64,
    /// Overshoot that is accepted for any move, rad.
    pub overshoot_least: f64,
    /// Maximum settling time into 5 % of `|d|`, s.
    pub settling: f64,
    /// Maximum mean error over the last half second, rad.
    pub error: f64,
    /// Maximum time to return within 0.3 deg after a payload was added, s.
    pub payload_back: f64,
    /// Maximum peak of a push over that with the motors stopped.
    pub push_ratio: f64,
    /// Maximum time to return within 1 deg after a push, s.
    pub push_back: f64,
    /// Maximum distance from the target at rest after a push, rad.
    pub push_rest: f64,
    /// Maximum share of a motor's limits for a setpoint. Just below 1: at 1 the limiter is active.
    pub setpoint_share: f64,
    /// Maximum bend moved in the 5 s after a swap at rest, rad.
    pub swap_moved: f64,
    /// Maximum deviation of the optical axis from a point, beyond the reported residual angle, rad.
    pub gaze: f64,
    /// Maximum angle between optical axis and a moving point, rad rms.
    pub gaze_moving: f64,
}

impl Default for Bars {
    /// Returns the limits of the demo's verdict.
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
    /// Returns the limits with the error limits doubled: for joints built with tolerances, whose
    /// IMU and motors cannot agree.
    pub fn errors_doubled(self) -> Self {
        Self {
            error: 2.0 * self.error,
            push_rest: 2.0 * self.push_rest,
            ..self
        }
    }

    /// Returns the overshoot accepted on a move of `distance` rad, rad.
    pub fn overshoot(&self, distance: f64) -> f64 {
        (self.overshoot_share * distance).max(self.overshoot_least)
    }
}

/// Unit of a metric, for display.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unit {
    /// Kept in rad, shown in deg.
    Angle,
    /// Time, s.
    Seconds,
    /// A share, shown in per cent.
    Share,
    /// A ratio, shown as a plain number.
    Ratio,
}

impl Unit {
    /// Returns the metric with its unit, for display; "never" for infinity, "none" for NaN.
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

/// One metric against its limit.
#[derive(Clone, Debug, PartialEq)]
pub struct Bar {
    /// Name of the metric.
    pub what: &'static str,
    /// Worst value; infinite where the condition was never met, NaN where nothing was tested.
    pub figure: f64,
    /// Maximum accepted value.
    pub limit: f64,
    /// Unit of both.
    pub unit: Unit,
    /// Place of the worst value.
    pub at: String,
}

impl Bar {
    /// Returns true if the metric is within its limit; false if it was not tested.
    pub fn good(&self) -> bool {
        self.figure <= self.limit
    }
}

/// All metrics against their limits.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Verdict {
    /// Metrics in the order of evaluation.
    pub bars: Vec<Bar>,
}

impl Verdict {
    /// Returns true if every metric is within its limit; false if there are none.
    pub fn good(&self) -> bool {
        !self.bars.is_empty() && self.bars.iter().all(Bar::good)
    }

    /// Evaluates the worst of `figures`, each a value with its own limit, by their ratio.
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
            // NaN counts as the worst value.
            let share = if share.is_nan() { f64::INFINITY } else { share };
            if share > worst {
                worst = share;
                (bar.figure, bar.limit, bar.at) = (figure, limit, at.to_string());
            }
        }
        self.bars.push(bar);
    }

    /// Evaluates the worst of one figure of `items`, which have one limit.
    fn most<'a, T: 'a>(
        &mut self,
        (what, unit, limit): (&'static str, Unit, f64),
        items: impl IntoIterator<Item = &'a (String, T)>,
        of: impl Fn(&T) -> f64,
    ) {
        let figures = items.into_iter();
        let figures = figures.map(|(at, item)| (at.as_str(), of(item), limit));
        self.judge(what, unit, limit, figures);
    }

    /// Evaluates moves, each with a description of its place.
    pub fn moves(mut self, bars: &Bars, moves: &[(String, MoveFigures)]) -> Self {
        let overshoots = moves.iter();
        let overshoots =
            overshoots.map(|(at, m)| (at.as_str(), m.overshoot, bars.overshoot(m.distance)));
        self.judge("overshoot", Unit::Angle, bars.overshoot_least, overshoots);
        let settling = ("within 5 % of the move", Unit::Seconds, bars.settling);
        self.most(settling, moves, |m| or_never(m.settling));
        let error = ("mean error, last half second", Unit::Angle, bars.error);
        self.most(error, moves, |m| m.error);
        self
    }

    /// Evaluates payloads added to held poses.
    pub fn payloads(mut self, bars: &Bars, payloads: &[(String, PayloadFigures)]) -> Self {
        let what = "payload set on: back within 0.3 deg";
        let back = (what, Unit::Seconds, bars.payload_back);
        self.most(back, payloads, |p| or_never(p.back));
        self
    }

    /// Evaluates pushes.
    pub fn pushes(mut self, bars: &Bars, pushes: &[(String, PushFigures)]) -> Self {
        let what = "push: peak over that with motors still";
        let peak = (what, Unit::Ratio, bars.push_ratio);
        self.most(peak, pushes, PushFigures::ratio);
        let back = ("push: back within 1 deg", Unit::Seconds, bars.push_back);
        self.most(back, pushes, |p| or_never(p.back));
        let what = "push: distance from target at rest";
        self.most((what, Unit::Angle, bars.push_rest), pushes, |p| p.rest);
        self
    }

    /// Evaluates swaps of gain sets at rest.
    pub fn swaps(mut self, bars: &Bars, swaps: &[(String, SwapFigures)]) -> Self {
        let what = "swap at rest: bend moved in 5 s";
        self.most((what, Unit::Angle, bars.swap_moved), swaps, |s| s.moved);
        self
    }

    /// Evaluates gazes at points.
    pub fn gazes(mut self, bars: &Bars, gazes: &[(String, GazeFigures)]) -> Self {
        let each = |moving: bool| gazes.iter().filter(move |(_, g)| g.moving == moving);
        let what = "gaze: axis to point, beyond the reported";
        let beyond = |g: &GazeFigures| (g.angle - g.told).abs();
        self.most((what, Unit::Angle, bars.gaze), each(false), beyond);
        let what = "gaze: axis to a moving point, rms";
        let rms = (what, Unit::Angle, bars.gaze_moving);
        self.most(rms, each(true), |g| g.angle);
        self
    }

    /// Evaluates the setpoints' peaks, of position and of speed.
    pub fn setpoints(mut self, bars: &Bars, peaks: &[(String, SetpointPeak)]) -> Self {
        let what = "setpoint peak, share of its limit";
        let share = (what, Unit::Share, bars.setpoint_share);
        self.most(share, peaks, SetpointPeak::share);
        self
    }
}

/// Returns a time, infinite if it never came.
fn or_never(time: Option<f64>) -> f64 {
    time.unwrap_or(f64::INFINITY)
}
