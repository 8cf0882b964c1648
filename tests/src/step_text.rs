//! The demo part as a STEP file, written here: what its mesh was cut from, as surfaces with their edges.
//!
//! Every arc of the shaped ring is one B-spline surface between two ends of the ring's sides or corners, through the mesh's
//! vertices (global interpolation: Piegl and Tiller, "The NURBS Book", 2nd edition, 1997, section 9.2); the flange is two
//! planes, the holes are cylinders, what is cut along the outline and in the slot is a plane for each facet. Faces bear
//! the names of the plan's features.

use std::collections::BTreeMap;
use std::fmt::Write;

use scantling_core::geometry::{Point, TriangleMesh, Vector};
use scantling_core::nominal::Nominal;
use scantling_core::simulate::WindowSurround;
use scantling_core::simulate::window_surround::Region;

/// Degree of the curves and surfaces.
const DEGREE: usize = 3;
/// Arcs of the section, in order from the flange, and how a plan calls them.
const ARCS: [&str; 6] = ["FILLET", "WALL", "SHOULDER", "CROWN", "LIP", "REVEAL"];
/// Sides and corners of the ring.
const SEGMENTS: usize = 8;

/// The whole file.
pub fn window_surround_step(surround: &WindowSurround) -> String {
    let mesh = surround.mesh();
    let ring = Ring::of(surround, &mesh);
    let mut file = File::default();
    let mut shell = Vec::new();
    let skins = [Skin::Visible, Skin::Hidden].map(|skin| skin_edges(&mut file, &ring, skin));
    for (skin, edges) in [Skin::Visible, Skin::Hidden].into_iter().zip(&skins) {
        shell.extend(ring_faces(&mut file, &ring, skin, edges));
    }
    shell.extend(opening(&mut file, &ring, &skins));
    shell.extend(flange(&mut file, surround, &mesh, &ring, &skins));
    file.whole(&shell)
}

/// The demo's plan for this nominal: regions of the ring are named by the faces that bear their names, everything else is
/// picked as before.
pub fn plan_on_step(plan_toml: &str, step: &Nominal) -> String {
    let mut text = plan_toml.replace("ws-214.stl", "ws-214.step");
    for region in ["WALL", "CROWN", "REVEAL"] {
        let faces: Vec<String> = step
            .faces()
            .iter()
            .filter(|f| f.label == region)
            .filter_map(|f| Some(f.key?.to_string()))
            .collect();
        let begin = text.find(&format!("id = \"{region}\"")).expect("the plan has the region");
        let pick = begin + text[begin..].find("pick = ").expect("it is picked");
        let end = pick + text[pick..].find('\n').expect("the line ends");
        text.replace_range(pick..end, &format!("face = \"{}\"", faces.join(" ")));
    }
    text
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Skin {
    Visible,
    Hidden,
}

/// The grid of vertices of the shaped ring, in both skins.
struct Ring {
    /// Visible, then hidden: by row from the flange, by column along the ring.
    grid: [Vec<Vec<Point>>; 2],
    /// Numbers of the visible vertices in the mesh are those of the grid, row by row.
    columns: usize,
    /// Rows at which arcs begin, and the last one.
    rows: Vec<usize>,
    /// Columns at which sides and corners begin, and the first one again, a turn later.
    ends: Vec<usize>,
}

impl Ring {
    fn of(surround: &WindowSurround, mesh: &TriangleMesh) -> Self {
        // The mesh begins with the ring's cells, row by row: [a, b, b + n], [a, b + n, a + n].
        let triangles = mesh.triangles();
        let columns = triangles[1][2] as usize;
        let cells = (0..)
            .take_while(|&k| {
                let (row, i) = (k / columns, k % columns);
                let (a, b) = (row * columns + i, row * columns + (i + 1) % columns);
                triangles.get(2 * k).is_some_and(|t| *t == [a, b, b + columns].map(|v| v as u32))
            })
            .count();
        let rows = cells / columns + 1;
        let hidden = mesh.vertices().len() / 2;
        let at = |first: usize| -> Vec<Vec<Point>> {
            (0..rows)
                .map(|r| (0..columns).map(|c| mesh.vertices()[first + r * columns + c]).collect())
                .collect()
        };
        let grid = [at(0), at(hidden)];
        let row_of = |p: Point| {
            let off = |r: &usize| grid[0][*r].iter().map(|q| (q - p).norm()).fold(f64::INFINITY, f64::min);
            (0..rows).min_by(|a, b| off(a).total_cmp(&off(b))).expect("the ring has rows")
        };
        let begins = [(Region::Wall, 0.0), (Region::Wall, 1.0), (Region::Crown, 0.0), (Region::Crown, 1.0)];
        let mut at_rows = vec![0];
        at_rows.extend(begins.map(|(region, across)| row_of(surround.place(region, 0.0, across).0)));
        at_rows.extend([row_of(surround.place(Region::Reveal, 0.0, 0.0).0), rows - 1]);
        let crown = at_rows[3];
        let mut ends: Vec<usize> = (0..SEGMENTS)
            .map(|s| {
                let (p, _) = surround.place(Region::Crown, s as f64, 0.0);
                let off = |c: &usize| (grid[0][crown][*c] - p).norm();
                (0..columns).min_by(|a, b| off(a).total_cmp(&off(b))).expect("the ring has columns")
            })
            .collect();
        ends.push(ends[0] + columns);
        assert!(
            at_rows.windows(2).chain(ends.windows(2)).all(|w| w[0] + DEGREE <= w[1]),
            "{at_rows:?} {ends:?}"
        );
        Self { grid, columns, rows: at_rows, ends }
    }

    fn point(&self, skin: Skin, row: usize, column: usize) -> Point {
        self.grid[skin as usize][row][column % self.columns]
    }

    /// Parameters of a segment's columns, by the chords of the crown's first row.
    fn along(&self, segment: usize) -> Vec<f64> {
        let row = self.rows[3];
        parameters((self.ends[segment]..=self.ends[segment + 1]).map(|c| self.point(Skin::Visible, row, c)))
    }

    /// Parameters of an arc's rows, by the chords of the first column.
    fn across(&self, arc: usize) -> Vec<f64> {
        parameters((self.rows[arc]..=self.rows[arc + 1]).map(|r| self.point(Skin::Visible, r, 0)))
    }
}

/// Chord lengths from 0 to 1.
fn parameters(points: impl Iterator<Item = Point>) -> Vec<f64> {
    let points: Vec<Point> = points.collect();
    let mut all = vec![0.0];
    for w in points.windows(2) {
        all.push(all[all.len() - 1] + (w[1] - w[0]).norm());
    }
    let whole = all[all.len() - 1];
    all.iter().map(|t| t / whole).collect()
}

/// Knots for interpolation at some parameters, by averaging (Piegl and Tiller, eq. 9.8).
fn knots(t: &[f64]) -> Vec<f64> {
    let n = t.len() - 1;
    let mut all = vec![0.0; DEGREE + 1];
    all.extend((1..=n - DEGREE).map(|j| t[j..j + DEGREE].iter().sum::<f64>() / DEGREE as f64));
    all.extend([1.0; DEGREE + 1]);
    all
}

/// Values of the basis functions at `t`, all of them (Cox and de Boor's recursion; Piegl and Tiller, eq. 2.5).
fn basis(knots: &[f64], t: f64) -> Vec<f64> {
    let count = knots.len() - DEGREE - 1;
    let mut of: Vec<f64> = (0..knots.len() - 1)
        .map(|i| {
            let last = t >= 1.0 && knots[i] < 1.0 && knots[i + 1] >= 1.0;
            f64::from(u8::from(last || (knots[i] <= t && t < knots[i + 1])))
        })
        .collect();
    for p in 1..=DEGREE {
        for i in 0..knots.len() - 1 - p {
            let part = |value: f64, from: f64, to: f64| if to > from { value / (to - from) } else { 0.0 };
            of[i] = part(of[i] * (t - knots[i]), knots[i], knots[i + p])
                + part(of[i + 1] * (knots[i + p + 1] - t), knots[i + 1], knots[i + p + 1]);
        }
    }
    of.truncate(count);
    of
}

/// Control points of the curves through several rows of points at the same parameters: elimination without exchange of
/// rows, which this matrix needs not (it is totally positive: de Boor, "A Practical Guide to Splines", 1978, chapter 13).
fn control(t: &[f64], rows: &[Vec<Point>]) -> Vec<Vec<Point>> {
    let knots = knots(t);
    let n = t.len();
    let mut m: Vec<Vec<f64>> = t.iter().map(|t| basis(&knots, *t)).collect();
    let mut right: Vec<Vec<Vector>> = (0..n).map(|i| rows.iter().map(|r| r[i].coords).collect()).collect();
    for k in 0..n {
        for i in k + 1..n.min(k + DEGREE + 1) {
            let factor = m[i][k] / m[k][k];
            if factor == 0.0 {
                continue;
            }
            for j in k..n.min(k + 2 * DEGREE + 1) {
                let take = factor * m[k][j];
                m[i][j] -= take;
            }
            for r in 0..rows.len() {
                let take = right[k][r] * factor;
                right[i][r] -= take;
            }
        }
    }
    for k in (0..n).rev() {
        for r in 0..rows.len() {
            let mut rest = right[k][r];
            for j in k + 1..n.min(k + 2 * DEGREE + 1) {
                rest -= right[j][r] * m[k][j];
            }
            right[k][r] = rest / m[k][k];
        }
    }
    (0..rows.len()).map(|r| (0..n).map(|i| Point::from(right[i][r])).collect()).collect()
}

/// The edges of one skin of the ring.
struct SkinEdges {
    /// By boundary row and segment end.
    vertices: Vec<Vec<u32>>,
    /// Along the ring, by boundary row and segment.
    along: Vec<Vec<u32>>,
    /// Across it, by arc and segment end.
    across: Vec<Vec<u32>>,
}

fn skin_edges(file: &mut File, ring: &Ring, skin: Skin) -> SkinEdges {
    let vertices: Vec<Vec<u32>> = ring
        .rows
        .iter()
        .map(|&r| ring.ends[..SEGMENTS].iter().map(|&c| file.vertex(ring.point(skin, r, c))).collect())
        .collect();
    let mut along = Vec::new();
    for (b, &row) in ring.rows.iter().enumerate() {
        let mut edges = Vec::new();
        for s in 0..SEGMENTS {
            let t = ring.along(s);
            let points = (ring.ends[s]..=ring.ends[s + 1]).map(|c| ring.point(skin, row, c)).collect();
            let curve = file.curve(&t, &control(&t, &[points])[0]);
            edges.push(file.edge(vertices[b][s], vertices[b][(s + 1) % SEGMENTS], curve));
        }
        along.push(edges);
    }
    let mut across = Vec::new();
    for arc in 0..ARCS.len() {
        let t = ring.across(arc);
        let mut edges = Vec::new();
        for (s, &column) in ring.ends[..SEGMENTS].iter().enumerate() {
            let points = (ring.rows[arc]..=ring.rows[arc + 1]).map(|r| ring.point(skin, r, column)).collect();
            let curve = file.curve(&t, &control(&t, &[points])[0]);
            edges.push(file.edge(vertices[arc][s], vertices[arc + 1][s], curve));
        }
        across.push(edges);
    }
    SkinEdges { vertices, along, across }
}

fn ring_faces(file: &mut File, ring: &Ring, skin: Skin, edges: &SkinEdges) -> Vec<u32> {
    let mut faces = Vec::new();
    for (arc, name) in ARCS.iter().enumerate() {
        for s in 0..SEGMENTS {
            let (u, v) = (ring.along(s), ring.across(arc));
            let rows: Vec<Vec<Point>> = (ring.rows[arc]..=ring.rows[arc + 1])
                .map(|r| (ring.ends[s]..=ring.ends[s + 1]).map(|c| ring.point(skin, r, c)).collect())
                .collect();
            let surface = file.patch(&u, &v, &net(&u, &v, &rows));
            let next = (s + 1) % SEGMENTS;
            let (low, high) = (edges.along[arc][s], edges.along[arc + 1][s]);
            let (left, right) = (edges.across[arc][s], edges.across[arc][next]);
            // Along the ring and across it turn about the visible side's outside.
            let (way, name, sense) = match skin {
                Skin::Visible => ([(low, true), (right, true), (high, false), (left, false)], *name, true),
                Skin::Hidden => ([(left, true), (high, true), (right, false), (low, false)], "BACK", false),
            };
            faces.push(file.face(name, &[&way], surface, sense));
        }
    }
    faces
}

/// Control points, by column and row, of the surface through rows of points.
fn net(u: &[f64], v: &[f64], rows: &[Vec<Point>]) -> Vec<Vec<Point>> {
    let along = control(u, rows);
    let columns: Vec<Vec<Point>> = (0..u.len()).map(|i| along.iter().map(|row| row[i]).collect()).collect();
    control(v, &columns)
}

/// The trimmed edge of the opening: straight from the visible to the hidden skin.
fn opening(file: &mut File, ring: &Ring, [visible, hidden]: &[SkinEdges; 2]) -> Vec<u32> {
    let last = ARCS.len();
    let down: Vec<u32> = (0..SEGMENTS)
        .map(|s| {
            let ends =
                [Skin::Visible, Skin::Hidden].map(|skin| ring.point(skin, ring.rows[last], ring.ends[s]));
            file.straight((visible.vertices[last][s], ends[0]), (hidden.vertices[last][s], ends[1]))
        })
        .collect();
    (0..SEGMENTS)
        .map(|s| {
            let u = ring.along(s);
            let columns = ring.ends[s]..=ring.ends[s + 1];
            let rows = [Skin::Visible, Skin::Hidden].map(|skin| {
                columns.clone().map(|c| ring.point(skin, ring.rows[last], c)).collect::<Vec<_>>()
            });
            let along = control(&u, &rows);
            let net: Vec<Vec<Point>> = (0..u.len()).map(|i| vec![along[0][i], along[1][i]]).collect();
            let surface = file.ruled(&u, &net);
            let way = [
                (visible.along[last][s], true),
                (down[(s + 1) % SEGMENTS], true),
                (hidden.along[last][s], false),
                (down[s], false),
            ];
            file.face("OPENING", &[&way], surface, true)
        })
        .collect()
}

/// Loops of the visible side's border in the mesh, each in the direction of its triangles.
fn borders(mesh: &TriangleMesh) -> Vec<Vec<u32>> {
    let half = (mesh.vertices().len() / 2) as u32;
    let visible = mesh.triangles().iter().filter(|t| t.iter().all(|&v| v < half));
    let edges: std::collections::BTreeSet<(u32, u32)> =
        visible.flat_map(|t| [(t[0], t[1]), (t[1], t[2]), (t[2], t[0])]).collect();
    let mut next: BTreeMap<u32, u32> =
        edges.iter().filter(|(a, b)| !edges.contains(&(*b, *a))).copied().collect();
    let mut loops = Vec::new();
    while let Some((&start, _)) = next.iter().next() {
        let (mut way, mut at) = (vec![start], next.remove(&start).expect("it was found"));
        while at != start {
            way.push(at);
            at = next.remove(&at).expect("a border is closed");
        }
        loops.push(way);
    }
    loops
}

type Way = Vec<(u32, bool)>;

fn flange(
    file: &mut File,
    surround: &WindowSurround,
    mesh: &TriangleMesh,
    ring: &Ring,
    [visible, hidden]: &[SkinEdges; 2],
) -> Vec<u32> {
    let half = mesh.vertices().len() / 2;
    let opening = (ring.rows[ARCS.len()] * ring.columns) as u32;
    let mut faces = Vec::new();
    // The ring cuts the flange; its first row runs with the ring's cells on its left.
    let mut upper: Vec<Way> = vec![(0..SEGMENTS).rev().map(|s| (visible.along[0][s], false)).collect()];
    let mut lower: Vec<Way> = vec![(0..SEGMENTS).map(|s| (hidden.along[0][s], true)).collect()];
    let (mut outer, mut widest) = (0, 0.0);
    for way in borders(mesh) {
        if way.contains(&opening) {
            continue;
        }
        let at = |v: u32| mesh.vertices()[v as usize];
        let hole = surround.holes().iter().find(|h| {
            way.iter().all(|&v| {
                let d = at(v) - h.centre;
                ((d.x * d.x + d.y * d.y).sqrt() - 0.5 * h.diameter_mm).abs() < 1e-6
            })
        });
        let (up, down) = match hole {
            Some(hole) => {
                let depth = at(way[0]).z - mesh.vertices()[way[0] as usize + half].z;
                let radius = 0.5 * hole.diameter_mm;
                let circle = |file: &mut File, z: f64| {
                    let centre = Point::new(hole.centre.x, hole.centre.y, z);
                    let axes = file.axes(centre, Vector::z(), Vector::x());
                    let curve = file.put(&format!("CIRCLE('',#{axes},{radius:?})"));
                    let vertex = file.vertex(centre + Vector::x() * radius);
                    (file.edge(vertex, vertex, curve), axes)
                };
                let (top, axes) = circle(file, at(way[0]).z);
                let (bottom, _) = circle(file, at(way[0]).z - depth);
                let wall = file.put(&format!("CYLINDRICAL_SURFACE('',#{axes},{radius:?})"));
                faces.push(file.face(hole.id, &[&[(bottom, false)], &[(top, true)]], wall, false));
                (vec![(top, false)], vec![(bottom, true)])
            }
            None => {
                let below = |v: u32| mesh.vertices()[v as usize + half];
                let top: Vec<u32> = way.iter().map(|&v| file.vertex(at(v))).collect();
                let bottom: Vec<u32> = way.iter().map(|&v| file.vertex(below(v))).collect();
                let count = way.len();
                let mut edges = [Vec::new(), Vec::new(), Vec::new()];
                for i in 0..count {
                    let j = (i + 1) % count;
                    edges[0].push(file.straight((top[i], at(way[i])), (top[j], at(way[j]))));
                    edges[1].push(file.straight((bottom[i], below(way[i])), (bottom[j], below(way[j]))));
                    edges[2].push(file.straight((top[i], at(way[i])), (bottom[i], below(way[i]))));
                }
                for i in 0..count {
                    let j = (i + 1) % count;
                    let [upper, lower, down] = &edges;
                    let loop_ = [(upper[i], false), (down[i], true), (lower[i], true), (down[j], false)];
                    let normal = (at(way[i]) - at(way[j])).cross(&(below(way[i]) - at(way[i])));
                    let plane = file.plane(at(way[i]), normal);
                    faces.push(file.face("CUT", &[&loop_], plane, true));
                }
                (
                    edges[0].iter().map(|&e| (e, true)).collect(),
                    edges[1].iter().rev().map(|&e| (e, false)).collect(),
                )
            }
        };
        let wide = way.iter().map(|&v| at(v).x).fold(f64::NEG_INFINITY, f64::max)
            - way.iter().map(|&v| at(v).x).fold(f64::INFINITY, f64::min);
        if wide > widest {
            (outer, widest) = (upper.len(), wide);
        }
        upper.push(up);
        lower.push(down);
    }
    for (name, ways, z, normal) in
        [("FLANGE", upper, 0.0, Vector::z()), ("BACK", lower, -surround.thickness_mm(), -Vector::z())]
    {
        let mut ways = ways;
        ways.swap(0, outer);
        let plane = file.plane(Point::new(0.0, 0.0, z), normal);
        let ways: Vec<&[(u32, bool)]> = ways.iter().map(Vec::as_slice).collect();
        faces.push(file.face(name, &ways, plane, true));
    }
    faces
}

/// The data section as it grows.
#[derive(Default)]
struct File {
    text: String,
    last: u32,
}

impl File {
    fn put(&mut self, what: &str) -> u32 {
        self.last += 1;
        writeln!(self.text, "#{}={what};", self.last).expect("a text takes what is written");
        self.last
    }

    fn point(&mut self, p: Point) -> u32 {
        self.put(&format!("CARTESIAN_POINT('',({:?},{:?},{:?}))", p.x, p.y, p.z))
    }

    fn direction(&mut self, v: Vector) -> u32 {
        let v = v / v.norm();
        self.put(&format!("DIRECTION('',({:?},{:?},{:?}))", v.x, v.y, v.z))
    }

    fn vertex(&mut self, p: Point) -> u32 {
        let p = self.point(p);
        self.put(&format!("VERTEX_POINT('',#{p})"))
    }

    fn axes(&mut self, at: Point, z: Vector, x: Vector) -> u32 {
        let (at, z, x) = (self.point(at), self.direction(z), self.direction(x));
        self.put(&format!("AXIS2_PLACEMENT_3D('',#{at},#{z},#{x})"))
    }

    fn plane(&mut self, at: Point, normal: Vector) -> u32 {
        let (at, normal) = (self.point(at), self.direction(normal));
        let axes = self.put(&format!("AXIS2_PLACEMENT_3D('',#{at},#{normal},$)"));
        self.put(&format!("PLANE('',#{axes})"))
    }

    fn edge(&mut self, from: u32, to: u32, curve: u32) -> u32 {
        self.put(&format!("EDGE_CURVE('',#{from},#{to},#{curve},.T.)"))
    }

    fn straight(&mut self, (from, a): (u32, Point), (to, b): (u32, Point)) -> u32 {
        let (at, along) = (self.point(a), self.direction(b - a));
        let vector = self.put(&format!("VECTOR('',#{along},1.)"));
        let line = self.put(&format!("LINE('',#{at},#{vector})"));
        self.edge(from, to, line)
    }

    fn curve(&mut self, t: &[f64], points: &[Point]) -> u32 {
        let ids: Vec<u32> = points.iter().map(|p| self.point(*p)).collect();
        let (multiplicities, values) = told_once(&knots(t));
        self.put(&format!(
            "B_SPLINE_CURVE_WITH_KNOTS('',{DEGREE},{},.UNSPECIFIED.,.F.,.F.,{multiplicities},{values},.UNSPECIFIED.)",
            list(&ids)
        ))
    }

    /// By column and row.
    fn patch(&mut self, u: &[f64], v: &[f64], net: &[Vec<Point>]) -> u32 {
        self.surface(DEGREE, net, &knots(u), &knots(v))
    }

    fn ruled(&mut self, u: &[f64], net: &[Vec<Point>]) -> u32 {
        self.surface(1, net, &knots(u), &[0.0, 0.0, 1.0, 1.0])
    }

    fn surface(&mut self, across: usize, net: &[Vec<Point>], u: &[f64], v: &[f64]) -> u32 {
        let rows: Vec<String> = net
            .iter()
            .map(|column| {
                let ids: Vec<u32> = column.iter().map(|p| self.point(*p)).collect();
                list(&ids)
            })
            .collect();
        let ((mu, ku), (mv, kv)) = (told_once(u), told_once(v));
        self.put(&format!(
            "B_SPLINE_SURFACE_WITH_KNOTS('',{DEGREE},{across},({}),.UNSPECIFIED.,.F.,.F.,.F.,{mu},{mv},{ku},{kv},.UNSPECIFIED.)",
            rows.join(",")
        ))
    }

    fn face(&mut self, name: &str, ways: &[&[(u32, bool)]], surface: u32, sense: bool) -> u32 {
        let flag = |b: bool| if b { 'T' } else { 'F' };
        let mut bounds = Vec::new();
        for (i, way) in ways.iter().enumerate() {
            let edges: Vec<u32> = way
                .iter()
                .map(|(e, forward)| self.put(&format!("ORIENTED_EDGE('',*,*,#{e},.{}.)", flag(*forward))))
                .collect();
            let way = self.put(&format!("EDGE_LOOP('',{})", list(&edges)));
            let kind = if i == 0 { "FACE_OUTER_BOUND" } else { "FACE_BOUND" };
            bounds.push(self.put(&format!("{kind}('',#{way},.T.)")));
        }
        self.put(&format!("ADVANCED_FACE('{name}',{},#{surface},.{}.)", list(&bounds), flag(sense)))
    }

    fn whole(mut self, faces: &[u32]) -> String {
        let unit = self.put("(LENGTH_UNIT()NAMED_UNIT(*)SI_UNIT(.MILLI.,.METRE.))");
        let context = self.put(&format!(
            "(GEOMETRIC_REPRESENTATION_CONTEXT(3)GLOBAL_UNIT_ASSIGNED_CONTEXT((#{unit}))REPRESENTATION_CONTEXT('',''))"
        ));
        let shell = self.put(&format!("CLOSED_SHELL('',{})", list(faces)));
        let solid = self.put(&format!("MANIFOLD_SOLID_BREP('window surround',#{shell})"));
        let shape = self.put(&format!("ADVANCED_BREP_SHAPE_REPRESENTATION('',(#{solid}),#{context})"));
        let product = self.put("PRODUCT('ws-214','Window surround','',())");
        let formation = self.put(&format!("PRODUCT_DEFINITION_FORMATION('','',#{product})"));
        let definition = self.put(&format!("PRODUCT_DEFINITION('','',#{formation},$)"));
        let of = self.put(&format!("PRODUCT_DEFINITION_SHAPE('','',#{definition})"));
        self.put(&format!("SHAPE_DEFINITION_REPRESENTATION(#{of},#{shape})"));
        format!(
            "ISO-10303-21;\nHEADER;\nFILE_DESCRIPTION((''),'2;1');\nFILE_NAME('ws-214.step','',(''),(''),'','','');\n\
             FILE_SCHEMA(('AUTOMOTIVE_DESIGN'));\nENDSEC;\nDATA;\n{}ENDSEC;\nEND-ISO-10303-21;\n",
            self.text
        )
    }
}

fn list(ids: &[u32]) -> String {
    let ids: Vec<String> = ids.iter().map(|id| format!("#{id}")).collect();
    format!("({})", ids.join(","))
}

/// Multiplicities and values of knots.
fn told_once(knots: &[f64]) -> (String, String) {
    let mut once: Vec<(usize, f64)> = Vec::new();
    for &k in knots {
        match once.last_mut() {
            Some((count, value)) if *value == k => *count += 1,
            _ => once.push((1, k)),
        }
    }
    let join = |words: Vec<String>| format!("({})", words.join(","));
    (
        join(once.iter().map(|(n, _)| n.to_string()).collect()),
        join(once.iter().map(|(_, k)| format!("{k:?}")).collect()),
    )
}
