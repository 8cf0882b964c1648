"""Files written by other libraries are read back equal, each coordinate to the precision of its format.

Writes E57 by pye57; OBJ, PLY, STL and XYZ by trimesh and Open3D; packs some by Python's gzip and zipfile.

    python formats.py PATH-OF-SCANTLING PATH-OF-THE-EXAMPLE-read
"""

import gzip
import json
import pathlib
import subprocess
import sys
import tempfile
import zipfile

import numpy as np
import open3d as o3d
import pye57
import trimesh

scantling, example = sys.argv[1:3]
kept = tempfile.TemporaryDirectory()
folder = pathlib.Path(kept.name)
random = np.random.default_rng(7)
passed = 0

# A turned and shifted surface, so that no coordinate is short.
mesh = trimesh.creation.icosphere(subdivisions=4, radius=83.0)
mesh.apply_transform(trimesh.transformations.rotation_matrix(0.7, [1, 2, 3]))
mesh.apply_translation([812.345678, -45.6789, 3.14159265])
points = np.array(mesh.vertices, dtype=float)
faces = np.array(mesh.faces)
normals = points - points.mean(axis=0)
normals /= np.linalg.norm(normals, axis=1, keepdims=True)
mesh.vertex_normals = normals.copy()


def info(path, *more):
    run = subprocess.run(
        [scantling, "scan", "info", str(path), "--output", "json", *more], capture_output=True, text=True
    )
    assert run.returncode == 0, f"{path.name}: {run.stderr}"
    return json.loads(run.stdout)


def read(path, columns=""):
    text = subprocess.run([example, str(path), columns], capture_output=True, text=True, check=True).stdout
    rows = [line.split() for line in text.splitlines()]
    values = np.array([[float(v) for v in r] for r in rows if r[0] != "t"])
    triangles = np.array([[int(v) for v in r[1:]] for r in rows if r[0] == "t"], dtype=int).reshape(-1, 3)
    return values[:, :3], (values[:, 3:] if values.shape[1] > 3 else None), triangles


def close(got, want, within, what):
    assert got.shape == want.shape, f"{what}: {got.shape} instead of {want.shape}"
    worst = np.abs(got - want).max()
    assert worst <= within, f"{what}: {worst} off, {within} allowed"
    return worst


def single(values):
    return values.astype(np.float32).astype(float)


def check(path, format, want, within, *, want_normals=None, want_triangles=None, packing=None, columns="", unit=None):
    """Coordinates, then normals within single precision, then triangles; info says the same."""
    global passed
    name = path.name
    got, got_normals, triangles = read(path, columns)
    told = info(path, *(["--columns", columns] if columns else []))
    if format == "stl":
        # Its corners are merged, so corners are compared.
        worst = close(got[triangles].reshape(-1, 3), want[want_triangles].reshape(-1, 3), within, name)
    else:
        worst = close(got, want, within, name)
        if want_triangles is not None:
            assert (triangles == want_triangles).all(), f"{name}: other triangles"
    if want_normals is not None:
        close(got_normals, want_normals, 6e-8, f"{name}, normals")
    assert told["format"] == format and told["packing"] == packing, told
    assert told["points"] == len(got) and told["triangles"] == len(triangles), told
    assert told["unit_in_file"] == unit, told
    close(np.array([told["box_low"], told["box_high"]]), np.array([got.min(0), got.max(0)]), 0.0, f"{name}, box")
    passed += 1
    print(f"  {name}: {len(got)} points, {len(triangles)} triangles, worst {worst:.1e}")
    return told


# E57 by pye57, which is libE57Format: two scans, the second one posed; metres, in single precision.
# Its writer stores 32 bits whatever it is given.
def e57(name, *, invalid):
    path = folder / name
    file = pye57.E57(str(path), mode="w")
    metres = single(points / 1000)
    half = len(metres) // 2
    first, second = metres[:half], metres[half:]
    rotation = np.array([0.5, 0.5, -0.5, 0.5])
    translation = np.array([1.5, -2.25, 100.125])
    state = np.where(random.random(half) < 0.2, 2, 0).astype(np.int8)
    data = {f"cartesian{a}": first[:, i] for i, a in enumerate("XYZ")}
    data["intensity"] = random.random(half)
    if invalid:
        data["cartesianInvalidState"] = state
    file.write_scan_raw(data, name="first")
    data = {f"cartesian{a}": second[:, i] for i, a in enumerate("XYZ")}
    file.write_scan_raw(data, name="second", rotation=rotation, translation=translation)
    file.close()
    w, x, y, z = rotation
    turn = np.array(
        [
            [1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y)],
            [2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x)],
            [2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)],
        ]
    )
    valid = first[state == 0] if invalid else first
    want = np.vstack([valid, second @ turn.T + translation])
    # The pose is a sum of about 100 m: its last bit.
    told = check(path, "e57", want, 1.5e-14, unit="metre")
    assert told["scans"] == 2 and told["invalid_points"] == half - len(valid), told
    close(read(path)[0][: len(valid)], valid, 0.0, f"{name}, the scan without a pose")
    # What pye57 itself reads, its poses applied.
    again = pye57.E57(str(path))
    read_back = []
    for i in range(again.scan_count):
        scan = again.read_scan(i, ignore_missing_fields=True, transform=True)
        read_back.append(np.stack([scan[f"cartesian{a}"] for a in "XYZ"], axis=1))
    again.close()
    close(read(path)[0], np.vstack(read_back), 3e-14, f"{name}, as pye57 reads it")
    refused = info(path, "--unit", "mm")["problems"]
    assert any("state metres" in p for p in refused), refused
    return path, want


e57("pye57.e57", invalid=False)
path, want = e57("pye57_invalid.e57", invalid=True)
packed = folder / "pye57.zip"
with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
    archive.write(path, "scans/first.e57")
    archive.writestr("read.me", "two scans")
check(packed, "e57", want, 1.5e-14, packing="zip", unit="metre")

# trimesh: PLY and STL are in single precision, text in the digits asked for.
for encoding in ["binary", "ascii"]:
    path = folder / f"trimesh_{encoding}.ply"
    path.write_bytes(trimesh.exchange.ply.export_ply(mesh, encoding=encoding, vertex_normal=True))
    # Its text has eight digits after the point.
    within = 0.0 if encoding == "binary" else 5.1e-9
    got = check(path, "ply", single(points), within, want_normals=single(normals), want_triangles=faces)
    assert got["normals"] == "triangles" and got["boundary_edges"] == 0, got
path = folder / "trimesh.stl"
mesh.export(path)
check(path, "stl", single(points), 0.0, want_triangles=faces)
path = folder / "trimesh_ascii.stl"
mesh.export(path, file_type="stl_ascii")
check(path, "stl", points, 0.0, want_triangles=faces)
path = folder / "trimesh.obj"
path.write_text(trimesh.exchange.obj.export_obj(mesh, include_normals=True, digits=12))
check(path, "obj", points, 5.1e-13, want_normals=normals, want_triangles=faces)
path = folder / "trimesh.xyz"
path.write_text(trimesh.PointCloud(points).export(file_type="xyz"))
check(path, "text", points, 5.1e-9)

# Open3D: clouds with normals, meshes. Its PLY and OBJ text has six significant digits: half a thousandth
# below 1000.
cloud = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(points))
cloud.normals = o3d.utility.Vector3dVector(normals)
for ascii in [False, True]:
    path = folder / f"open3d_{'ascii' if ascii else 'binary'}.ply"
    assert o3d.io.write_point_cloud(str(path), cloud, write_ascii=ascii)
    told = check(path, "ply", points, 5.001e-4 if ascii else 0.0, want_normals=None if ascii else normals)
    assert told["normals"] == "file", told
path = folder / "open3d.xyz"
assert o3d.io.write_point_cloud(str(path), cloud)
check(path, "text", points, 5.1e-11)
path = folder / "open3d.xyzn"
assert o3d.io.write_point_cloud(str(path), cloud)
told = check(path, "text", points, 5.1e-11, want_normals=normals)
assert told["text"]["columns"] == ["x", "y", "z", "nx", "ny", "nz"], told
check(path, "text", points[:, [2, 1, 0]], 5.1e-11, columns="z y x")
path = folder / "open3d.pts"
assert o3d.io.write_point_cloud(str(path), cloud)
told = check(path, "text", points, 5.1e-11)
assert told["text"]["announced_points"] == len(points), told
surface = o3d.geometry.TriangleMesh(o3d.utility.Vector3dVector(points), o3d.utility.Vector3iVector(faces))
surface.vertex_normals = o3d.utility.Vector3dVector(normals)
surface.compute_triangle_normals()
path = folder / "open3d_mesh.ply"
assert o3d.io.write_triangle_mesh(str(path), surface)
check(path, "ply", points, 0.0, want_normals=normals, want_triangles=faces)
path = folder / "open3d.stl"
assert o3d.io.write_triangle_mesh(str(path), surface)
check(path, "stl", single(points), 0.0, want_triangles=faces)
path = folder / "open3d.obj"
assert o3d.io.write_triangle_mesh(str(path), surface)
check(path, "obj", points, 5.001e-4, want_triangles=faces)

# numpy's CSV with a heading; the same with decimal commas, packed by gzip.
path = folder / "numpy.csv"
np.savetxt(path, np.hstack([points, normals]), delimiter=",", header="X,Y,Z,NX,NY,NZ", comments="", fmt="%.17g")
check(path, "text", points, 0.0, want_normals=normals)
text = path.read_text().replace(",", ";").replace(".", ",")
packed = folder / "numpy.csv.gz"
packed.write_bytes(gzip.compress(text.encode()))
check(packed, "text", points, 0.0, want_normals=normals, packing="gzip")

print(f"{passed} passed, 0 failed")
