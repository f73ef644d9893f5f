//! The transport of the middleware, selected before the middleware starts.
//!
//! Fast DDS lets processes of one machine share memory. A killed process leaves locks and files
//! there: processes that send to it wait, and a new process is not heard for seconds, or never
//! (github.com/eProsima/Fast-DDS, issue 5469). A joint's node must be heard again at once, so it
//! uses only UDP unless its user has chosen otherwise.
//!
//! The selection is made in the environment, which the middleware reads at start and which a
//! running process should not change: the program restarts itself with it, under the same process
//! number.

use std::ffi::OsString;
use std::io;
use std::os::unix::fs::MetadataExt;
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};

/// Variable that selects the middleware; Fast DDS if unset.
const MIDDLEWARE: &str = "RMW_IMPLEMENTATION";
/// Transports of Fast DDS (Fast DDS documentation, "Environment variables").
const TRANSPORTS: &str = "FASTDDS_BUILTIN_TRANSPORTS";
/// Profile file of Fast DDS: the names of version 3 and of version 2.
const PROFILES: [&str; 2] = [
    "FASTDDS_DEFAULT_PROFILES_FILE",
    "FASTRTPS_DEFAULT_PROFILES_FILE",
];
/// Profile files that Fast DDS reads from the working directory, for version 3 and version 2.
const PROFILES_HERE: [&str; 2] = [
    "DEFAULT_FASTDDS_PROFILES.xml",
    "DEFAULT_FASTRTPS_PROFILES.xml",
];
/// Range of discovery (ROS 2 documentation, "Improved Dynamic Discovery"), and its older name.
const RANGE: &str = "ROS_AUTOMATIC_DISCOVERY_RANGE";
const LOCALHOST_ONLY: &str = "ROS_LOCALHOST_ONLY";
/// Other machines to search for nodes.
const PEERS: &str = "ROS_STATIC_PEERS";
/// Library that identifies version 2, below a prefix of the sourced ROS.
const OLDER_LIBRARY: &str = "lib/libfastrtps.so";
/// Profiles for UDP among the nodes of this machine, and for nodes of the network: file name and
/// text.
const THIS_MACHINE: (&str, &str) = (
    "this-machine",
    include_str!("../../config/ros/this-machine.xml"),
);
const NETWORK: (&str, &str) = ("network", include_str!("../../config/ros/network.xml"));

/// The required change of the environment.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Choice {
    /// No change: the user has chosen, or the middleware is another one.
    Leave,
    /// UDP, within the range of discovery.
    Udp,
    /// UDP among the nodes of this machine. With discovery limited to it, ROS selects the
    /// transports itself, shared memory among them; the profile sets both.
    UdpOnThisMachine,
}

impl Choice {
    /// Decides by the environment, and by the files in the working directory.
    fn new(variable: impl Fn(&str) -> Option<OsString>, is_here: impl Fn(&str) -> bool) -> Self {
        let text = |name| {
            let value = variable(name).filter(|value| !value.is_empty());
            value.map(|value| value.to_string_lossy().into_owned())
        };
        let fast_dds = text(MIDDLEWARE).is_none_or(|name| name.starts_with("rmw_fastrtps"));
        let chosen = [TRANSPORTS]
            .iter()
            .chain(&PROFILES)
            .any(|name| text(name).is_some());
        if !fast_dds || chosen || PROFILES_HERE.into_iter().any(is_here) {
            return Self::Leave;
        }
        let this_machine = text(RANGE).is_some_and(|range| range == "LOCALHOST")
            || text(LOCALHOST_ONLY).is_some_and(|only| only == "1");
        match (this_machine, text(PEERS)) {
            (true, None) => Self::UdpOnThisMachine,
            // Only ROS knows how to find other machines: shared memory stays.
            (true, Some(_)) => Self::Leave,
            (false, _) => Self::Udp,
        }
    }
}

/// Selects a transport without shared memory, unless the user has chosen one. Returns if nothing
/// remains to be done; otherwise restarts the program.
///
/// # Errors
/// The program cannot be restarted.
pub fn choose() -> io::Result<()> {
    let choice = Choice::new(
        |name| std::env::var_os(name),
        |file| Path::new(file).exists(),
    );
    if choice == Choice::Leave {
        return Ok(());
    }
    let mut again = std::process::Command::new(std::env::current_exe()?);
    again.args(std::env::args_os().skip(1));
    match choice {
        Choice::UdpOnThisMachine => again.envs(this_machine()?).env_remove(LOCALHOST_ONLY),
        Choice::Udp | Choice::Leave => {
            let (name, file) = profile(NETWORK)?;
            again.env(name, file)
        }
    };
    Err(again.exec())
}

/// Returns the variables with which nodes find only those of this machine, over UDP.
///
/// # Errors
/// The profile cannot be written.
pub fn this_machine() -> io::Result<[(&'static str, OsString); 2]> {
    let (name, file) = profile(THIS_MACHINE)?;
    Ok([(name, file.into()), (RANGE, "SYSTEM_DEFAULT".into())])
}

/// Writes a profile as a file, the only form that Fast DDS reads; returns it with the variable that
/// names it. All processes of a user share one file, so that none is left behind.
fn profile((name, text): (&str, &str)) -> io::Result<(&'static str, PathBuf)> {
    let prefixes = std::env::var_os("AMENT_PREFIX_PATH").unwrap_or_default();
    let older = std::env::split_paths(&prefixes).any(|p| p.join(OLDER_LIBRARY).exists());
    let variable = PROFILES[usize::from(older)];
    let user = nix::unistd::Uid::effective().as_raw();
    let folder = std::env::var_os("XDG_RUNTIME_DIR").map(PathBuf::from);
    let folder = folder.filter(|f| f.is_dir());
    let folder = folder.unwrap_or_else(std::env::temp_dir);
    let path = folder.join(format!("withy-{user}-{name}.xml"));
    // In a shared directory another user may have created a file of that name.
    let own = std::fs::symlink_metadata(&path);
    let own = own.is_ok_and(|found| found.is_file() && found.uid() == user);
    if own && std::fs::read_to_string(&path).is_ok_and(|there| there == text) {
        return Ok((variable, path));
    }
    // Other processes may be reading it: it appears as a whole or not at all.
    let begun = folder.join(format!("withy-{user}-{}.xml", std::process::id()));
    std::fs::write(&begun, text)?;
    std::fs::rename(&begun, &path)?;
    Ok((variable, path))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn choice(environment: &[(&str, &str)], files: &[&str]) -> Choice {
        let of = |name: &str| environment.iter().find(|(n, _)| *n == name);
        Choice::new(
            |name| of(name).map(|(_, value)| OsString::from(value)),
            |file| files.contains(&file),
        )
    }

    #[test]
    fn shared_memory_is_left_out_unless_the_user_has_chosen() {
        let localhost = (RANGE, "LOCALHOST");
        assert_eq!(choice(&[], &[]), Choice::Udp);
        assert_eq!(choice(&[(RANGE, "SUBNET")], &[]), Choice::Udp);
        assert_eq!(
            choice(&[(MIDDLEWARE, "rmw_fastrtps_cpp")], &[]),
            Choice::Udp
        );
        assert_eq!(choice(&[(TRANSPORTS, "")], &[]), Choice::Udp);
        assert_eq!(choice(&[localhost], &[]), Choice::UdpOnThisMachine);
        assert_eq!(
            choice(&[(LOCALHOST_ONLY, "1")], &[]),
            Choice::UdpOnThisMachine
        );
        for chosen in [
            (TRANSPORTS, "DEFAULT"),
            (PROFILES[0], "mine.xml"),
            (PROFILES[1], "mine.xml"),
            (MIDDLEWARE, "rmw_cyclonedds_cpp"),
            (PEERS, "192.0.2.7"),
        ] {
            assert_eq!(
                choice(&[localhost, chosen], &[]),
                Choice::Leave,
                "{chosen:?}"
            );
        }
        for file in PROFILES_HERE {
            assert_eq!(choice(&[localhost], &[file]), Choice::Leave);
        }
    }
}
