//! The environment script, run for real in a folder of its own: its messages when something is
//! missing, and the resumption of an interrupted set-up. No network: the wheels are dummies in a
//! local folder.

use std::fs;
use std::os::unix::fs::{PermissionsExt, symlink};
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// Programs that the script calls besides Python, cargo and the compiler.
const TOOLS: &[&str] = &[
    "bash",
    "cat",
    "cut",
    "dirname",
    "find",
    "flock",
    "grep",
    "head",
    "ln",
    "mkdir",
    "mv",
    "rm",
    "sed",
    "sh",
    "sha256sum",
    "sort",
    "tail",
];

/// A project folder with a blank in its path, and a PATH of its own with chosen tools.
struct Place {
    folder: tempfile::TempDir,
}

impl Place {
    fn new() -> Self {
        let place = Self {
            folder: tempfile::tempdir().unwrap(),
        };
        let scripts = place.root().join("launch-free-scripts");
        fs::create_dir_all(scripts.join("interfaces")).unwrap();
        fs::create_dir_all(place.bin()).unwrap();
        let ours = Path::new(env!("CARGO_MANIFEST_DIR")).join("launch-free-scripts");
        for name in ["ros-env", "ros-requirements.txt"] {
            fs::copy(ours.join(name), scripts.join(name)).unwrap();
        }
        for tool in TOOLS {
            symlink(find_in_path(tool), place.bin().join(tool)).unwrap();
        }
        place
    }

    fn root(&self) -> PathBuf {
        self.folder.path().join("glass house")
    }

    fn interfaces(&self) -> PathBuf {
        self.root().join("launch-free-scripts/interfaces")
    }

    fn bin(&self) -> PathBuf {
        self.folder.path().join("bin")
    }

    fn ros(&self) -> PathBuf {
        self.root().join(".ros")
    }

    /// Puts a program of the given text into the PATH.
    fn program(&self, name: &str, text: &str) {
        let path = self.bin().join(name);
        fs::write(&path, text).unwrap();
        fs::set_permissions(&path, fs::Permissions::from_mode(0o755)).unwrap();
    }

    /// Puts a Python into the PATH that handles the script's calls by `lines`, and is a real one
    /// otherwise.
    fn python(&self, name: &str, lines: &str) {
        self.program(
            name,
            &format!(
                "#!/bin/sh\nif [ \"$2\" = -c ]; then exec '{real}' -I -c '{lines}\n\
                 exec(sys.argv[1])' \"$3\"; fi\n\
                 exec '{real}' \"$@\"\n",
                real = real_python().display()
            ),
        );
    }

    /// Puts dummies of cargo and a compiler into the PATH.
    fn build_tools(&self) {
        self.program("cargo", "#!/bin/sh\n");
        self.program("cc", "#!/bin/sh\n");
    }

    /// Sources the script as another script would, under `set -eu`; prints `after` once it is past
    /// it.
    fn source(&self, settings: &[(&str, &str)]) -> Output {
        let mut command = Command::new(self.bin().join("bash"));
        command
            .arg("-c")
            .arg("set -eu; . 'launch-free-scripts/ros-env'; echo \"after $WITHY_PYTHON\"")
            .current_dir(self.root())
            .env_clear()
            .env("PATH", self.bin())
            .env("HOME", self.folder.path())
            .env("PIP_CONFIG_FILE", "/dev/null");
        for (name, value) in settings {
            command.env(name, value);
        }
        command.output().unwrap()
    }

    /// Sources the script; pip can see only the dummy wheels of `links`.
    fn source_with_wheels(&self, links: &Path) -> Output {
        self.source(&[
            ("PIP_NO_INDEX", "1"),
            ("PIP_FIND_LINKS", links.to_str().unwrap()),
        ])
    }

    /// Makes the dummy wheels and pins them in this place's requirements.
    fn make_wheels(&self) -> PathBuf {
        let links = self.folder.path().join("links");
        let done = Command::new(real_python())
            .arg(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/environment/wheels.py"))
            .arg(&links)
            .arg(self.root().join("launch-free-scripts/ros-requirements.txt"))
            .status()
            .unwrap();
        assert!(done.success());
        links
    }
}

fn find_in_path(tool: &str) -> PathBuf {
    std::env::split_paths(&std::env::var_os("PATH").unwrap())
        .map(|folder| folder.join(tool))
        .find(|path| path.exists())
        .unwrap_or_else(|| panic!("{tool} is not in PATH"))
}

/// Returns the interpreter behind any placeholder in the PATH.
fn real_python() -> PathBuf {
    let name = std::env::var_os("WITHY_PYTHON").unwrap_or_else(|| "python3".into());
    let output = Command::new(name)
        .args(["-c", "import sys; print(sys.executable)"])
        .output()
        .unwrap();
    PathBuf::from(String::from_utf8(output.stdout).unwrap().trim())
}

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

fn passed(output: &Output) -> bool {
    output.status.success() && String::from_utf8_lossy(&output.stdout).starts_with("after ")
}

/// Checks that it ended with an error, in one sentence with all of `parts`, and that nothing after
/// it ran.
fn assert_refused(output: &Output, parts: &[&str]) {
    let text = said(output);
    assert!(!output.status.success(), "it went on: {text}");
    assert!(output.stdout.is_empty(), "something ran after the failure");
    let last = text.lines().last().unwrap_or_default();
    assert!(
        last.starts_with("ros-env: ") && last.ends_with('.'),
        "no sentence at the end: {text}"
    );
    for part in parts {
        assert!(last.contains(part), "'{part}' is missing: {text}");
    }
}

#[test]
fn says_that_cargo_is_missing() {
    let place = Place::new();
    place.program("cc", "#!/bin/sh\n");
    assert_refused(&place.source(&[]), &["no cargo", "Rust toolchain"]);
}

#[test]
fn says_that_a_compiler_is_missing() {
    let place = Place::new();
    place.program("cargo", "#!/bin/sh\n");
    assert_refused(&place.source(&[]), &["no C compiler", "cc, gcc, clang"]);
}

#[test]
fn says_that_no_python_is_there() {
    let place = Place::new();
    place.build_tools();
    assert_refused(
        &place.source(&[]),
        &["no Python 3.10 to 3.13 found", "python3.13", "python3.10"],
    );
}

#[test]
fn says_which_python_is_too_old() {
    let place = Place::new();
    place.build_tools();
    place.python("python3", "import sys; sys.version_info = (3, 9, 18)");
    // A version manager's placeholder in the PATH for a version that is not selected.
    place.program(
        "python3.12",
        "#!/bin/sh\necho 'python3.12: command not found' >&2\nexit 127\n",
    );
    let output = place.source(&[]);
    assert_refused(
        &output,
        &["no Python 3.10 to 3.13 found", "python3 is 3.9.18"],
    );
    assert!(!place.ros().exists(), "something was made for nothing");
}

#[test]
fn says_that_the_machine_has_no_wheels() {
    let place = Place::new();
    place.build_tools();
    place.python(
        "python3",
        "import platform, sys; platform.machine = lambda: \"aarch64\"",
    );
    assert_refused(
        &place.source(&[]),
        &["x86_64 Linux", "Linux aarch64", "source it"],
    );
}

#[test]
fn says_that_the_registry_cannot_be_reached() {
    let place = Place::new();
    place.build_tools();
    place.python("python3", "import sys");
    // Port 9 (discard) of this machine: nothing listens there.
    let output = place.source(&[
        ("PIP_INDEX_URL", "http://127.0.0.1:9/simple"),
        ("PIP_RETRIES", "1"),
        ("PIP_NO_CACHE_DIR", "1"),
    ]);
    assert_refused(
        &output,
        &["registry cannot be reached", "network", "0 of", "kept"],
    );
}

#[test]
fn passes_over_an_old_python_and_takes_up_an_interrupted_set_up() {
    let place = Place::new();
    place.build_tools();
    place.python("python3", "import sys; sys.version_info = (3, 9, 18)");
    place.python("python3.11", "import sys");
    let links = place.make_wheels();

    // The registry fails after the first eight wheels.
    let held_back = place.folder.path().join("held_back");
    fs::create_dir(&held_back).unwrap();
    for name in ["ii_nothing", "jj_nothing", "kk_templates"] {
        let file = format!("{name}-1.0-py3-none-any.whl");
        fs::rename(links.join(&file), held_back.join(&file)).unwrap();
    }
    assert_refused(
        &place.source_with_wheels(&links),
        &[
            "registry offers no",
            "ii-nothing==1.0",
            "8 of 10 wheels are here and kept",
        ],
    );
    assert!(!place.ros().join("stamp").exists());

    // Leftovers of a run that was killed during a download and an installation. Only the two
    // missing wheels can be downloaded now: the others must come from the kept ones.
    fs::write(
        place.ros().join("wheels/jj_nothing-1.0-py3-none-any.whl"),
        "torn",
    )
    .unwrap();
    fs::remove_file(place.ros().join("prefix/bin/python")).unwrap();
    let output = place.source_with_wheels(&held_back);
    assert!(passed(&output), "{}", said(&output));
    for part in [
        "wheels: 8 of 10 here",
        "wheels: 10 of 10 here",
        "built the interface packages",
        "ready.",
    ] {
        assert!(
            said(&output).contains(part),
            "'{part}' is missing: {}",
            said(&output)
        );
    }
    let ros = fs::canonicalize(place.ros()).unwrap();
    let asked = format!("{0}/prefix {0}/interfaces cc", ros.display());
    assert_eq!(
        fs::read_to_string(ros.join("prefix/interfaces")).unwrap(),
        asked
    );
    let library = place.ros().join("prefix/lib");
    assert_eq!(
        fs::read_to_string(library.join("libwithy_c.so.removed")).unwrap(),
        "libwithy__rosidl_generator_py.so\n"
    );
    assert_eq!(
        fs::read_link(library.join("librmw_implementation.so")).unwrap(),
        Path::new("librmw_fastrtps_cpp.so")
    );

    // Finished: a second run needs no Python, no pip, no wheels, and prints nothing.
    for name in ["python3", "python3.11"] {
        fs::remove_file(place.bin().join(name)).unwrap();
    }
    fs::remove_dir_all(place.ros().join("wheels")).unwrap();
    let output = place.source(&[]);
    assert!(passed(&output), "{}", said(&output));
    assert_eq!(said(&output), "");

    // Another definition, or other requirements: it is rebuilt.
    let definition = place.interfaces().join("tf2_msgs.msg");
    fs::write(&definition, "float64 x\n").unwrap();
    assert_refused(&place.source(&[]), &["no Python 3.10 to 3.13 found"]);
    fs::remove_file(&definition).unwrap();
    assert!(passed(&place.source(&[])));
    let lock = place
        .root()
        .join("launch-free-scripts/ros-requirements.txt");
    fs::write(&lock, fs::read_to_string(&lock).unwrap() + "# changed\n").unwrap();
    assert_refused(&place.source(&[]), &["no Python 3.10 to 3.13 found"]);
}

#[test]
fn refuses_a_wheel_that_is_not_the_pinned_one() {
    let place = Place::new();
    place.build_tools();
    place.python("python3", "import sys");
    let links = place.make_wheels();
    // Another file under a pinned name: an archive with one byte more at its end is still an
    // archive.
    let wheel = links.join("cc_rcl_interfaces-1.0-py3-none-any.whl");
    let mut bytes = fs::read(&wheel).unwrap();
    bytes.push(0);
    fs::write(&wheel, bytes).unwrap();
    assert_refused(
        &place.source_with_wheels(&links),
        &[
            "cc-rcl-interfaces==1.0",
            "is not the one pinned",
            "not installed",
        ],
    );
    assert!(!place.ros().join("stamp").exists());
}

#[test]
fn says_why_the_interface_packages_cannot_be_built_and_takes_it_up_again() {
    let place = Place::new();
    place.build_tools();
    place.python("python3", "import sys");
    let links = place.make_wheels();
    let make = place.interfaces().join("make.py");
    let good = fs::read_to_string(&make).unwrap();
    let bad = "import sys\nprint('much else')\nsys.exit('the bench is broken')\n";
    fs::write(&make, bad).unwrap();
    assert_refused(
        &place.source_with_wheels(&links),
        &[
            "interface packages could not be built: the bench is broken",
            "interfaces.log",
        ],
    );
    assert!(!place.ros().join("stamp").exists());

    // Repaired; all downloaded files are still there, so the registry is not contacted.
    fs::write(&make, good).unwrap();
    fs::remove_dir_all(&links).unwrap();
    let output = place.source_with_wheels(&links);
    assert!(passed(&output), "{}", said(&output));
}

#[test]
fn uses_a_sourced_ros_and_passes_over_one_without_headers() {
    let place = Place::new();
    place.build_tools();
    let sourced = place.folder.path().join("opt/ros");
    let settings = [
        ("ROS_DISTRO", "jazzy"),
        ("AMENT_PREFIX_PATH", sourced.to_str().unwrap()),
    ];

    let output = place.source(&settings);
    assert!(
        said(&output).contains("has no rcl headers"),
        "{}",
        said(&output)
    );
    assert_refused(&output, &["no Python 3.10 to 3.13 found"]);

    fs::create_dir_all(sourced.join("include/rcl/rcl")).unwrap();
    fs::write(sourced.join("include/rcl/rcl/rcl.h"), "").unwrap();
    let output = place.source(&settings);
    assert!(passed(&output), "{}", said(&output));
    assert!(
        !place.ros().exists(),
        "the project's own was set up for nothing"
    );

    let output = place.source(&[("ROS_DISTRO", "glasshouse"), settings[1]]);
    assert!(
        said(&output).contains("'glasshouse' is none of"),
        "{}",
        said(&output)
    );
    assert_refused(&output, &["no Python 3.10 to 3.13 found"]);
}
