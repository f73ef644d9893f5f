//! Transform buffer: a tree of coordinate frames with stamped transforms.
//!
//! Each frame has at most one parent, so the frames form trees with at most one path from one frame
//! to another (REP 105). The transform of a frame is its pose in its parent: it maps coordinates in
//! the frame to coordinates in the parent, position in m. Several trees may exist until a transform
//! joins them.
//!
//! A transform is *fixed* and valid at all times, or *moving*. For a moving one the buffer keeps a
//! history and looks up any time inside it, never one outside. Between two samples the position is
//! linear in time. The orientation turns at a constant rate about one axis by the smaller angle
//! (slerp: Shoemake 1985, Animating rotation with quaternion curves, from memory). At exactly half
//! a turn both directions are equal; either is taken.
//!
//! Time is in s, on the clock of the caller's stamps. Seconds since 1970 leave an `f64` a
//! resolution of 0.24 us.
//!
//! # Bounds
//! At most [`MOST_FRAMES`] frames of [`MOST_SAMPLES`] samples (64 bytes each), whatever the input:
//! 256 MB. A lookup visits each frame on the path a few times, searches its history by bisection,
//! and allocates nothing but the names in an error. An insertion may allocate, and move up to
//! [`MOST_SAMPLES`] samples: the buffer is not for the real-time thread.

use nalgebra::{Isometry3, UnitQuaternion, Vector3};
use std::collections::{HashMap, VecDeque};
use std::fmt;
use std::iter::successors;
use thiserror::Error;

/// Max number of frames, including those known only as a parent.
pub const MOST_FRAMES: usize = 2000;

/// Max number of samples in the history of one frame.
pub const MOST_SAMPLES: usize = 2000;

/// Max length of a history, s.
pub const LONGEST_KEEP: f64 = 3600.0;

/// Max length of a frame name, bytes.
pub const LONGEST_NAME: usize = 255;

/// Max coordinate of a transform, m. Sums over the max number of frames stay finite.
pub const FARTHEST: f64 = 1e9;

/// Max deviation of the norm of a quaternion from 1.
pub const NORM_WITHIN: f64 = 1e-6;

/// Frames and the transforms between them.
#[derive(Clone, Debug)]
pub struct TransformBuffer {
    keep: f64,
    /// Indices in `frames` by name.
    places: HashMap<String, usize>,
    frames: Vec<Frame>,
}

#[derive(Clone, Debug)]
struct Frame {
    name: String,
    /// `None`: a root.
    link: Option<Link>,
}

/// Connection of a frame to its parent.
#[derive(Clone, Debug)]
struct Link {
    /// Index of the parent. `insert` ensures that no upward path returns.
    parent: usize,
    fixed: bool,
    /// Oldest first, stamps increasing; never empty. One sample if fixed.
    history: VecDeque<Sample>,
}

#[derive(Clone, Copy, Debug)]
struct Sample {
    stamp: f64,
    pose: Isometry3<f64>,
}

/// Time of a lookup.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum At {
    /// This time, s.
    Time(f64),
    /// The newest time that every moving transform on the path has reached.
    Newest,
}

/// Result of a lookup.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Found {
    /// Pose of the source frame in the target frame, m: maps source to target coordinates.
    pub transform: Isometry3<f64>,
    /// Time of the transform, s: the requested or the newest one. Infinite if the newest is
    /// requested and every transform on the path is fixed.
    pub stamp: f64,
    /// True if any transform on the path is moving.
    pub moving: bool,
}

/// Formats a number for a message, without hundreds of digits.
fn short(value: f64) -> String {
    if value.abs() < 1e12 {
        value.to_string()
    } else {
        format!("{value:e}")
    }
}

/// Reason why a transform is refused. The buffer does not change.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum InsertError {
    /// A frame without a name.
    #[error(
        "a transform from {child:?} to parent {parent:?} has an empty name, or one that is not UTF-8; \
         accepted: two names"
    )]
    NoName {
        /// The child given, without leading '/'.
        child: String,
        /// The parent given, without leading '/'.
        parent: String,
    },
    /// A name that is too long.
    #[error(
        "the name of a frame has {bytes} bytes; accepted: at most {}",
        LONGEST_NAME
    )]
    LongName {
        /// Length given, bytes.
        bytes: usize,
    },
    /// A frame as its own parent.
    #[error("frame {frame:?} is given as its own parent; accepted: another frame")]
    OwnParent {
        /// The frame.
        frame: String,
    },
    /// A position that is not finite or too far.
    #[error(
        "the transform of frame {child:?} has position [{}, {}, {}] m; accepted: at most {:e} m \
         each way",
        short(position.x), short(position.y), short(position.z), FARTHEST
    )]
    Position {
        /// The frame.
        child: String,
        /// The position given, m.
        position: Vector3<f64>,
    },
    /// A quaternion that is not of unit norm.
    #[error(
        "the transform of frame {child:?} has a quaternion of norm {norm}; accepted: 1 within {:e}",
        NORM_WITHIN
    )]
    Orientation {
        /// The frame.
        child: String,
        /// Norm of the quaternion given.
        norm: f64,
    },
    /// A stamp that is not finite.
    #[error("the transform of frame {child:?} is stamped {stamp} s; accepted: a finite number")]
    Stamp {
        /// The frame.
        child: String,
        /// The stamp given, s.
        stamp: f64,
    },
    /// A parent that is a descendant of the frame itself.
    #[error("frame {child:?} cannot have parent {parent:?}, which is below it; accepted: a tree")]
    Loop {
        /// The frame.
        child: String,
        /// The parent given.
        parent: String,
    },
    /// A stamp before the history, or with a new parent before the newest sample.
    #[error(
        "the transform of frame {child:?} is {} s older than its newest; accepted: at most {} s",
        Seconds(newest - stamp), Seconds(*most)
    )]
    TooOld {
        /// The frame.
        child: String,
        /// Stamp of the frame's newest sample, s.
        newest: f64,
        /// The stamp given, s.
        stamp: f64,
        /// Max time by which a stamp may be older than the newest, s.
        most: f64,
    },
    /// More frames than the buffer holds.
    #[error(
        "frame {child:?} with parent {parent:?} would be one too many; accepted: {} frames",
        MOST_FRAMES
    )]
    Full {
        /// The frame.
        child: String,
        /// The parent given.
        parent: String,
    },
}

/// Reason why a lookup fails.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum LookupError {
    /// No transform has named this frame.
    #[error("frame {frame:?} is not known")]
    Unknown {
        /// The frame.
        frame: String,
    },
    /// Two known frames of different trees.
    #[error("frame {source_frame:?} is not connected to frame {target_frame:?}")]
    NotConnected {
        /// The frame to map from.
        source_frame: String,
        /// The frame to map to.
        target_frame: String,
    },
    /// A time before the history of a frame on the path; of several frames, the one whose history
    /// starts last.
    #[error("the requested time is {} s before the oldest transform of frame \
             {frame:?}", Seconds(oldest - asked))]
    TooOld {
        /// The frame.
        frame: String,
        /// Stamp of its oldest sample, s.
        oldest: f64,
        /// The requested time, s.
        asked: f64,
    },
    /// A time after the newest sample of a frame on the path; of several frames, the one whose
    /// history ends first.
    #[error("the requested time is {} s after the newest transform of frame \
             {frame:?}", Seconds(asked - newest))]
    TooNew {
        /// The frame.
        frame: String,
        /// Stamp of its newest sample, s.
        newest: f64,
        /// The requested time, s.
        asked: f64,
    },
    /// A time that is not finite.
    #[error("the requested time is {asked} s; accepted: a finite number")]
    NoTime {
        /// The requested time, s.
        asked: f64,
    },
}

impl LookupError {
    /// Returns a key under which such errors are counted.
    pub fn word(&self) -> &'static str {
        match self {
            Self::Unknown { .. } => "unknown_frame",
            Self::NotConnected { .. } => "not_connected",
            Self::TooOld { .. } => "too_old",
            Self::TooNew { .. } => "too_new",
            Self::NoTime { .. } => "no_time",
        }
    }
}

/// A nonnegative duration in s, formatted for a message: to 1 us, or four digits if it is long.
struct Seconds(f64);

impl fmt::Display for Seconds {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        if self.0 == 0.0 {
            write!(f, "0")
        } else if self.0 < 1e6 {
            // A time outside by less than a microsecond is not shown as 0 s.
            write!(f, "{}", (self.0 * 1e6).round().max(1.0) / 1e6)
        } else {
            write!(f, "{:.3e}", self.0)
        }
    }
}

/// The time span that all moving transforms of a path share.
struct Span {
    /// The latest start and its frame, s.
    oldest: (f64, usize),
    /// The earliest end and its frame, s.
    newest: (f64, usize),
    moving: bool,
}

impl TransformBuffer {
    /// Returns an empty buffer that keeps `keep` s of history of each moving frame (10 s is common
    /// practice, no source). The range is 0, which keeps only the newest sample, to
    /// [`LONGEST_KEEP`]; values outside are clamped, NaN counts as 0.
    pub fn new(keep: f64) -> Self {
        Self {
            keep: if keep >= 0.0 {
                keep.min(LONGEST_KEEP)
            } else {
                0.0
            },
            places: HashMap::new(),
            frames: Vec::new(),
        }
    }

    /// Inserts a transform: the pose of `child` in `parent` (position m) at `stamp` (s), or at all
    /// times if `fixed`. A leading '/' of a name is dropped, here as in every query (common
    /// practice, no source).
    ///
    /// A stamp inside the history is sorted in; an equal one replaces the old sample. Samples older
    /// than the history are dropped. A new parent, or a change between fixed and moving, drops the
    /// whole history. One stamp far in the future would block later ones for as long. The caller,
    /// who has a clock, must check stamps against it.
    ///
    /// # Errors
    /// [`InsertError`]; the buffer does not change.
    pub fn insert(
        &mut self,
        child: &str,
        parent: &str,
        transform: Isometry3<f64>,
        stamp: f64,
        fixed: bool,
    ) -> Result<(), InsertError> {
        let (child, parent) = (bare(child), bare(parent));
        let pose = checked(child, parent, &transform, stamp)?;
        let (at, above) = (self.place(child), self.place(parent));
        let new = usize::from(at.is_none()) + usize::from(above.is_none());
        if self.frames.len() + new > MOST_FRAMES {
            return Err(InsertError::Full {
                child: child.into(),
                parent: parent.into(),
            });
        }
        if let (Some(at), Some(above)) = (at, above)
            && self.parent_of(at) != Some(above)
            && self.upward(above).any(|i| i == at)
        {
            return Err(InsertError::Loop {
                child: child.into(),
                parent: parent.into(),
            });
        }
        // The history to which the sample belongs, if there is one.
        let link = at.and_then(|at| self.frames[at].link.as_ref());
        let moving = link.filter(|l| !l.fixed && !fixed);
        if let Some(moving) = moving {
            let newest = moving.newest();
            let most = if Some(moving.parent) != above {
                // A sample before the newest one does not replace its parent.
                0.0
            } else if moving.history.len() >= MOST_SAMPLES {
                self.keep.min(newest - moving.oldest())
            } else {
                self.keep
            };
            if !(newest - stamp <= most) {
                return Err(InsertError::TooOld {
                    child: child.into(),
                    newest,
                    stamp,
                    most,
                });
            }
        }
        let goes_on = moving.is_some_and(|l| Some(l.parent) == above);

        let at = at.unwrap_or_else(|| self.add(child));
        let above = above.unwrap_or_else(|| self.add(parent));
        let sample = Sample { stamp, pose };
        match &mut self.frames[at].link {
            Some(link) if goes_on => link.put(sample, self.keep),
            link => {
                *link = Some(Link {
                    parent: above,
                    fixed,
                    history: VecDeque::from([sample]),
                });
            }
        }
        Ok(())
    }

    /// Returns the transform from coordinates in `source` to coordinates in `target`.
    ///
    /// # Errors
    /// [`LookupError`] if a frame is unknown, no path leads from one to the other, or the time is
    /// outside the history of a moving transform on the path.
    pub fn lookup(&self, target: &str, source: &str, at: At) -> Result<Found, LookupError> {
        if let At::Time(asked) = at
            && !asked.is_finite()
        {
            return Err(LookupError::NoTime { asked });
        }
        let known = |name: &str| {
            // A name too long to be known is truncated.
            let unknown = || LookupError::Unknown {
                frame: bare(name).chars().take(LONGEST_NAME).collect(),
            };
            self.place(name).ok_or_else(unknown)
        };
        let (source, target) = (known(source)?, known(target)?);
        let name = |at: usize| self.frames[at].name.clone();
        let Some(top) = self.meeting(source, target) else {
            return Err(LookupError::NotConnected {
                source_frame: name(source),
                target_frame: name(target),
            });
        };
        let span = self.span(source, target, top);
        let stamp = match at {
            At::Time(time) => time,
            At::Newest => span.newest.0,
        };
        if stamp > span.newest.0 {
            return Err(LookupError::TooNew {
                frame: name(span.newest.1),
                newest: span.newest.0,
                asked: stamp,
            });
        }
        if stamp < span.oldest.0 {
            return Err(LookupError::TooOld {
                frame: name(span.oldest.1),
                oldest: span.oldest.0,
                asked: stamp,
            });
        }
        let mut transform =
            self.climb(target, top, stamp).inverse() * self.climb(source, top, stamp);
        // Corrects the rounding of a long path.
        transform.rotation.renormalize();
        Ok(Found {
            transform,
            stamp,
            moving: span.moving,
        })
    }

    /// Returns true if the path from `source` to `target` contains the frame `through`, including
    /// its two ends and its highest frame; false if there is no path.
    pub fn passes(&self, target: &str, source: &str, through: &str) -> bool {
        let places = (self.place(target), self.place(source), self.place(through));
        let (Some(target), Some(source), Some(through)) = places else {
            return false;
        };
        self.meeting(source, target).is_some_and(|top| {
            let mut links = self.links(source, top).chain(self.links(target, top));
            through == top || links.any(|(i, _)| i == through)
        })
    }

    /// Returns the stamp of the newest sample of `child` in its parent, s, infinite if the
    /// transform is fixed; `None` for a frame that is unknown or has no parent.
    pub fn newest(&self, child: &str) -> Option<f64> {
        let link = self.frames[self.place(child)?].link.as_ref()?;
        Some(if link.fixed {
            f64::INFINITY
        } else {
            link.newest()
        })
    }

    /// Returns the parent of `child`; `None` for a frame that is unknown or has no parent.
    pub fn parent(&self, child: &str) -> Option<&str> {
        let above = self.parent_of(self.place(child)?)?;
        Some(&self.frames[above].name)
    }

    /// Drops all moving transforms, for use when the clock of the stamps has jumped back. The names
    /// stay known.
    pub fn forget_moving(&mut self) {
        for frame in &mut self.frames {
            frame.link.take_if(|link| !link.fixed);
        }
    }

    /// Forgets the frames whose newest transform is older than `before`, s, and the names that no
    /// other frame needs: frames that come and go do not fill the buffer. Fixed ones stay. Takes
    /// time in proportion to the number of frames.
    pub fn forget_idle(&mut self, before: f64) {
        for frame in &mut self.frames {
            let idle = |link: &mut Link| !link.fixed && link.newest() < before;
            frame.link.take_if(idle);
        }
        let mut needed: Vec<bool> = self.frames.iter().map(|f| f.link.is_some()).collect();
        let parents = self
            .frames
            .iter()
            .filter_map(|f| Some(f.link.as_ref()?.parent));
        for parent in parents {
            needed[parent] = true;
        }
        // The new place of each frame that stays.
        let mut count = 0;
        let place = |needed: &bool| {
            let place = count;
            count += usize::from(*needed);
            place
        };
        let places: Vec<usize> = needed.iter().map(place).collect();
        let mut at = 0;
        self.frames.retain_mut(|frame| {
            if let Some(link) = &mut frame.link {
                link.parent = places[link.parent];
            }
            at += 1;
            needed[at - 1]
        });
        let frames = self.frames.iter().enumerate();
        self.places = frames.map(|(at, f)| (f.name.clone(), at)).collect();
    }

    fn place(&self, name: &str) -> Option<usize> {
        self.places.get(bare(name)).copied()
    }

    fn add(&mut self, name: &str) -> usize {
        let place = self.frames.len();
        self.places.insert(name.into(), place);
        self.frames.push(Frame {
            name: name.into(),
            link: None,
        });
        place
    }

    fn parent_of(&self, at: usize) -> Option<usize> {
        self.frames[at].link.as_ref().map(|l| l.parent)
    }

    /// Iterates over a frame, its parent, and so on to the root; each at most once.
    fn upward(&self, from: usize) -> impl Iterator<Item = usize> {
        successors(Some(from), |i| self.parent_of(*i))
    }

    /// Iterates over the links from a frame up to an ancestor.
    fn links(&self, from: usize, top: usize) -> impl Iterator<Item = (usize, &Link)> {
        self.upward(from)
            .take_while(move |i| *i != top)
            .filter_map(|i| Some((i, self.frames[i].link.as_ref()?)))
    }

    /// Returns the lowest common ancestor of both, which may be one of them.
    fn meeting(&self, mut a: usize, mut b: usize) -> Option<usize> {
        let mut heights = (self.upward(a).count(), self.upward(b).count());
        while a != b {
            if heights.0 >= heights.1 {
                a = self.parent_of(a)?;
                heights.0 -= 1;
            } else {
                b = self.parent_of(b)?;
                heights.1 -= 1;
            }
        }
        Some(a)
    }

    fn span(&self, source: usize, target: usize, top: usize) -> Span {
        let mut span = Span {
            oldest: (f64::NEG_INFINITY, top),
            newest: (f64::INFINITY, top),
            moving: false,
        };
        let links = self.links(source, top).chain(self.links(target, top));
        for (i, link) in links.filter(|(_, link)| !link.fixed) {
            span.moving = true;
            if link.oldest() > span.oldest.0 {
                span.oldest = (link.oldest(), i);
            }
            if link.newest() < span.newest.0 {
                span.newest = (link.newest(), i);
            }
        }
        span
    }

    /// Returns the pose of a frame in an ancestor.
    fn climb(&self, from: usize, top: usize, time: f64) -> Isometry3<f64> {
        self.links(from, top)
            .fold(Isometry3::identity(), |below, (_, link)| {
                link.pose(time) * below
            })
    }
}

impl Link {
    fn oldest(&self) -> f64 {
        self.history.front().map_or(f64::INFINITY, |s| s.stamp)
    }

    fn newest(&self) -> f64 {
        self.history.back().map_or(f64::NEG_INFINITY, |s| s.stamp)
    }

    /// Sorts a sample in and drops samples that are too old or too many.
    fn put(&mut self, sample: Sample, keep: f64) {
        let after = self.history.partition_point(|s| s.stamp < sample.stamp);
        match self.history.get_mut(after) {
            Some(equal) if equal.stamp == sample.stamp => *equal = sample,
            _ => self.history.insert(after, sample),
        }
        let newest = self.newest();
        while self.history.len() > MOST_SAMPLES || !(newest - self.oldest() <= keep) {
            self.history.pop_front();
        }
    }

    /// Returns the pose at a time inside the history; outside, the nearest sample.
    fn pose(&self, time: f64) -> Isometry3<f64> {
        let after = self.history.partition_point(|s| s.stamp <= time);
        let before = after.checked_sub(1).and_then(|i| self.history.get(i));
        match (before, self.history.get(after)) {
            (Some(a), Some(b)) if a.stamp < time && !self.fixed => between(a, b, time),
            (Some(s), _) | (None, Some(s)) => s.pose,
            (None, None) => Isometry3::identity(),
        }
    }
}

/// Returns the pose between two samples.
fn between(a: &Sample, b: &Sample, time: f64) -> Isometry3<f64> {
    // The stamps differ, by at most the length of a history.
    let share = (time - a.stamp) / (b.stamp - a.stamp);
    let (from, to) = (&a.pose, &b.pose);
    let position = from.translation.vector.lerp(&to.translation.vector, share);
    // The rotation vectors of a quaternion and of its opposite are equal and at most pi long. They
    // give the smaller angle, without the special case for equal or opposite orientations of the
    // usual quotient of sines.
    let turn = (from.rotation.inverse() * to.rotation).scaled_axis();
    let orientation = from.rotation * UnitQuaternion::from_scaled_axis(turn * share);
    Isometry3::from_parts(position.into(), orientation)
}

/// Returns a name without leading '/'.
fn bare(name: &str) -> &str {
    name.trim_start_matches('/')
}

/// Returns the transform with its quaternion normalised, after all checks that do not depend on the
/// buffer.
fn checked(
    child: &str,
    parent: &str,
    transform: &Isometry3<f64>,
    stamp: f64,
) -> Result<Isometry3<f64>, InsertError> {
    // Lengths first: the other messages show the names.
    let bytes = child.len().max(parent.len());
    if bytes > LONGEST_NAME {
        return Err(InsertError::LongName { bytes });
    }
    if child.is_empty() || parent.is_empty() {
        return Err(InsertError::NoName {
            child: child.into(),
            parent: parent.into(),
        });
    }
    if child == parent {
        return Err(InsertError::OwnParent {
            frame: child.into(),
        });
    }
    let position = transform.translation.vector;
    if !position.iter().all(|c| c.abs() <= FARTHEST) {
        return Err(InsertError::Position {
            child: child.into(),
            position,
        });
    }
    let norm = transform.rotation.as_ref().norm();
    if !((norm - 1.0).abs() <= NORM_WITHIN) {
        return Err(InsertError::Orientation {
            child: child.into(),
            norm,
        });
    }
    if !stamp.is_finite() {
        return Err(InsertError::Stamp {
            child: child.into(),
            stamp,
        });
    }
    let orientation = UnitQuaternion::new_normalize(transform.rotation.into_inner());
    Ok(Isometry3::from_parts(transform.translation, orientation))
}
