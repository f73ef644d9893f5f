//! The gaze act: the neck on a pan motor looks at things in the glasshouse.

use std::ffi::OsString;
use std::path::Path;

use nalgebra::Vector3;

use super::bed::{Failure, Length};
use super::children::{Act, Process, SIMULATED_TIME, end, lockstep, meet, visitor, wait};
use crate::cli::output;
use crate::cli::report::series;
use crate::control::gaze::{Camera, Outcome};
use crate::design::trial::{GazeFigures, LAST};
use crate::files::{JointFile, SimulatedFile};
use crate::report::{Align, Band, Figure, Panel, Stroke, Table};
use crate::ros::client::gaze_client::{GazeClient, HeadSample, Recorded};
use crate::ros::client::session::Keeps;
use crate::ros::client::{Nodes, ReportedTarget};

const JOINT: &str = concat!(
    env!("CARGO_MANIFEST_DIR"),
    "/config/glasshouse-neck-pan.yaml"
);
const SIMULATED: &str = concat!(
    env!("CARGO_MANIFEST_DIR"),
    "/config/glasshouse-neck-pan-simulated.yaml"
);
const ACT: Act = Act {
    name: "gaze",
    namespace: "gaze",
};

/// The camera head: mass, kg, and height of its centre, m. Invented numbers, as all in this file.
const PAYLOAD: (f64, f64) = (0.210, 0.050);

/// A thing to look at, in the base frame: distance from a point at the height of the head, m,
/// azimuth and elevation, deg.
struct Thing {
    name: &'static str,
    distance: f64,
    azimuth: f64,
    elevation: f64,
}

const HEAD_HEIGHT: f64 = 0.15;

const THINGS: [Thing; 8] = [
    thing("seed tray", 0.4, 20.0, -30.0),
    thing("fern frond", 0.4, -75.0, -18.0),
    thing("orchid", 1.5, 60.0, 22.0),
    thing("pond", 1.5, -140.0, -16.0),
    thing("label", 0.4, 110.0, 16.0),
    thing("vent", 2.5, 150.0, 30.0),
    // Beyond the inclination limit: the best possible pose.
    thing("roof window", 2.0, 30.0, 75.0),
    // Behind the camera in every configuration.
    thing("own base", HEAD_HEIGHT, 0.0, -90.0),
];

const fn thing(name: &'static str, distance: f64, azimuth: f64, elevation: f64) -> Thing {
    Thing {
        name,
        distance,
        azimuth,
        elevation,
    }
}

impl Thing {
    fn place(&self) -> Vector3<f64> {
        let (azimuth, elevation) = (self.azimuth.to_radians(), self.elevation.to_radians());
        let level = self.distance * elevation.cos();
        Vector3::new(
            level * azimuth.cos(),
            level * azimuth.sin(),
            HEAD_HEIGHT + self.distance * elevation.sin(),
        )
    }
}

/// The butterfly: radius 0.15 m, distance 1 m, below the head's height, 6 s per circle; published
/// 30 times a second.
const CIRCLE: (f64, f64, f64) = (0.15, 1.0, 6.0);
const STREAM_RATE: f64 = 30.0;
/// Duration of following and time from which the figure counts, s; by then the motion is estimated.
const FOLLOWED: f64 = 12.0;
const QUICK_FOLLOWED: f64 = 8.0;
const COUNTED: f64 = 4.0;

/// Minimum time for which each thing is looked at before it is judged, and maximum if it is not
/// held sooner, s.
const DWELL: f64 = 2.0;
const LONGEST_DWELL: f64 = 6.0;
/// Things in the short demo.
const QUICK: [usize; 3] = [0, 2, 6];
/// Bend from which the bar applies to reached targets, rad (5 deg).
const COUNTS_FROM: f64 = 0.0873;

/// Returns the angle between the true optical axis and the true line of sight over time, rad.
fn angles(
    looked: &Recorded,
    camera: &Camera,
    point: impl Fn(f64) -> Vector3<f64>,
) -> Vec<(f64, f64)> {
    let angle = |h: &HeadSample| {
        let eye = h.place + h.orientation * camera.position;
        let axis = h.orientation * camera.axis;
        (h.time, axis.angle(&(point(h.time) - eye)))
    };
    looked.heads.iter().map(angle).collect()
}

/// One thing looked at, times on the client's clock.
struct Look {
    begin: f64,
    end: f64,
    name: String,
    /// The true angle over time, rad.
    angles: Vec<(f64, f64)>,
}

/// The act and its results.
pub struct GazeAct {
    gaze_client: GazeClient,
    camera: Camera,
    processes: Vec<Process>,
    looks: Vec<Look>,
    /// Figures for the verdict.
    pub figures: Vec<(String, GazeFigures)>,
}

impl GazeAct {
    /// Starts the processes of the act and waits until they have discovered each other.
    ///
    /// # Errors
    /// A file that is not accepted, a ROS graph that cannot be used, or a process that ends.
    pub fn start(output: &Path) -> Result<Self, Failure> {
        let joint = JointFile::load(JOINT)?;
        let simulated = SimulatedFile::load(SIMULATED)?;
        let camera = joint.gazer.as_ref().map(|gazer| *gazer.camera());
        let camera = camera.ok_or(Failure::NoCamera(JOINT))?;
        let name = visitor(ACT.namespace);
        let nodes = Nodes {
            joint: ACT.full_name(&joint.name),
            simulated: ACT.full_name(&simulated.name),
            base_frame: joint.frames.base.clone(),
        };
        let pan = joint.pan_name.as_deref();
        let gaze_client = GazeClient::new(nodes, pan, &name, Keeps::Simulated)?;
        let mut simulate: Vec<OsString> = vec!["simulate".into(), SIMULATED.into()];
        simulate.extend(lockstep(&name));
        let run = vec!["run".into(), JOINT.into()];
        let mut act = Self {
            gaze_client,
            camera,
            processes: ACT.start(output, simulate, run, &SIMULATED_TIME)?,
            looks: Vec::new(),
            figures: Vec::new(),
        };
        let connection = &act.gaze_client.connection;
        let needs = act.gaze_client.subscribers();
        meet(connection.session(), &mut act.processes, needs)?;
        connection.bring_up()?;
        connection.set_payload(PAYLOAD.0, PAYLOAD.1)?;
        act.wait(1.5)?;
        Ok(act)
    }

    /// Ends its processes.
    pub fn end(&mut self) {
        let session = self.gaze_client.connection.session();
        end(session, &mut self.processes);
    }

    fn wait(&mut self, seconds: f64) -> Result<(), Failure> {
        let session = self.gaze_client.connection.session();
        wait(session, &mut self.processes, seconds)
    }

    fn now(&self) -> f64 {
        self.gaze_client.connection.now()
    }

    /// Looks at all things and prints the results.
    ///
    /// # Errors
    /// A failure of the ROS graph, or a process that ends.
    pub fn look(&mut self, length: Length) -> Result<(), Failure> {
        println!(
            "\n\
             The neck on a pan motor looks at things: camera head, {:.0} g; camera {:.0} mm off \
             the beam's axis. The angle is the true\n\
             one between the camera's optical axis and the line from the camera to the thing, \
             averaged over the last {LAST} s.\n",
            PAYLOAD.0 * 1e3,
            self.camera.position.xy().norm() * 1e3
        );
        let mut table = Table::new(&[
            ("thing", "", Align::Left),
            ("x", "m", Align::Right),
            ("y", "m", Align::Right),
            ("z", "m", Align::Right),
            ("reported", "", Align::Left),
            ("left over", "deg", Align::Right),
            ("bend", "deg", Align::Right),
            ("pan", "deg", Align::Right),
            ("true angle", "deg", Align::Right),
            ("settled", "s", Align::Right),
        ]);
        for (i, thing) in THINGS.iter().enumerate() {
            if length == Length::Quick && !QUICK.contains(&i) {
                continue;
            }
            let place = thing.place();
            let (figures, target) = self.look_at(thing.name, place)?;
            table.row([
                thing.name.into(),
                format!("{:.2}", place.x),
                format!("{:.2}", place.y),
                format!("{:.2}", place.z),
                target.outcome_words().into(),
                format!("{:.2}", target.residual_min.to_degrees()),
                format!("{:.1}", target.bend.to_degrees()),
                format!("{:.1}", target.pan.to_degrees()),
                format!("{:.2}", figures.angle.to_degrees()),
                format!("{:.2}", figures.arrived),
            ]);
            // A thing straight ahead needs no bend and so does not test the beam. One out of reach
            // is so close behind the camera that a millimetre of position is a degree.
            let counts = match target.outcome {
                Outcome::Reached => target.bend >= COUNTS_FROM,
                Outcome::BestPossible => true,
                Outcome::OutOfReach => false,
            };
            if counts {
                self.figures.push((thing.name.into(), figures));
            }
        }
        print!("{}", output::fitted(&table));
        self.follow(match length {
            Length::Whole => FOLLOWED,
            Length::Quick => QUICK_FOLLOWED,
        })
    }

    fn look_at(
        &mut self,
        name: &'static str,
        place: Vector3<f64>,
    ) -> Result<(GazeFigures, ReportedTarget), Failure> {
        let before = self
            .gaze_client
            .recorded(|r| r.target.as_ref().map(|t| t.command));
        let sent = self.gaze_client.look_at(place)?;
        self.wait(DWELL)?;
        // The pan takes longer if it has to turn the long way round. Looks are at fixed simulated
        // times, so that all runs are alike.
        while !self.gaze_client.recorded(|r| r.settled) && self.now() < sent + LONGEST_DWELL {
            self.wait(0.1)?;
        }
        self.wait(LAST)?;
        let end = self.now();
        let camera = self.camera;
        let (angles, target) = self
            .gaze_client
            .recorded(|r| (angles(r, &camera, |_| place), r.target.clone()));
        let target = target.filter(|target| Some(target.command) != before);
        let target = target.ok_or(Failure::NoTargetState(name))?;
        let figures = GazeFigures::score(&angles, target.residual_min, false, sent, end)?;
        self.keep(name, sent, end, &angles);
        Ok((figures, target))
    }

    fn keep(&mut self, name: &str, begin: f64, end: f64, angles: &[(f64, f64)]) {
        let within = |a: &&(f64, f64)| (begin..=end).contains(&a.0);
        self.looks.push(Look {
            begin,
            end,
            name: name.into(),
            angles: angles.iter().filter(within).copied().collect(),
        });
    }

    /// Follows the butterfly for `seconds`.
    fn follow(&mut self, seconds: f64) -> Result<(), Failure> {
        let (radius, distance, turn) = CIRCLE;
        let begin = self.now();
        let place = move |time: f64| {
            let phase = std::f64::consts::TAU * (time - begin) / turn;
            let (sine, cosine) = phase.sin_cos();
            Vector3::new(
                distance,
                radius * sine,
                HEAD_HEIGHT - 0.25 + radius * cosine,
            )
        };
        let mut next = begin;
        while self.now() < begin + seconds {
            self.gaze_client.look_at(place(self.now()))?;
            next += 1.0 / STREAM_RATE;
            let left = next - self.now();
            self.wait(left.max(0.0))?;
        }
        let end = self.now();
        let camera = self.camera;
        let angles = self.gaze_client.recorded(|r| angles(r, &camera, place));
        let figures = GazeFigures::score(&angles, 0.0, true, begin + COUNTED, end)?;
        let counted = angles
            .iter()
            .filter(|a| (begin + COUNTED..=end).contains(&a.0));
        let peak = counted.map(|a| a.1).fold(0.0, f64::max);
        println!(
            "\n\
             butterfly on circles of {radius} m at {distance} m, one in {turn:.0} s, sent \
             {STREAM_RATE:.0} times a second: true angle {:.2} deg rms, {:.2} deg at most (from \
             {COUNTED:.0} s on)",
            figures.angle.to_degrees(),
            peak.to_degrees()
        );
        self.keep("butterfly", begin, end, &angles);
        self.figures.push(("butterfly".into(), figures));
        Ok(())
    }

    /// Returns a figure of the angles and the pan over time.
    pub fn picture(&self) -> Figure {
        let start = self.looks.first().map_or(0.0, |l| l.begin);
        let end = self.looks.last().map_or(start, |l| l.end);
        let mut points = Vec::new();
        for look in &self.looks {
            let angles = look.angles.iter();
            points.extend(angles.map(|a| (a.0 - start, a.1.to_degrees())));
            points.push((look.end - start, f64::NAN));
        }
        let (pans, bends) = self.gaze_client.recorded(|r| {
            let within = |time: f64| (start..=end).contains(&time);
            let pans = r.pans.iter().filter(|p| within(p.0));
            let pans: Vec<_> = pans.map(|p| (p.0 - start, p.1.to_degrees())).collect();
            let heads = r.heads.iter().filter(|h| within(h.time));
            let lean = |h: &HeadSample| {
                let normal = h.orientation * Vector3::z();
                (h.time - start, normal.angle(&Vector3::z()).to_degrees())
            };
            (pans, heads.map(lean).collect::<Vec<_>>())
        });
        let panel =
            |label: &str, points| Panel::new(label, vec![series("true", Stroke::TRUE, points)]);
        Figure {
            title: "The glasshouse guide's neck looks at things".into(),
            x_label: "time, s".into(),
            span: (0.0, end - start),
            panels: vec![
                panel("optical axis to line of sight, deg", points),
                panel("inclination, deg", bends),
                panel("pan, deg", pans),
            ],
            bands: self
                .looks
                .iter()
                .map(|l| Band {
                    from: l.begin - start,
                    to: l.end - start,
                    label: l.name.clone(),
                })
                .collect(),
            ..Figure::default()
        }
    }
}
