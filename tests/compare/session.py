"""Runs the cases one after the other, each measurement in a process of its own, ours and the libraries' in turn,
and prints one table of ratios. Started by `run`, which makes what it needs.

Every row is a bar: ours over the best library in the same session (or another measure that the row names), by CPU
seconds and by wall time. Met means by both; `by CPU` or `by wall` that only this one meets it, as happens on a machine
that does other work. A library that could not be run is named under the table and counts for nothing.
"""
import gzip
import json
import math
import os
import shutil
import statistics
import subprocess
import sys

PROGRAM, PYTHON, HERE, FOLDER, BRIEF = sys.argv[1:6]
WANTED = sys.argv[6:]
ALL = sorted(os.sched_getaffinity(0))
RESULTS = os.path.join(FOLDER, "..", "results.jsonl")

rows, remarks, missing = [], [], {}


def measure(who, words, threads=2, **settings):
    """One process; what it prints, or nothing where it could not run."""
    ours = who in ("ours", "bvh", "parry", "kiddo")
    command = [PROGRAM] if ours else [PYTHON, os.path.join(HERE, "libraries.py")]
    if who == "occt":
        command = [os.path.join(FOLDER, "..", "step")]
    command += words
    place = {ALL[-1]} if threads == 1 else set(ALL[:threads])
    count = str(threads)
    environment = {**os.environ, **settings, "THREADS": count, "RAYON_NUM_THREADS": count, "OMP_NUM_THREADS": count,
                   "OPENBLAS_NUM_THREADS": count}
    before = list(os.times())
    try:
        run = subprocess.run(command, capture_output=True, text=True, env=environment, timeout=1800,
                             preexec_fn=lambda: os.sched_setaffinity(0, place))
    except subprocess.TimeoutExpired:
        missing[who] = "took more than half an hour"
        return None
    except OSError as error:
        missing[who] = str(error)
        return None
    after = list(os.times())
    said = [line for line in run.stdout.splitlines() if line.startswith("{")]
    if run.returncode != 0 or not said:
        reason = (run.stderr.strip().splitlines() or [f"ended with {run.returncode}"])
        missing[who] = next((r for r in reason if "rror" in r), reason[-1])[:160]
        print(f"  {who} {' '.join(words[:1] + words[2:])}: could not be run: {missing[who]}", file=sys.stderr)
        return None
    found = json.loads(said[-1])
    found["process_cpu"] = after[2] + after[3] - before[2] - before[3]
    with open(RESULTS, "a") as out:
        out.write(json.dumps({"who": who, "words": words[:1] + words[2:], "threads": threads, **found}) + "\n")
    shown = ", ".join(f"{k} {v['cpu']:.3g} s CPU {v['wall']:.3g} s" for k, v in found["steps"].items())
    rest = {k: v for k, v in found.items() if k not in ("steps", "process_cpu", "n", "base_mib")}
    print(f"  {who:14} {' '.join(words[:1] + words[2:])}, {threads} threads: {shown}; {rest}", file=sys.stderr, flush=True)
    return found


def time_of(found, steps):
    """CPU and wall seconds of some steps together."""
    return [sum(found["steps"][s][kind] for s in steps) for kind in ("cpu", "wall")]


def row(what, ours, other, name, bar, least=False):
    """A ratio pair (CPU, wall) of `ours` to `other` (their seconds) against the most (or least) it may be."""
    if ours is None or other is None:
        rows.append((what, name if other else "none could be run", "-", "-", "-", "-", said(bar, least),
                     "not measured"))
        return
    ratios = [o / max(t, 1e-9) for o, t in zip(ours, other)]
    if least:
        ratios = [1 / r for r in ratios]
    met = [r >= bar if least else r <= bar for r in ratios]
    verdict = {(True, True): "met", (True, False): "by CPU", (False, True): "by wall", (False, False): "missed"}
    shown = [f"{o:.3g} : {t:.3g} s" for o, t in zip(ours, other)]
    rows.append((what, name, shown[0], f"{ratios[0]:.3g}", shown[1], f"{ratios[1]:.3g}", said(bar, least),
                 verdict[tuple(met)]))


def said(bar, least):
    return f"{'>=' if least else '<='} {bar:g}"


def figure(what, value, bar, unit="", least=False):
    """One number against a bar."""
    if value is None:
        rows.append((what, "", "-", "-", "-", "-", f"{said(bar, least)} {unit}", "not measured"))
        return
    met = value >= bar if least else value <= bar
    rows.append((what, "", f"{value:.3g} {unit}", "", "", "", f"{said(bar, least)} {unit}", "met" if met else "missed"))


def memory(what, ours, other, name, bar):
    if ours is None or other is None:
        return
    ratio = ours["peak_mib"] / other["peak_mib"]
    rows.append((what, name, f"{ours['peak_mib']:.0f} : {other['peak_mib']:.0f} MiB", f"{ratio:.3g}", "", "",
                 said(bar, False), "met" if ratio <= bar else "missed"))


def best(found, steps):
    """Of several, who takes least CPU for these steps."""
    able = {who: f for who, f in found.items() if f is not None}
    return min(able, key=lambda who: time_of(able[who], steps)[0]) if able else None


def against(what, found, names, steps, bar, least=False):
    ours = found.get("ours")
    name = best({n: found.get(n) for n in names}, steps)
    row(what, ours and time_of(ours, steps), name and time_of(found[name], steps), name, bar, least)


MESHES = ["200k", "1m"]
NATIVE, RUST = ["fcpw", "open3d", "igl"], ["bvh", "parry"]


def closest():
    for mesh in MESHES:
        for threads in (1, 2):
            found = {}
            for order in ("scan", "shuffled", "outliers"):
                for who in ["ours"] + (RUST + NATIVE if order != "outliers" else []):
                    found[order, who] = measure(who, ["closest", FOLDER, who, mesh, order], threads)
            of = {o: {w: f for (p, w), f in found.items() if p == o} for o in ("scan", "shuffled", "outliers")}
            end = f"{mesh}, {threads} thread{'s' if threads > 1 else ''}"
            against(f"closest, scan order, {end}", of["scan"], ["bvh"], ["query"], 2, True)
            against(f"closest, scan order, {end}", of["scan"], NATIVE, ["query"], 3.5, True)
            against(f"closest, shuffled, {end}", of["shuffled"], NATIVE + RUST, ["query"], 6, True)
            against(f"build, {end}", of["scan"], NATIVE, ["build"], 0.5)
            plain, odd = of["scan"]["ours"], of["outliers"]["ours"]
            row(f"1 % outliers, {end}", odd and time_of(odd, ["query"]), plain and time_of(plain, ["query"]),
                "ours without", 1.08)
            errors = [f["error_mm"] for (_, w), f in found.items() if w == "ours" and f]
            figure(f"closest against brute force, {end}", max(errors, default=None), 1e-9, "mm")
            name = best({n: of["scan"].get(n) for n in NATIVE}, ["query"])
            if name and plain:
                memory(f"memory of the process, {end}", plain, of["scan"][name], name, 1)


def ugly():
    found = measure("ours", ["ugly"])
    for name, error in (found or {"errors_mm": {}})["errors_mm"].items():
        figure(f"closest against brute force, {name}", error, 1e-9, "mm")


def points():
    for what, others, bar in (("nearest", ["small_gicp", "open3d", "scipy", "kiddo"], 1),
                              ("k20", ["small_gicp", "open3d", "scipy", "kiddo"], 1),
                              ("normals", ["small_gicp", "open3d"], 2)):
        found = {who: measure(who, ["points", FOLDER, who, what]) for who in ["ours"] + others}
        against(f"{what} of 2 M points, tree included", found, others, ["all"], bar, True)


def readers():
    for file, others, floor, bar in (("scan_5m_fine.ply", ["open3d", "open3d_tensor", "trimesh"], 1.5, 1 / 3),
                                     ("panel_1m.stl", ["trimesh_merged"], 10, 0.1)):
        found = {"ours": measure("ours", ["read", FOLDER, file])}
        for who in ["floor", *others]:
            found[who] = measure(who, ["read", FOLDER, who, file])
        what = "PLY, 5 M points with normals" if file.endswith("ply") else "STL, 1 M triangles, merged"
        against(f"read {what}", found, others, ["read"], bar)
        against(f"read {what}", found, ["floor"], ["read"], floor)
        able = {n: found[n] for n in others if found[n]}
        if able:
            name = min(able, key=lambda n: able[n]["peak_mib"])
            memory(f"memory of reading {what}", found["ours"], found[name], name, 1)


def fine():
    everyone = ["mesh_icp", "small_gicp", "open3d"]
    found = {}
    for scan in ("200k_fine_still", "200k_fine", "2m_fine"):
        found[scan] = {"ours": measure("ours", ["fine", FOLDER, scan, "1m"])}
        for who in everyone if scan != "2m_fine" else ["mesh_icp"]:
            found[scan][who] = measure(who, ["fine", FOLDER, who, scan, "1m"])
        ours = found[scan]["ours"]
        # Ours tells its tree apart; a library's call has it in.
        sums = {w: f and time_of(f, ["build", "fine"] if w == "ours" else ["fine"]) for w, f in found[scan].items()}
        # Who rests elsewhere has not done the job.
        able = {w: s for w, s in sums.items() if s and w != "ours" and found[scan][w]["corner_um"] < 1000}
        name = min(able, key=lambda w: able[w][0]) if able else None
        row(f"fine with tree, {scan}", sums["ours"], name and able[name], name, 0.35)
        for who in [w for w in sums if sums[w] and w not in able and w != "ours"]:
            remarks.append(f"fine, {scan}: {who} ends {found[scan][who]['corner_um'] / 1000:.1f} mm off: not counted")
        right = [found[scan][w]["corner_um"] for w in able]
        if ours and right:
            figure(f"fine, {scan}: corner off the truth, ours to best", ours["corner_um"] / min(right), 1)
    long, short = found["2m_fine"]["ours"], found["200k_fine"]["ours"]
    row("fine, 2 M points to 200 k", long and time_of(long, ["fine"]), short and time_of(short, ["fine"]), "ours", 1.3)


def locate():
    poses = 3 if BRIEF == "brief" else 10
    for scan in ("200k_any", "200k_any_cut"):
        ours = measure("ours", ["locate", FOLDER, scan, str(poses)])
        other = measure("ransac", ["locate", FOLDER, "ransac", scan, str(poses)])
        row(f"locate, {scan}", ours and time_of(ours, ["locate"]), other and time_of(other, ["locate"]),
            f"ransac, {other['right']} of {poses} right" if other else "ransac", 0.2)
        figure(f"locate, {scan}: wrong of {poses}", ours and ours["wrong"], 0)
        figure(f"locate, {scan}: right of {poses}", ours and ours["right"], poses, least=True)


def middle(several):
    """The run whose CPU seconds are in the middle, with the median wall time."""
    able = sorted((f for f in several if f), key=lambda f: f["steps"]["all"]["cpu"])
    if not able:
        return None
    chosen = able[len(able) // 2]
    chosen["steps"]["all"]["wall"] = statistics.median(f["steps"]["all"]["wall"] for f in able)
    return chosen


def whole():
    times = 1 if BRIEF == "brief" else 5
    for scan, bar, settings in (("5m_any", 0.15, {}), ("5m_fine", 0.3, {"POSE_GIVEN": "1"})):
        ours, other = [], []
        for _ in range(times):
            ours.append(measure("ours", ["whole", FOLDER, scan], **settings))
            other.append(measure("assembled", ["whole", FOLDER, "assembled", scan], **settings))
        ours, other = middle(ours), middle(other)
        what = f"whole job, 5 M points, {'pose given' if settings else 'any pose'}"
        row(what, ours and time_of(ours, ["all"]), other and time_of(other, ["all"]), "assembled", bar)
        memory(f"{what}: memory", ours, other, "assembled", 0.35)
        for who, found in (("ours", ours), ("assembled", other)):
            if found:
                remarks.append(f"{what}, {who}: corners {found['corner_um']:.0f} um off the truth, "
                               f"{100 * found['within_0p4']:.1f} % of the points within 0.4 mm")


def growth():
    sizes = ["1m", "5m"] + (["20m"] if BRIEF != "brief" else [])
    found = {s: measure("ours", ["whole", FOLDER, f"{s}_any"]) for s in sizes}
    for small, large in zip(sizes, sizes[1:]):
        a, b = found[small], found[large]
        # More points may cost no more each.
        row(f"whole job, seconds a point, {large} to {small}", b and [t / b["n"] for t in time_of(b, ["all"])],
            a and [t / a["n"] for t in time_of(a, ["all"])], "ours", 1.1)
    if "20m" in found:
        figure("whole job, 20 M points: memory", found["20m"] and found["20m"]["peak_mib"] / 1024, 3, "GiB")
    meshes = ["20k", "200k", "1m"] + (["4m"] if BRIEF != "brief" else [])
    found = {m: measure("ours", ["closest", FOLDER, "ours", m, "scan"]) for m in meshes}
    first = found["20k"]
    for mesh in meshes[1:]:
        f = found[mesh]
        bar = math.log(f["triangles"]) / math.log(first["triangles"]) if f and first else 1
        row(f"closest, {mesh} to 20k triangles", f and time_of(f, ["query"]), first and time_of(first, ["query"]),
            "ours", round(bar, 2))


def step():
    """Files to triangles within 0.01 mm, one thread each."""
    folder = os.environ.get("STEP_FILES")
    if not folder:
        # The published files that core is tested by.
        folder, kept = os.path.join(FOLDER, "step"), os.path.join(HERE, "..", "..", "core", "tests", "data", "step", "nist")
        os.makedirs(folder, exist_ok=True)
        for name in (n for n in os.listdir(kept) if n.endswith(".stp.gz")):
            with gzip.open(os.path.join(kept, name)) as packed, open(os.path.join(folder, name[:-3]), "wb") as plain:
                shutil.copyfileobj(packed, plain)
    sums = {"ours": [0, 0], "occt": [0, 0]}
    for name in sorted(n for n in os.listdir(folder) if n.lower().endswith((".step", ".stp"))):
        found = {who: measure(who, ["step", folder, name], 1) for who in sums}
        ours, other = (f and time_of(f, ["all"]) for f in found.values())
        row(f"STEP, {name}", ours, other, other and "occt", 1)
        if not (ours and other):
            continue
        for who in sums:
            sums[who] = [a + b for a, b in zip(sums[who], time_of(found[who], ["all"]))]
        ours, other = found.values()
        area = 100 * (ours["area_mm2"] / other["area_mm2"] - 1) if other["area_mm2"] else float("nan")
        remarks.append(f"STEP, {name}: faces {ours['faces']} : {other['faces']}, triangles {ours['triangles']} : "
                       f"{other['triangles']}, area {area:+.4f} % of the other's")
        memory(f"STEP, {name}: memory", ours, other, "occt", 1)
    if sums["occt"][0]:
        row("STEP, all files", sums["ours"], sums["occt"], "occt", 1)


CASES = {f.__name__: f for f in (closest, ugly, points, readers, fine, locate, whole, growth, step)}


def table():
    heads = ("case", "compared with", "CPU, ours : other", "ratio", "wall, ours : other", "ratio", "bar", "")
    lines = [heads, tuple("---" for _ in heads), *rows]
    text = "\n".join("| " + " | ".join(line) + " |" for line in lines)
    for remark in remarks:
        text += f"\n- {remark}"
    for who, reason in missing.items():
        text += f"\n- left out where it failed, and not counted as beaten: {who} ({reason})"
    return text


unknown = [w for w in WANTED if w not in CASES]
if unknown:
    sys.exit(f"no such case: {' '.join(unknown)}; there are: {' '.join(CASES)}")
for name in WANTED or CASES:
    print(f"== {name}", file=sys.stderr, flush=True)
    CASES[name]()
done = table()
print(done)
with open(os.path.join(FOLDER, "..", "table.md"), "w") as out:
    out.write(done + "\n")
