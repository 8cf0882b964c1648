"""Datum targets solved by a general-purpose library, as a check from outside.

Writes core/tests/data/datum_targets/cases.json: targets, measured points and the motion at rest. Needs numpy and
scipy (written with 2.4 and 1.17). Nothing is shared with the program: rotations are rotation vectors of
scipy.spatial.transform, one stage is solved by optimize.least_squares, several by optimize.root on the gradient of
each stage over the motions it decides, with derivatives by central differences.

    python datum_targets.py > ../../core/tests/data/datum_targets/cases.json
"""

import json

import numpy as np
from scipy.optimize import least_squares, root
from scipy.spatial.transform import Rotation


def pads(random, sigma):
    """Eight pads on a curved face z = height(x, y), measured with noise; normals of both."""
    corners = [(-300, -180), (0, -200), (290, -170), (310, 20), (280, 190), (10, 210), (-290, 180), (-310, 0)]
    out = []
    for x, y in corners:
        x, y = x + random.uniform(-9, 9), y + random.uniform(-9, 9)
        z = 90 - x * x / 900 - y * y / 500 + x * y * y / 4e5
        normal = np.array([2 * x / 900 - y * y / 4e5, 2 * y / 500 - 2 * x * y / 4e5, 1.0])
        normal /= np.linalg.norm(normal)
        seen = normal + random.normal(size=3) * 1e-3
        out.append((np.array([x, y, z]), normal, random.normal(size=3) * sigma, seen / np.linalg.norm(seen)))
    return out


def residual(target, x):
    turn = Rotation.from_rotvec(x[:3]).as_matrix()
    off = turn @ target["point"] + x[3:] - target["nominal"]
    answers = []
    for lock in target["locks"] or [None]:
        along = target["direction"] if lock is None else np.eye(3)["xyz".index(lock)]
        if target["normal"] is None:
            answers.append(along @ off)
        else:
            normal = turn @ target["normal"]
            answers.append(normal @ off / (normal @ along))
    return np.array(answers)


def of_stage(targets, stage, x):
    parts = [np.sqrt(t["weight"]) * residual(t, x) for t in targets if t["stage"] == stage]
    return np.concatenate(parts)


def by_motion(targets, stage, x, motions, centre):
    """Derivatives of a stage's residuals by motions (turn, shift) about a centre."""
    columns = []
    for turn, shift in motions:
        def at(step):
            move = Rotation.from_rotvec(np.array(turn) * step)
            old = Rotation.from_rotvec(x[:3])
            t = move.as_matrix() @ (x[3:] - centre) + centre + np.array(shift) * step
            return np.concatenate([(move * old).as_rotvec(), t])
        h = 1e-4
        one = (of_stage(targets, stage, at(h)) - of_stage(targets, stage, at(-h))) / (2 * h)
        two = (of_stage(targets, stage, at(2 * h)) - of_stage(targets, stage, at(-2 * h))) / (4 * h)
        columns.append((4 * one - two) / 3)
    return np.stack(columns, axis=1)


def placed(random, items):
    """The items as measured somewhere else, and a start that is near."""
    turn = Rotation.from_rotvec(random.normal(size=3) * 0.7)
    shift = random.uniform(-900, 900, size=3)
    targets = []
    for nominal, direction, noise, normal, weight, locks, stage in items:
        targets.append({
            "nominal": nominal,
            "direction": direction,
            "weight": weight,
            "locks": locks,
            "stage": stage,
            "point": turn.inv().apply(nominal + noise - shift),
            "normal": None if normal is None else turn.inv().apply(normal),
        })
    return targets, np.concatenate([turn.as_rotvec(), shift])


def report(name, targets, x, random):
    near = Rotation.from_rotvec(random.normal(size=3) * 0.02) * Rotation.from_rotvec(x[:3])
    return {
        "name": name,
        "targets": [
            {k: (v.tolist() if isinstance(v, np.ndarray) else v) for k, v in t.items()} for t in targets
        ],
        "start": {"rotation": near.as_matrix().tolist(), "shift": (x[3:] + random.normal(size=3) * 5).tolist()},
        "rotation": Rotation.from_rotvec(x[:3]).as_matrix().tolist(),
        "shift": x[3:].tolist(),
        "residuals": np.concatenate([residual(t, x) for t in targets]).tolist(),
        "aligned": [(Rotation.from_rotvec(x[:3]).apply(t["point"]) + x[3:]).tolist() for t in targets],
    }


def polished(gradient, x):
    """Newton with a numerical Jacobian until it rests: least_squares stops a little early."""
    scale = np.array([1e-3, 1e-3, 1e-3, 1, 1, 1])
    found = root(lambda y: gradient(x + y * scale), np.zeros(6), method="hybr", tol=1e-15)
    return x + found.x * scale


def one_stage(name, random, with_normals):
    items = [
        (p, n, e, m if with_normals else None, random.uniform(0.3, 3.0), [], 0) for p, n, e, m in pads(random, 0.1)
    ]
    targets, x = placed(random, items)
    found = least_squares(
        lambda y: of_stage(targets, 0, y), x, x_scale=[1e-3] * 3 + [1] * 3, xtol=1e-15, ftol=1e-15, gtol=1e-15
    )
    motions = [(t, (0, 0, 0)) for t in np.eye(3) * 1e-2] + [((0, 0, 0), s) for s in np.eye(3)]

    def gradient(y):
        return by_motion(targets, 0, y, motions, np.zeros(3)).T @ of_stage(targets, 0, y)

    return report(name, targets, polished(gradient, found.x), random)


def stages(name, random, with_normals):
    """A: eight pads locked along z; B: two points locked along y; C: one locked along x."""
    items = [
        (p, n, e, m if with_normals else None, random.uniform(0.3, 3.0), ["z"], 0)
        for p, n, e, m in pads(random, 0.1)
    ]
    y = np.array([0.0, 1.0, 0.0])
    for at in [(-250.0, -230.0, 10.0), (240.0, -228.0, 4.0)]:
        items.append((np.array(at), -y, random.normal(size=3) * 0.1, None, 1.0, ["y"], 1))
    items.append((np.array([-330.0, 15.0, 20.0]), np.array([-1.0, 0, 0]), random.normal(size=3) * 0.1, None, 1.0, ["x"], 2))
    targets, x = placed(random, items)
    centre = np.mean([t["nominal"] for t in targets], axis=0)
    # Along z alone, pads bear on a shift along z and on turns about x and y, whatever the slopes.
    motions = [((1e-2, 0, 0), (0, 0, 0)), ((0, 1e-2, 0), (0, 0, 0)), ((0, 0, 0), (0, 0, 1))]

    def gradient(y):
        first = by_motion(targets, 0, y, motions, centre).T @ of_stage(targets, 0, y)
        return np.concatenate([first, of_stage(targets, 1, y), of_stage(targets, 2, y)])

    return report(name, targets, polished(gradient, polished(gradient, x)), random)


def main():
    random = np.random.default_rng(5459)
    cases = []
    for i in range(4):
        cases.append(one_stage(f"eight pads, own directions, points {i}", random, False))
        cases.append(one_stage(f"eight pads, own directions, surfaces {i}", random, True))
        cases.append(stages(f"eight pads along z, then y, then x, points {i}", random, False))
        cases.append(stages(f"eight pads along z, then y, then x, surfaces {i}", random, True))
    print(json.dumps({"made_with": "tests/python/datum_targets.py", "cases": cases}, indent=1))


main()
