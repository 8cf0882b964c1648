"""General-purpose libraries on the files of a session; the counterpart of the Rust program `compare`.

    libraries.py closest DIR WHO MESH ORDER     open3d | fcpw | igl
    libraries.py points DIR WHO WHAT            small_gicp | open3d | scipy;  nearest | k20 | normals
    libraries.py read DIR WHO FILE              floor | open3d | open3d_tensor | trimesh | trimesh_merged
    libraries.py fine DIR WHO SCAN MESH         mesh_icp | small_gicp | open3d
    libraries.py locate DIR ransac SCAN POSES
    libraries.py whole DIR assembled SCAN       POSE_GIVEN=1: from near

Prints one line of JSON as `compare` does. A library that cannot be imported ends with code 77.
THREADS says how many threads a library may use.
"""
import json
import math
import os
import resource
import statistics
import sys
import time

import numpy as np

THREADS = int(os.environ.get("THREADS", "2"))
BOX = np.array([(x, y, z) for x in (-600, 600) for y in (-400, 400) for z in (-160, 20)], float)


class Line:
    """One line of results in the making: made when the inputs are there and the libraries loaded."""

    def __init__(self):
        self.steps = {}
        self.fields = {"base_mib": memory("VmRSS:")}
        self.started = time.perf_counter(), time.process_time()

    def median(self, name, work, times=3):
        walls, cpus, made = [], [], None
        for _ in range(times):
            made = None
            wall, cpu = time.perf_counter(), time.process_time()
            made = work()
            walls.append(time.perf_counter() - wall)
            cpus.append(time.process_time() - cpu)
        self.steps[name] = {"wall": statistics.median(walls), "cpu": statistics.median(cpus)}
        return made

    def peak(self):
        self.fields["peak_mib"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def memory(name):
    with open("/proc/self/status") as lines:
        for line in lines:
            if line.startswith(name):
                return int(line.split()[1]) / 1024
    return 0.0


def numbers(path, kind, columns):
    return np.fromfile(path, kind).reshape(-1, columns)


def panel(folder, name):
    return numbers(f"{folder}/panel_{name}.v.f32", "<f4", 3), numbers(f"{folder}/panel_{name}.f.u32", "<u4", 3)


def ply(path):
    """Points and normals of a file as the generator writes it."""
    with open(path, "rb") as file:
        count = 0
        while (line := file.readline()) != b"end_header\n":
            if line.startswith(b"element vertex"):
                count = int(line.split()[2])
        rows = np.fromfile(file, "<f4", 6 * count).reshape(count, 6)
    return rows[:, :3], rows[:, 3:]


def stl(path):
    """Corners, three to a triangle, not merged."""
    record = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("more", "<u2")])
    return np.ascontiguousarray(np.fromfile(path, record, offset=84)["corners"])


def truth(folder):
    with open(f"{folder}/truth.json") as file:
        return json.load(file)


def square(rows):
    return np.vstack([np.asarray(rows, float), [0, 0, 0, 1]])


def move(pose, points):
    return points @ pose[:3, :3].T.astype(points.dtype) + pose[:3, 3].astype(points.dtype)


def apart(one, other):
    """Largest shift, mm, of a corner of the part's box between two part-from-scan poses."""
    between = one @ np.linalg.inv(other)
    return float(np.linalg.norm(move(between, BOX) - BOX, axis=1).max())


# ---- closest point

def closest(folder, who, mesh, order):
    vertices, triangles = panel(folder, mesh)
    queries = numbers(f"{folder}/near_{order}.f32", "<f4", 3)
    if who == "open3d":
        import open3d
        tensor = open3d.core.Tensor
        line = Line()

        def build():
            scene = open3d.t.geometry.RaycastingScene(nthreads=THREADS)
            scene.add_triangles(tensor(vertices), tensor(triangles))
            scene.compute_closest_points(tensor(queries[:1]))  # builds at the first question
            return scene

        def ask(scene):
            found = scene.compute_closest_points(tensor(queries), nthreads=THREADS)
            return lambda i: np.linalg.norm(found["points"].numpy()[i].astype(float) - queries[i], axis=1)
    elif who == "fcpw":
        import fcpw
        line = Line()
        columns, far = np.asfortranarray(queries), np.full(len(queries), np.inf, np.float32)

        def build():
            scene = fcpw.scene_3D()
            scene.set_object_count(1)
            scene.set_object_vertices(np.asfortranarray(vertices), 0)
            scene.set_object_triangles(np.asfortranarray(triangles, np.int32), 0)
            scene.build(fcpw.aggregate_type.bvh_surface_area, True)
            return scene

        def ask(scene):
            found = fcpw.interaction_3D_list()
            scene.find_closest_points(columns, far, found)
            return lambda i: np.array([found[int(k)].d for k in i])
    elif who == "igl":
        os.environ["IGL_NUM_THREADS"] = str(THREADS)
        import igl
        line = Line()
        double, corners, wide = vertices.astype(float), triangles.astype(np.int64), queries.astype(float)

        def build():
            tree = igl.AABB()
            tree.init(double, corners)
            return tree

        def ask(tree):
            found = tree.squared_distance(double, corners, wide)[0]
            return lambda i: np.sqrt(found[i])
    tree = line.median("build", build)
    answer = line.median("query", lambda: ask(tree))
    line.peak()
    exact = np.fromfile(f"{folder}/exact_{mesh}_{order}.f64")
    chosen = np.arange(len(exact)) * len(queries) // len(exact)
    line.fields.update(n=len(queries), triangles=len(triangles),
                       error_mm=float(np.abs(answer(chosen) - exact).max()))
    return line


# ---- neighbours

def points(folder, who, what):
    xyz, given = ply(f"{folder}/scan_2m_fine.ply")
    xyz = np.ascontiguousarray(xyz)
    k = {"nearest": 2, "k20": 20, "normals": 20}[what]  # the point itself is the first
    wide = xyz.astype(float)
    if who == "small_gicp":
        import small_gicp as lib
        line = Line()
        if what == "normals":
            def work():
                cloud = lib.PointCloud(wide)
                lib.estimate_normals(cloud, lib.KdTree(cloud, num_threads=THREADS), 20, THREADS)
                return cloud.normals()[:, :3]
        else:
            def work():
                return lib.KdTree(wide, num_threads=THREADS).batch_knn_search(wide, k, THREADS)
    elif who == "open3d":
        import open3d as lib
        line = Line()

        def work():
            if what == "normals":
                cloud = lib.geometry.PointCloud(lib.utility.Vector3dVector(wide))
                cloud.estimate_normals(lib.geometry.KDTreeSearchParamKNN(20))
                return np.asarray(cloud.normals)
            tree = lib.core.nns.NearestNeighborSearch(lib.core.Tensor(xyz))
            tree.knn_index()
            return tree.knn_search(lib.core.Tensor(xyz), k)
    elif who == "scipy":
        from scipy.spatial import cKDTree
        line = Line()

        def work():
            return cKDTree(wide).query(wide, k, workers=THREADS)
    found = line.median("all", work, times=1)
    line.peak()
    line.fields["n"] = len(xyz)
    if what == "normals":
        cosine = np.abs(np.einsum("ij,ij->i", found, given))
        line.fields["error_deg"] = float(np.degrees(np.arccos(np.minimum(np.median(cosine), 1))))
    return line


# ---- files

def read(folder, who, file):
    path = f"{folder}/{file}"
    if who == "floor":
        def work():
            if file.endswith(".stl"):
                record = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("more", "<u2")])
                return np.memmap(path, record, "r", 84)["corners"].copy()
            with open(path, "rb") as start:
                offset = start.read(1000).index(b"end_header\n") + len(b"end_header\n")
            rows = np.memmap(path, "<f4", "r", offset).reshape(-1, 6)
            return np.ascontiguousarray(rows[:, :3]), np.ascontiguousarray(rows[:, 3:])
    elif who.startswith("open3d"):
        import open3d
        io = open3d.t.io if who == "open3d_tensor" else open3d.io
        work = (lambda: io.read_triangle_mesh(path)) if file.endswith(".stl") else (lambda: io.read_point_cloud(path))
    else:
        import trimesh
        work = lambda: trimesh.load(path, process=who == "trimesh_merged")  # noqa: E731
    line = Line()
    line.median("read", work)
    line.peak()
    return line


# ---- registration

def on_mesh(scene, cloud, pose, count, steps):
    """Point to surface with exact closest points: Gauss-Newton with Tukey's weights, in numpy. The first steps take
    in everything near, without which a warped sheet slides in itself and rests far off."""
    import open3d
    some = cloud[:: max(1, len(cloud) // count)].astype(float)
    for step_number in range(steps):
        widest = (10.0, 3.0, 0.9)[min(step_number // 12, 2)] if steps > 12 else 0.9
        moved = move(pose, some)
        found = scene.compute_closest_points(open3d.core.Tensor(moved.astype(np.float32)), nthreads=THREADS)
        gap = moved - found["points"].numpy()
        along = found["primitive_normals"].numpy().astype(float)
        length = np.linalg.norm(gap, axis=1)
        clear = length > 1e-3
        along[clear] = gap[clear] / length[clear, None]  # so that edges of the sheet pull, too
        signed = np.einsum("ij,ij->i", gap, along)
        scale = max(1.4826 * np.median(np.abs(signed)), widest) + 1e-9
        weight = (1 - np.minimum(np.abs(signed) / (4.685 * scale), 1) ** 2) ** 2
        rows = np.hstack([np.cross(moved, along), along])
        step = np.linalg.solve(rows.T @ (rows * weight[:, None]), -rows.T @ (weight * signed))
        pose = motion(step[:3], step[3:]) @ pose
        if widest < 1 and np.linalg.norm(step[:3]) * 700 + np.linalg.norm(step[3:]) < 1e-4:
            break
    return pose


def motion(turn, shift):
    angle = np.linalg.norm(turn)
    pose = np.eye(4)
    pose[:3, 3] = shift
    if angle > 0:
        x, y, z = turn / angle
        cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
        pose[:3, :3] += math.sin(angle) * cross + (1 - math.cos(angle)) * cross @ cross
    return pose


def scene_of(corners, triangles=None):
    import open3d
    if triangles is None:
        corners = corners.reshape(-1, 3)
        triangles = np.arange(len(corners), dtype=np.uint32).reshape(-1, 3)
    scene = open3d.t.geometry.RaycastingScene(nthreads=THREADS)
    scene.add_triangles(open3d.core.Tensor(corners), open3d.core.Tensor(triangles))
    scene.compute_closest_points(open3d.core.Tensor(corners[:1]))
    return scene


def sample(corners, count):
    """Points of the upper face and the walls with normals. A service could not know that the lower one is not seen:
    the libraries are told, since none of them finds a thin sheet otherwise."""
    corners = corners.astype(float)
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    size = np.linalg.norm(normal, axis=1)
    normal /= np.maximum(size, 1e-30)[:, None]
    weight = np.where(normal[:, 2] < -0.5, 0, size)
    rng = np.random.default_rng(1)
    which = rng.choice(len(corners), count, p=weight / weight.sum())
    u, v = rng.random((2, count, 1))
    over = u + v > 1
    u, v = np.where(over, 1 - u, u), np.where(over, 1 - v, v)
    a, b, c = corners[which].transpose(1, 0, 2)
    return a + u * (b - a) + v * (c - a), normal[which]


def fine(folder, who, scan, mesh):
    cloud, _ = ply(f"{folder}/scan_{scan}.ply")
    vertices, triangles = panel(folder, mesh)
    expected = np.linalg.inv(square(truth(folder)[f"scan_{scan}"]))
    levels = ((8, 40), (4, 10), (2, 3))  # voxel and reach, mm
    times = 3 if len(cloud) < 1e6 else 1
    if who == "mesh_icp":
        import open3d  # noqa: F401
        line = Line()

        def work():
            scene = scene_of(vertices, triangles)
            pose = on_mesh(scene, cloud, np.eye(4), 20_000, 40)
            return on_mesh(scene, cloud, pose, 200_000, 6)
    else:
        target, normals = sample(vertices[triangles], 1_000_000)
        wide = cloud.astype(float)
        if who == "small_gicp":
            import small_gicp as lib
            line = Line()

            def work():
                pose = np.eye(4)
                for voxel, reach in levels:
                    pose = lib.align(target, wide, init_T_target_source=pose, registration_type="GICP",
                                     downsampling_resolution=voxel, max_correspondence_distance=reach,
                                     num_threads=THREADS, max_iterations=50, rotation_epsilon=1e-6,
                                     translation_epsilon=1e-4).T_target_source
                return pose
        elif who == "open3d":
            import open3d as lib
            registration = lib.pipelines.registration
            line = Line()
            onto = lib.geometry.PointCloud(lib.utility.Vector3dVector(target))
            onto.normals = lib.utility.Vector3dVector(normals)
            source = lib.geometry.PointCloud(lib.utility.Vector3dVector(wide))

            def work():
                pose = np.eye(4)
                for voxel, reach in levels:
                    pose = registration.registration_icp(
                        source.voxel_down_sample(voxel), onto.voxel_down_sample(voxel), reach, pose,
                        registration.TransformationEstimationPointToPlane(registration.TukeyLoss(reach)),
                        registration.ICPConvergenceCriteria(1e-9, 1e-9, 60)).transformation
                return np.asarray(pose)
    pose = line.median("fine", work, times)
    line.peak()
    line.fields.update(n=len(cloud), corner_um=1e3 * apart(pose, expected))
    return line


VOXEL_MM = 15


def features(cloud, normals):
    import open3d
    made = open3d.geometry.PointCloud(open3d.utility.Vector3dVector(cloud))
    made.normals = open3d.utility.Vector3dVector(normals)
    made = made.voxel_down_sample(VOXEL_MM)
    made.normalize_normals()
    near = open3d.geometry.KDTreeSearchParamHybrid(radius=5 * VOXEL_MM, max_nn=100)
    return made, open3d.pipelines.registration.compute_fpfh_feature(made, near)


def ransac(source, of_source, target, of_target, seed):
    import open3d
    open3d.utility.random.seed(seed)
    registration = open3d.pipelines.registration
    reach = 1.5 * VOXEL_MM
    return np.asarray(registration.registration_ransac_based_on_feature_matching(
        source, target, of_source, of_target, True, reach,
        registration.TransformationEstimationPointToPoint(False), 3,
        [registration.CorrespondenceCheckerBasedOnEdgeLength(0.9),
         registration.CorrespondenceCheckerBasedOnDistance(reach)],
        registration.RANSACConvergenceCriteria(4_000_000, 0.999)).transformation)


def locate(folder, _who, scan, poses):
    import open3d  # noqa: F401
    cloud, normals = (a.astype(float) for a in ply(f"{folder}/scan_{scan}.ply"))
    vertices, triangles = panel(folder, "200k")
    expected = np.linalg.inv(square(truth(folder)[f"scan_{scan}"]))
    scene = scene_of(vertices, triangles)
    target, given = sample(vertices[triangles], 200_000)
    best = on_mesh(scene, cloud, expected, 20_000, 100)
    line = Line()
    walls, cpus, right, wrong = [], [], 0, 0
    for seed, rows in enumerate(truth(folder)["poses"][: int(poses)]):
        again = square(rows) @ expected  # to the part's frame, then to the pose
        moved, turned = move(again, cloud), normals @ again[:3, :3].T
        wall, cpu = time.perf_counter(), time.process_time()
        onto, of_onto = features(target, given)
        source, of_source = features(moved, turned)
        pose = on_mesh(scene, moved, ransac(source, of_source, onto, of_onto, seed), 20_000, 60)
        walls.append(time.perf_counter() - wall)
        cpus.append(time.process_time() - cpu)
        if apart(pose @ again, best) < 0.5:
            right += 1
        else:
            wrong += 1
    line.peak()
    line.steps["locate"] = {"wall": statistics.median(walls), "cpu": statistics.median(cpus)}
    line.fields.update(n=len(cloud), right=right, wrong=wrong, slowest_s=max(walls))
    return line


def whole(folder, _who, scan):
    """Told that only the upper face was seen, given the normals, and repeated until the fit looks good."""
    import open3d
    given = "POSE_GIVEN" in os.environ
    line = Line()
    cloud, normals = line.median("read scan", lambda: ply(f"{folder}/scan_{scan}.ply"), 1)
    corners = line.median("read nominal", lambda: stl(f"{folder}/panel_1m.stl"), 1)
    scene = line.median("build", lambda: scene_of(corners), 1)
    tries = 0

    def find():
        nonlocal tries
        if given:
            return np.eye(4)
        some, of_some = cloud[::25].astype(float), normals[::25].astype(float)
        onto, of_onto = features(*sample(corners, 200_000))
        source, of_source = features(some, of_some)
        for tries in range(1, 9):
            pose = on_mesh(scene, some, ransac(source, of_source, onto, of_onto, tries), 20_000, 40)
            gap = scene.compute_distance(open3d.core.Tensor(move(pose, some[::10]).astype(np.float32))).numpy()
            if np.quantile(gap, 0.9) < 0.5:
                break
        return pose

    near = line.median("locate", find, 1)

    def refine():
        pose = on_mesh(scene, cloud, near, 20_000, 40)
        return on_mesh(scene, cloud, pose, 200_000, 6)

    pose = line.median("fine", refine, 1)

    def measure():
        moved = np.ascontiguousarray(move(pose, cloud))
        found = scene.compute_closest_points(open3d.core.Tensor(moved), nthreads=THREADS)
        gap = moved - found["points"].numpy()
        length = np.linalg.norm(gap, axis=1)
        return np.copysign(length, np.einsum("ij,ij->i", gap, found["primitive_normals"].numpy()))

    deviations = line.median("deviation", measure, 1)
    line.peak()
    expected = np.linalg.inv(square(truth(folder)[f"scan_{scan}"]))
    wall, cpu = line.started
    line.steps["all"] = {"wall": time.perf_counter() - wall, "cpu": time.process_time() - cpu}
    line.fields.update(n=len(cloud), tries=tries, within_0p4=float((np.abs(deviations) < 0.4).mean()),
                       corner_um=1e3 * apart(pose, expected))
    return line


if __name__ == "__main__":
    case = {f.__name__: f for f in (closest, points, read, fine, locate, whole)}[sys.argv[1]]
    try:
        result = case(*sys.argv[2:])
    except ImportError as missing:
        print(f"{missing}", file=sys.stderr)
        sys.exit(77)
    print(json.dumps({**result.fields, "steps": result.steps}))
