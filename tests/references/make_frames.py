"""Makes frames.json, the references of tests/control/frames.rs.

    python3 tests/references/make_frames.py > tests/references/frames.json

Made with Python 3.11, NumPy 2.4.6, SciPy 1.17.1. Orientations between two samples by
scipy.spatial.transform.Slerp, positions by numpy.interp, chains as products of 4x4 matrices: from each
frame to its root, and from there back by the matrix of the inverse, so that no common frame is sought.
Everything random is invented.
"""

import json
import sys

import numpy as np
import scipy
from scipy.spatial.transform import Rotation, Slerp

RNG = np.random.default_rng(20250611)
TREES = 30
QUESTIONS = 30


def orientations(count):
    """Quaternions x, y, z, w: any, close to one another, almost half a turn apart, of either sign."""
    spread = [None, 0.5, 1e-4, 1e-9, 3.1415][RNG.integers(5)]
    made = [Rotation.random(rng=RNG)]
    for _ in range(count - 1):
        axis = RNG.normal(size=3)
        turn = Rotation.from_rotvec(axis / np.linalg.norm(axis) * (spread or 0.0))
        made.append(Rotation.random(rng=RNG) if spread is None else made[-1] * turn)
    return [list(q.as_quat() * RNG.choice([-1.0, 1.0])) for q in made]


def tree(long):
    count = int(RNG.integers(2, 12))
    shuffled = [f"frame_{i}" for i in RNG.permutation(count)]
    frames = []
    for i in range(1, count):
        fixed = bool(RNG.random() < 0.3)
        samples = 1 if fixed else int(RNG.integers(2, 6))
        # All histories cover 2 to 3 s and end at times of their own.
        stamps = np.sort(np.round(RNG.uniform(2.0, 3.0, samples), 4))
        stamps[0] = round(RNG.uniform(0.0, 2.0), 4)
        stamps[-1] = round(RNG.uniform(3.0, 4.0), 4) if samples > 1 else stamps[0]
        frames.append(
            {
                "child": shuffled[i],
                "parent": shuffled[int(RNG.integers(max(0, i - 2) if long else 0, i))],
                "fixed": fixed,
                "stamps": stamps.tolist(),
                "positions": np.round(RNG.uniform(-2.0, 2.0, (samples, 3)), 4).tolist(),
                "orientations": orientations(samples),
            }
        )
    # The order in which they come in must not matter.
    RNG.shuffle(frames)
    return frames, shuffled


def pose(frame, time):
    """Pose in the parent as a 4x4 matrix."""
    matrix = np.eye(4)
    stamps, positions = frame["stamps"], np.array(frame["positions"])
    rotations = Rotation.from_quat(frame["orientations"])
    if frame["fixed"]:
        matrix[:3, :3], matrix[:3, 3] = rotations[0].as_matrix(), positions[0]
    else:
        matrix[:3, :3] = Slerp(stamps, rotations)([time])[0].as_matrix()
        matrix[:3, 3] = [np.interp(time, stamps, positions[:, k]) for k in range(3)]
    return matrix


def to_root(by_child, name, time):
    matrix, way = np.eye(4), []
    while name in by_child:
        way.append(name)
        matrix = pose(by_child[name], time) @ matrix
        name = by_child[name]["parent"]
    return matrix, way


def questions(frames, names):
    by_child = {f["child"]: f for f in frames}
    made = []
    for k in range(QUESTIONS):
        target, source = (str(n) for n in RNG.choice(names, 2))
        time = round(RNG.uniform(2.0, 3.0), 6)
        ways = [set(to_root(by_child, n, time)[1]) for n in (target, source)]
        moving = [by_child[n] for n in ways[0] ^ ways[1] if not by_child[n]["fixed"]]
        newest = min((f["stamps"][-1] for f in moving), default=None)
        if k % 3 == 0 and moving:
            time = newest
        # Frames above the common one move the same way on both sides: inside their history, or not at all.
        above = [by_child[n] for n in ways[0] & ways[1] if not by_child[n]["fixed"]]
        if any(not f["stamps"][0] <= time <= f["stamps"][-1] for f in above):
            time = round(RNG.uniform(2.0, 3.0), 6)
        up = to_root(by_child, source, time)[0]
        down = np.linalg.inv(to_root(by_child, target, time)[0])
        transform = down @ up
        made.append(
            {
                "target": target,
                "source": source,
                "time": time,
                "newest": newest,
                "up": len(ways[1] - ways[0]),
                "released": len(ways[0] - ways[1]),
                "position": transform[:3, 3].tolist(),
                "matrix": transform[:3, :3].tolist(),
            }
        )
    return made


def main():
    trees = []
    for i in range(TREES):
        frames, names = tree(long=i % 2 == 0)
        trees.append({"frames": frames, "questions": questions(frames, names)})
    json.dump(
        {
            "made_with": f"Python {sys.version.split()[0]}, NumPy {np.__version__}, SciPy {scipy.__version__}",
            "trees": trees,
        },
        sys.stdout,
        separators=(",", ":"),
    )
    print()


if __name__ == "__main__":
    main()
