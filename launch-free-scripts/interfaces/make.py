"""Builds the interface packages beside this file into a ROS environment that has their generators but not them.

Usage: make.py PREFIX WORK COMPILER, run by the environment's own Python. Needs a C compiler and nothing else: what ROS
generates as C++ is written as C by type_support.py, and what it takes from Python's headers is in include/. What goes
wrong ends it with one sentence.
"""

import json
import os
import pathlib
import shutil
import subprocess
import sys
import sysconfig

prefix, work, compiler = pathlib.Path(sys.argv[1]), pathlib.Path(sys.argv[2]), sys.argv[3]
here = pathlib.Path(__file__).resolve().parent
os.environ["AMENT_PREFIX_PATH"] = str(prefix)

from rosidl_adapter.action import convert_action_to_idl  # noqa: E402
from rosidl_adapter.msg import convert_msg_to_idl  # noqa: E402
from rosidl_cli.command.helpers import generate_visibility_control_file  # noqa: E402
from rosidl_generator_c import generate_c  # noqa: E402
from rosidl_generator_py import generate_py  # noqa: E402
from rosidl_generator_type_description import generate_type_hash  # noqa: E402
from rosidl_parser.definition import Action, IdlLocator, Message  # noqa: E402
from rosidl_parser.parser import parse_idl_file  # noqa: E402
from rosidl_typesupport_introspection_c import generate_c as generate_introspection  # noqa: E402

import type_support  # noqa: E402

CONVERT = {"msg": convert_msg_to_idl, "action": convert_action_to_idl}


def run_generator(generator, package, name, idl, *arguments, **settings):
    """Runs one of ROS's generators into a folder of its own, and returns that."""
    out = work / package / name / package
    file = work / package / f"{name}.json"
    for folder, _ in idl:
        (out / folder).mkdir(parents=True, exist_ok=True)
    file.write_text(json.dumps({
        "package_name": package,
        "output_dir": str(out),
        "template_dir": str(prefix / "share" / name / "resource"),
        "idl_tuples": [f"{work / package / 'idl'}:{folder}/{stem}.idl" for folder, stem in idl],
        "target_dependencies": [],
        **settings,
    }))
    generator(str(file), *arguments)
    return out


def compile_library(target, sources, folders, libraries):
    """Compiles C files to a shared library."""
    folders = [*folders, here / "include", *sorted((prefix / "include").iterdir())]
    # Exceptions of the serialiser pass through on their way to the middleware, which catches them.
    command = [compiler, "-shared", "-fPIC", "-O1", "-fexceptions", "-DNDEBUG", "-w", "-o", str(target),
               *map(str, sources), *(f"-I{f}" for f in folders), f"-L{prefix / 'lib'}", "-Wl,-rpath-link",
               f"-Wl,{prefix / 'lib'}", "-Wl,--as-needed", *(f"-l{name}" for name in libraries)]
    done = subprocess.run(command, capture_output=True, text=True)
    if done.returncode != 0:
        print(done.stderr, file=sys.stderr)
        wrong = next((line for line in done.stderr.splitlines() if "error" in line or "cannot" in line), "no word why")
        sys.exit(f"{compiler} could not compile {target.name}: {wrong}")


def build(package):
    """Builds and installs one package."""
    source = here / package
    files = sorted(f.relative_to(source) for kind in CONVERT for f in (source / kind).glob(f"*.{kind}"))
    idl = []
    for file in files:
        CONVERT[file.parent.name](source, package, file, work / package / "idl" / file.parent)
        idl.append((file.parent.name, file.stem))

    others = [f"{p.name}:{p}" for p in (prefix / "share").iterdir() if (p / "msg").is_dir() or (p / "srv").is_dir()]
    hashes = run_generator(generate_type_hash, package, "rosidl_generator_type_description", idl, include_paths=others)
    described = [f"{folder}/{stem}.idl:{hashes / folder / stem}.json" for folder, stem in idl]
    c = run_generator(
        generate_c, package, "rosidl_generator_c", idl, type_description_tuples=described,
        ros_interface_files=[str(source / f) for f in files])
    introspection = run_generator(generate_introspection, package, "rosidl_typesupport_introspection_c", idl)
    python = run_generator(generate_py, package, "rosidl_generator_py", idl, ["rosidl_typesupport_c"])
    for name, out in (("rosidl_generator_c", c), ("rosidl_typesupport_introspection_c", introspection)):
        (out / "msg").mkdir(exist_ok=True)
        generate_visibility_control_file(
            package_name=package,
            template_path=prefix / "share" / name / "resource" / f"{name}__visibility_control.h.in",
            output_path=out / "msg" / f"{name}__visibility_control.h")

    definitions = []
    for folder, stem in idl:
        parsed = parse_idl_file(IdlLocator(work / package / "idl", pathlib.Path(folder, f"{stem}.idl")))
        kinds = (Message, Action)
        definitions.append((folder, stem, [e for e in parsed.content.elements if isinstance(e, kinds)]))
    own = work / package / "own"
    own.mkdir()
    (own / "fast_cdr.c").write_text(type_support.fast_cdr(package, definitions))
    (own / "by_name.c").write_text(type_support.by_name(package, definitions))

    lib = prefix / "lib"
    headers = [c.parent, introspection.parent]
    index = prefix / "share/ament_index/resource_index"
    neighbours = sorted(p.name for p in (index / "rosidl_interfaces").iterdir() if p.name != package)

    def of(support):
        return [f"{n}__{support}" for n in neighbours]

    def library(support, sources, *needed):
        compile_library(lib / f"lib{package}__{support}.so", sources, headers, [*needed, "rosidl_runtime_c", "rcutils"])

    mine, fields = f"{package}__rosidl_generator_c", of("rosidl_generator_c")
    library("rosidl_generator_c", c.glob("*/detail/*.c"), *fields)
    for support, sources in (
        ("rosidl_typesupport_introspection_c", introspection.glob("*/detail/*.c")),
        ("rosidl_typesupport_fastrtps_c", [own / "fast_cdr.c"]),
        ("rosidl_typesupport_c", [own / "by_name.c"]),
    ):
        library(support, sources, mine, *of(support), *fields, support)
    library("rosidl_generator_py", python.glob("*/*_s.c"), mine, *of("rosidl_generator_py"), *fields)
    site = pathlib.Path(sysconfig.get_path("platlib")) / package
    shutil.rmtree(site, ignore_errors=True)
    for file in python.rglob("*.py"):
        copy(file, site / file.relative_to(python))
    (site / "__init__.py").touch()
    needed = [f"{package}__rosidl_generator_py", mine, f"{package}__rosidl_typesupport_c", *of("rosidl_typesupport_c")]
    sources = python.glob("*.ep.rosidl_typesupport_c.c")
    compile_library(site / f"{package}_s__rosidl_typesupport_c.so", sources, headers, needed)

    for out in (c, introspection):
        for file in out.rglob("*.h"):
            copy(file, prefix / "include" / package / package / file.relative_to(out))
    share = prefix / "share" / package
    copy(source / "package.xml", share / "package.xml")
    listed = []
    for folder, stem in idl:
        for file in (source / folder / f"{stem}.{folder}", work / package / "idl" / folder / f"{stem}.idl"):
            copy(file, share / folder / file.name)
            listed.append(f"{folder}/{file.name}")
        for file in hashes.glob(f"{folder}/*.json"):
            copy(file, share / folder / file.name)
    # Last, so that what is listed is there.
    (index / "packages" / package).touch()
    (index / "rosidl_interfaces" / package).write_text("\n".join(sorted(listed)))


def copy(file, target):
    target.parent.mkdir(parents=True, exist_ok=True)
    shutil.copyfile(file, target)


for folder in sorted(p.parent.name for p in here.glob("*/package.xml")):
    try:
        build(folder)
    except type_support.Unsupported as e:
        sys.exit(f"{folder}: {e}")
