//! The gain sets of a joint: choice for a payload, reading from a file, saving of live gains.

use std::path::Path;

use super::{Candidate, Live, Parameters, Refusal, Value};
use crate::control::tick::Law;
use crate::files::{NamedGainSet, Purpose, kind_word, law_sentence};

/// Maximum number of sets saved from one: whoever may save gains does not fill the disk.
const MOST_SAVED: u32 = 99;

impl Parameters {
    /// Chooses the gain set for the payload: the set with the narrowest payload range that contains
    /// it. An unknown payload takes a set whose range covers those of all sets. Sets without a
    /// payload range are never chosen. Returns true if the choice changed.
    ///
    /// # Errors
    /// One sentence if no set contains the payload.
    pub(super) fn choose_for_payload(&self, live: &mut Live) -> Result<bool, Refusal> {
        let ranges = self.file.gain_sets.iter().enumerate();
        let ranges: Vec<_> = ranges
            .filter_map(|(i, set)| Some((i, set.purpose.payload_moment?)))
            .collect();
        let ends = ranges.iter().fold(None, |ends, (_, [low, high])| {
            let (least, most) = ends.unwrap_or((*low, *high));
            Some((f64::min(least, *low), f64::max(most, *high)))
        });
        let Some((least, most)) = ends else {
            return Ok(false);
        };
        let (mass, height) = (live.payload_mass, live.payload_height);
        let moment = mass * height;
        let known = mass >= 0.0;
        let fits = |i: usize, [low, high]: [f64; 2]| {
            if known {
                self.file.gain_sets[i].purpose.holds(moment) == Some(true)
            } else {
                low <= least && high >= most
            }
        };
        let fitting = ranges.iter().filter(|(i, range)| fits(*i, *range));
        let width = |range: &[f64; 2]| range[1] - range[0];
        let narrowest = fitting.min_by(|a, b| width(&a.1).total_cmp(&width(&b.1)));
        match narrowest {
            Some((i, _)) => {
                let other = *i != live.set;
                live.set = *i;
                if other {
                    live.gains = self.file.gain_sets[*i].gains.clone();
                }
                Ok(other)
            }
            None if known => Err(Refusal::Payload {
                mass,
                height,
                moment,
                least,
                most,
            }),
            // No set covers all payloads: the one in force stays.
            None => Ok(false),
        }
    }

    /// Reads the gain-set file to be added, which must be below the folder of the joint file, or
    /// below `gain_set_folder`; its name must be new and its gains must make a valid law.
    pub(super) fn read_gain_set(&self, file: &str) -> Result<NamedGainSet, Refusal> {
        let folder = match self.live.gain_set_folder.as_str() {
            "" => self.file.file.parent().unwrap_or(Path::new("")),
            folder => Path::new(folder),
        };
        let set = NamedGainSet::load_below(folder, file, &self.file.motor_names)?;
        let refuse = |reason: String| {
            let file = set.file.display().to_string();
            Err(Refusal::Added { file, reason })
        };
        if let Some(taken) = self.file.gain_sets.iter().find(|s| s.name == set.name) {
            return refuse(format!(
                "its name is '{}', which {} has; accepted: a name that no gain set of the joint has",
                set.name,
                taken.file.display()
            ));
        }
        if set.gains.kind != self.file.kind {
            return refuse(format!(
                "it is for {} setpoints; accepted: a set for {} setpoints",
                kind_word(set.gains.kind),
                kind_word(self.file.kind)
            ));
        }
        let joint = self.file.joint_for(self.live.feedback);
        match Law::new(&joint, &set.gains, &self.live.limits, self.live.feedback) {
            Ok(_) => Ok(set),
            Err(error) => refuse(law_sentence(&error, &self.file.motor_names)),
        }
    }

    /// Returns the live gains as a new gain set to be saved. Its name is that of the set in force
    /// with the first number free among the sets and in its folder.
    ///
    /// # Errors
    /// One sentence if no gain was changed.
    pub fn live_gain_set(&self) -> Result<NamedGainSet, Refusal> {
        let set = &self.file.gain_sets[self.live.set];
        if set.gains == self.live.gains {
            return Err(Refusal::Unchanged(set.name.clone()));
        }
        let stem = |text: &str| {
            let bare = text.trim_end_matches(|c: char| c.is_ascii_digit());
            bare.strip_suffix('-').map_or(text, |bare| bare).to_string()
        };
        let name = stem(&set.name);
        let file_stem = set.file.file_stem().and_then(|s| s.to_str());
        let file_stem = stem(file_stem.unwrap_or("gains"));
        for number in 1..=MOST_SAVED {
            let name = format!("{name}-{number}");
            let file = set
                .file
                .with_file_name(format!("{file_stem}-{number}.yaml"));
            let taken = self.file.gain_sets.iter().any(|s| s.name == name);
            if taken || file.exists() {
                continue;
            }
            return Ok(NamedGainSet {
                name,
                note: format!("Made from {} by changes while it ran.", set.name),
                file,
                motor_names: set.motor_names.clone(),
                gains: self.live.gains.clone(),
                // The specification no longer holds; the intended purpose does.
                purpose: Purpose {
                    specification: None,
                    ..set.purpose.clone()
                },
            });
        }
        Err(Refusal::NoNumber { most: MOST_SAVED })
    }

    /// Makes the saved live gains the set in force. Returns the parameters that changed.
    pub fn saved(&mut self, set: NamedGainSet) -> Vec<(String, Value)> {
        let mut live = self.live.clone();
        live.gains = set.gains.clone();
        live.set = self.file.gain_sets.len();
        // The same gains as before, so that they make a valid law.
        match self.compile(live) {
            Ok(candidate) => self.commit(Candidate {
                added: Some(set),
                ..candidate
            }),
            Err(_) => Vec::new(),
        }
    }
}
