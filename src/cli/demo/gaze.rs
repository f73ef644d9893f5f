//! The gaze act: the neck on a pan motor looks at things in the glasshouse.

use std::ffi::OsString;
use std::path::Path;

use nalgebra::Vector3;

use super::bed::{Failure, full_name};
use super::children::{Process, SIMULATED_TIME, connect, end, lockstep, visitor, wait};
use crate::cli::output;
use crate::control::gaze::Camera;
use crate::design::trial::{GazeFigures, LAST};
use crate::files::{JointFile, SimulatedFile};
use crate::report::{Align, Band, Figure, Panel, Series, Stroke, Table};
use crate::ros::client::gaze_client::{GazeClient, Recorded, TargetWords};
use crate::ros::client::session::Keeps;

const JOINT: &str = concat!(
    env!("CARGO_MANIFEST_DIR"),
    "/config/glasshouse-neck-pan.yaml"
);
const SIMULATED: &str = concat!(
    env!("CARGO_MANIFEST_DIR"),
    "/config/glasshouse-neck-pan-simulated.yaml"
);
/// Namespace of this act; the first act's names are free again only when the ROS graph has dropped
/// them.
const NAMESPACE: &str = "/gaze";

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
    let angle = |h: &crate::ros::client::gaze_client::HeadSample| {
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
        let other = |e: &dyn std::fmt::Display| Failure::Other(e.to_string());
        let joint = JointFile::load(JOINT).map_err(|e| other(&e))?;
        let simulated = SimulatedFile::load(SIMULATED).map_err(|e| other(&e))?;
        let camera = joint.gazer.as_ref().map(|gazer| *gazer.camera());
        let camera = camera.ok_or_else(|| Failure::Other(format!("{JOINT} has no camera")))?;
        let name = visitor("gaze");
        let gaze_client = GazeClient::new(
            &full_name(NAMESPACE, &joint.name),
            &full_name(NAMESPACE, &simulated.name),
            &joint.frames.base,
            joint.pan_name.as_deref(),
            &name,
            Keeps::Simulated,
        );
        let gaze_client = gaze_client.map_err(|e| other(&e))?;
        let into = ["--ros-args", "-r", "__ns:=/gaze"].map(OsString::from);
        let words = |command: &str, file: &str, more: Vec<OsString>| {
            let own = [OsString::from(command), file.into()];
            let own = own.into_iter().chain(more);
            own.chain(into.clone()).collect::<Vec<_>>()
        };
        let log = |name: &str| output.join(name);
        let world = Process::start(
            "the simulated joint of the gaze act",
            words("simulate", SIMULATED, lockstep(&name)),
            &log("demo-gaze-simulated-joint.log"),
        );
        let node = Process::start(
            "the node of the gaze act",
            words("run", JOINT, Vec::new())
                .into_iter()
                .chain(SIMULATED_TIME.map(OsString::from)),
            &log("demo-gaze-node.log"),
        );
        let mut act = Self {
            gaze_client,
            camera,
            // The node ends first, because it brings the joint to rest.
            processes: vec![
                node.map_err(Failure::Other)?,
                world.map_err(Failure::Other)?,
            ],
            looks: Vec::new(),
            figures: Vec::new(),
        };
        let gaze_client = &act.gaze_client;
        connect(gaze_client.session(), &mut act.processes, || {
            gaze_client.unheard()
        })?;
        gaze_client.bring_up()?;
        act.gaze_client.set_payload(PAYLOAD.0, PAYLOAD.1)?;
        act.wait(1.5)?;
        Ok(act)
    }

    /// Ends its processes.
    pub fn end(&mut self) {
        end(self.gaze_client.session(), &mut self.processes);
    }

    fn wait(&mut self, seconds: f64) -> Result<(), Failure> {
        wait(self.gaze_client.session(), &mut self.processes, seconds)
    }

    /// Looks at all things and prints the results.
    ///
    /// # Errors
    /// A failure of the ROS graph, or a process that ends.
    pub fn look(&mut self, quick: bool) -> Result<(), Failure> {
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
            if quick && !QUICK.contains(&i) {
                continue;
            }
            let place = thing.place();
            let (figures, words) = self.look_at(thing.name, place)?;
            table.row([
                thing.name.into(),
                format!("{:.2}", place.x),
                format!("{:.2}", place.y),
                format!("{:.2}", place.z),
                words.outcome.clone(),
                format!("{:.2}", words.left_over.to_degrees()),
                format!("{:.1}", words.bend.to_degrees()),
                format!("{:.1}", words.pan.to_degrees()),
                format!("{:.2}", figures.angle.to_degrees()),
                format!("{:.2}", figures.arrived),
            ]);
            // A thing straight ahead needs no bend and so does not test the beam. One out of reach
            // is so close behind the camera that a millimetre of position is a degree.
            let counts = match words.outcome.as_str() {
                "reached" => words.bend >= COUNTS_FROM,
                outcome => outcome == "best possible",
            };
            if counts {
                self.figures.push((thing.name.into(), figures));
            }
        }
        print!("{}", output::fitted(&table));
        self.follow(if quick { QUICK_FOLLOWED } else { FOLLOWED })
    }

    fn look_at(
        &mut self,
        name: &str,
        place: Vector3<f64>,
    ) -> Result<(GazeFigures, TargetWords), Failure> {
        let before = self
            .gaze_client
            .recorded(|r| r.target.as_ref().map(|t| t.command));
        let sent = self.gaze_client.look_at(place)?;
        self.wait(DWELL)?;
        // The pan takes longer if it has to turn the long way round.
        while !self.gaze_client.recorded(|r| r.settled)
            && self.gaze_client.now() < sent + LONGEST_DWELL
        {
            self.wait(0.1)?;
        }
        self.wait(LAST)?;
        let end = self.gaze_client.now();
        let camera = self.camera;
        let (angles, words) = self
            .gaze_client
            .recorded(|r| (angles(r, &camera, |_| place), r.target.clone()));
        let words = words.filter(|w| Some(w.command) != before);
        let words = words.ok_or_else(|| {
            Failure::Other(format!(
                "the node does not report a target state for the {name}"
            ))
        })?;
        let figures = GazeFigures::score(&angles, words.left_over, false, sent, end)?;
        self.keep(name, sent, end, &angles);
        Ok((figures, words))
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
        let begin = self.gaze_client.now();
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
        while self.gaze_client.now() < begin + seconds {
            self.gaze_client.look_at(place(self.gaze_client.now()))?;
            next += 1.0 / STREAM_RATE;
            let left = next - self.gaze_client.now();
            self.wait(left.max(0.0))?;
        }
        let end = self.gaze_client.now();
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
            let lean = |h: &crate::ros::client::gaze_client::HeadSample| {
                let normal = h.orientation * Vector3::z();
                (h.time - start, normal.angle(&Vector3::z()).to_degrees())
            };
            (pans, heads.map(lean).collect::<Vec<_>>())
        });
        let panel = |label: &str, points| Panel {
            label: label.into(),
            height: 1.0,
            series: vec![Series {
                name: "true".into(),
                stroke: Stroke::TRUE,
                points,
            }],
            ..Panel::default()
        };
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
