//! STEP files written by hand for tests: shapes by their numbers, faces by their edges, products and where
//! they lie.
//!
//! Only what the tests need, after ISO 10303-21, -41, -42 and -44 (from memory).
#![allow(clippy::unwrap_used, dead_code, reason = "for tests, none of which uses everything")]

pub(crate) mod faces;

use std::fmt::Write;

use scantling_core::geometry::{Matrix3, Point, Vector};
use scantling_core::nominal::Nominal;

/// What the triangles of a nominal enclose, mm3; negative where they face inwards.
pub(crate) fn volume(nominal: &Nominal) -> f64 {
    let mesh = nominal.mesh();
    (0..mesh.triangles().len() as u32)
        .map(|t| mesh.corners(t).map(|p| p.coords))
        .map(|[a, b, c]| a.dot(&b.cross(&c)) / 6.0)
        .sum()
}

/// Writes the instances of a file. All places go through one motion and into one unit.
pub(crate) struct StepText {
    data: String,
    next: u64,
    /// One length unit of the file, mm.
    unit_mm: f64,
    /// Turns and then shifts every place before it is written.
    pub(crate) turn: Matrix3,
    pub(crate) shift: Vector,
}

/// A product with its shape.
#[derive(Clone, Copy)]
pub(crate) struct Product {
    definition: u64,
    representation: u64,
    origin: u64,
}

/// A loop's edge and whether it is run along from its first vertex to its second.
pub(crate) type Way = (u64, bool);

impl StepText {
    pub(crate) fn new() -> Self {
        let (turn, shift) = (Matrix3::identity(), Vector::zeros());
        Self { data: String::new(), next: 0, unit_mm: 1.0, turn, shift }
    }

    /// From here on lengths are written in this unit.
    pub(crate) fn unit_mm(&mut self, unit_mm: f64) {
        self.unit_mm = unit_mm;
    }

    pub(crate) fn put(&mut self, what: &str) -> u64 {
        self.next += 1;
        writeln!(self.data, "#{}={what};", self.next).unwrap();
        self.next
    }

    fn length(&self, mm: f64) -> String {
        format!("{:?}", mm / self.unit_mm)
    }

    pub(crate) fn place(&self, p: Point) -> Point {
        Point::from(self.turn * p.coords + self.shift)
    }

    pub(crate) fn point(&mut self, p: Point) -> u64 {
        let p = self.place(p);
        let [x, y, z] = [p.x, p.y, p.z].map(|c| self.length(c));
        self.put(&format!("CARTESIAN_POINT('',({x},{y},{z}))"))
    }

    pub(crate) fn direction(&mut self, v: Vector) -> u64 {
        let v = self.turn * v;
        self.put(&format!("DIRECTION('',({:?},{:?},{:?}))", v.x, v.y, v.z))
    }

    fn vector(&mut self, v: Vector) -> u64 {
        let (direction, length) = (self.direction(v / v.norm()), self.length(v.norm()));
        self.put(&format!("VECTOR('',#{direction},{length})"))
    }

    pub(crate) fn axes(&mut self, origin: Point, z: Vector, x: Vector) -> u64 {
        let (origin, z, x) = (self.point(origin), self.direction(z), self.direction(x));
        self.put(&format!("AXIS2_PLACEMENT_3D('',#{origin},#{z},#{x})"))
    }

    pub(crate) fn vertex(&mut self, p: Point) -> u64 {
        let p = self.point(p);
        self.put(&format!("VERTEX_POINT('',#{p})"))
    }

    pub(crate) fn edge(&mut self, from: u64, to: u64, curve: u64) -> u64 {
        self.put(&format!("EDGE_CURVE('',#{from},#{to},#{curve},.T.)"))
    }

    /// A straight edge between two vertices at these places.
    pub(crate) fn straight(&mut self, from: (u64, Point), to: (u64, Point)) -> u64 {
        let (p, v) = (self.point(from.1), self.vector(to.1 - from.1));
        let line = self.put(&format!("LINE('',#{p},#{v})"));
        self.edge(from.0, to.0, line)
    }

    /// A whole circle as an edge, run along counter-clockwise about z.
    pub(crate) fn whole_circle(&mut self, centre: Point, z: Vector, x: Vector, radius: f64) -> u64 {
        let circle = self.circle(centre, z, x, radius);
        let v = self.vertex(centre + x * radius);
        self.edge(v, v, circle)
    }

    pub(crate) fn circle(&mut self, centre: Point, z: Vector, x: Vector, radius: f64) -> u64 {
        let (axes, radius) = (self.axes(centre, z, x), self.length(radius));
        self.put(&format!("CIRCLE('',#{axes},{radius})"))
    }

    /// A B-spline curve; each knot as often as it counts. Rational where there are weights.
    pub(crate) fn spline(&mut self, degree: usize, points: &[Point], knots: &[f64], weights: &[f64]) -> u64 {
        let points: Vec<String> = points.iter().map(|p| format!("#{}", self.point(*p))).collect();
        let (counts, knots) = multiplicities(knots);
        let points = points.join(",");
        if weights.is_empty() {
            self.put(&format!(
                "B_SPLINE_CURVE_WITH_KNOTS('',{degree},({points}),.UNSPECIFIED.,.F.,.F.,({counts}),({knots}),.UNSPECIFIED.)"
            ))
        } else {
            let weights = numbers(weights);
            self.put(&format!(
                "(BOUNDED_CURVE()B_SPLINE_CURVE({degree},({points}),.UNSPECIFIED.,.F.,.F.)\
                 B_SPLINE_CURVE_WITH_KNOTS(({counts}),({knots}),.UNSPECIFIED.)CURVE()\
                 GEOMETRIC_REPRESENTATION_ITEM()RATIONAL_B_SPLINE_CURVE(({weights}))REPRESENTATION_ITEM(''))"
            ))
        }
    }

    pub(crate) fn plane(&mut self, origin: Point, z: Vector, x: Vector) -> u64 {
        let axes = self.axes(origin, z, x);
        self.put(&format!("PLANE('',#{axes})"))
    }

    pub(crate) fn cylinder(&mut self, origin: Point, z: Vector, x: Vector, radius: f64) -> u64 {
        let (axes, radius) = (self.axes(origin, z, x), self.length(radius));
        self.put(&format!("CYLINDRICAL_SURFACE('',#{axes},{radius})"))
    }

    pub(crate) fn cone(&mut self, origin: Point, z: Vector, x: Vector, radius: f64, half_angle: f64) -> u64 {
        let (axes, radius) = (self.axes(origin, z, x), self.length(radius));
        self.put(&format!("CONICAL_SURFACE('',#{axes},{radius},{half_angle:?})"))
    }

    pub(crate) fn sphere(&mut self, origin: Point, z: Vector, x: Vector, radius: f64) -> u64 {
        let (axes, radius) = (self.axes(origin, z, x), self.length(radius));
        self.put(&format!("SPHERICAL_SURFACE('',#{axes},{radius})"))
    }

    pub(crate) fn torus(&mut self, origin: Point, z: Vector, x: Vector, major: f64, minor: f64) -> u64 {
        let (axes, major, minor) = (self.axes(origin, z, x), self.length(major), self.length(minor));
        self.put(&format!("TOROIDAL_SURFACE('',#{axes},{major},{minor})"))
    }

    pub(crate) fn extrusion(&mut self, curve: u64, along: Vector) -> u64 {
        let v = self.vector(along);
        self.put(&format!("SURFACE_OF_LINEAR_EXTRUSION('',#{curve},#{v})"))
    }

    pub(crate) fn revolution(&mut self, curve: u64, origin: Point, axis: Vector) -> u64 {
        let (origin, axis) = (self.point(origin), self.direction(axis));
        let axis = self.put(&format!("AXIS1_PLACEMENT('',#{origin},#{axis})"));
        self.put(&format!("SURFACE_OF_REVOLUTION('',#{curve},#{axis})"))
    }

    /// A B-spline surface; the rows run along v, one for each u. Rational where there are weights.
    pub(crate) fn spline_surface(
        &mut self,
        degrees: [usize; 2],
        rows: &[Vec<Point>],
        knots: [&[f64]; 2],
        weights: &[Vec<f64>],
    ) -> u64 {
        let list = |s: &mut Self, row: &Vec<Point>| {
            let row: Vec<String> = row.iter().map(|p| format!("#{}", s.point(*p))).collect();
            format!("({})", row.join(","))
        };
        let rows: Vec<String> = rows.iter().map(|r| list(self, r)).collect();
        let rows = rows.join(",");
        let [(cu, ku), (cv, kv)] = knots.map(multiplicities);
        let [du, dv] = degrees;
        if weights.is_empty() {
            self.put(&format!(
                "B_SPLINE_SURFACE_WITH_KNOTS('',{du},{dv},({rows}),.UNSPECIFIED.,.F.,.F.,.F.,({cu}),({cv}),({ku}),({kv}),.UNSPECIFIED.)"
            ))
        } else {
            let weights: Vec<String> = weights.iter().map(|r| format!("({})", numbers(r))).collect();
            let weights = weights.join(",");
            self.put(&format!(
                "(BOUNDED_SURFACE()B_SPLINE_SURFACE({du},{dv},({rows}),.UNSPECIFIED.,.F.,.F.,.F.)\
                 B_SPLINE_SURFACE_WITH_KNOTS(({cu}),({cv}),({ku}),({kv}),.UNSPECIFIED.)\
                 GEOMETRIC_REPRESENTATION_ITEM()RATIONAL_B_SPLINE_SURFACE(({weights}))REPRESENTATION_ITEM('')SURFACE())"
            ))
        }
    }

    /// A face; its loops have it to their left, seen from its own normal.
    pub(crate) fn face(&mut self, label: &str, surface: u64, loops: &[Vec<Way>], same_sense: bool) -> u64 {
        let mut bounds = Vec::new();
        for l in loops {
            let steps: Vec<String> = l
                .iter()
                .map(|(edge, forward)| {
                    let flag = if *forward { "T" } else { "F" };
                    format!("#{}", self.put(&format!("ORIENTED_EDGE('',*,*,#{edge},.{flag}.)")))
                })
                .collect();
            let l = self.put(&format!("EDGE_LOOP('',({}))", steps.join(",")));
            bounds.push(format!("#{}", self.put(&format!("FACE_BOUND('',#{l},.T.)"))));
        }
        let flag = if same_sense { "T" } else { "F" };
        self.put(&format!("ADVANCED_FACE('{label}',({}),#{surface},.{flag}.)", bounds.join(",")))
    }

    /// A model of surfaces.
    pub(crate) fn sheet(&mut self, faces: &[u64]) -> u64 {
        let shell = self.put(&format!("OPEN_SHELL('',({}))", references(faces)));
        self.put(&format!("SHELL_BASED_SURFACE_MODEL('sheet',(#{shell}))"))
    }

    pub(crate) fn solid(&mut self, faces: &[u64]) -> u64 {
        let shell = self.put(&format!("CLOSED_SHELL('',({}))", references(faces)));
        self.put(&format!("MANIFOLD_SOLID_BREP('solid',#{shell})"))
    }

    /// A block from the origin to `size`, as a solid.
    pub(crate) fn block(&mut self, size: Vector) -> u64 {
        let at = |i: usize| {
            let on = |k: usize| if i >> k & 1 == 1 { size[k] } else { 0.0 };
            Point::new(on(0), on(1), on(2))
        };
        let vertices: Vec<u64> = (0..8).map(|i| self.vertex(at(i))).collect();
        let mut edges = std::collections::BTreeMap::new();
        let mut faces = Vec::new();
        // Each counter-clockwise from outside.
        for f in [[0, 2, 3, 1], [4, 5, 7, 6], [0, 1, 5, 4], [2, 6, 7, 3], [0, 4, 6, 2], [1, 3, 7, 5]] {
            let mut way = Vec::new();
            for k in 0..4 {
                let (a, b): (usize, usize) = (f[k], f[(k + 1) % 4]);
                let key = (a.min(b), a.max(b));
                let edge = *edges.entry(key).or_insert_with(|| {
                    let [c, d] = [key.0, key.1].map(|i| (vertices[i], at(i)));
                    self.straight(c, d)
                });
                way.push((edge, a < b));
            }
            let (x, y) = (at(f[1]) - at(f[0]), at(f[3]) - at(f[0]));
            let plane = self.plane(at(f[0]), x.cross(&y).normalize(), x.normalize());
            faces.push(self.face("side", plane, &[way], true));
        }
        self.solid(&faces)
    }

    /// A pyramid on a square of 10 mm, 6 mm high, as a tessellated solid: four triangles, a strip and a fan.
    pub(crate) fn pyramid(&mut self) -> u64 {
        let list =
            self.put("COORDINATES_LIST('',5,((0.,0.,0.),(10.,0.,0.),(10.,10.,0.),(0.,10.,0.),(5.,5.,6.)))");
        let base = self
            .put(&format!("COMPLEX_TRIANGULATED_FACE('base',#{list},4,((0.,0.,-1.)),$,(),((2,1,3,4)),())"));
        // Counted by way of an index: 1, 2, 3 are the places 1, 2 and 5.
        let front = self.put(&format!("TRIANGULATED_FACE('front',#{list},3,(),$,(1,2,5),((1,2,3)))"));
        let rest = self.put(&format!("COMPLEX_TRIANGULATED_FACE('rest',#{list},5,$,$,(),(),((5,2,3,4,1)))"));
        let edge = self.put(&format!("TESSELLATED_EDGE('',#{list},$,(1,2))"));
        self.put(&format!("TESSELLATED_SOLID('pyramid',(#{base},#{front},#{rest},#{edge}),$)"))
    }

    /// A context whose lengths are in the unit of now.
    fn context(&mut self) -> u64 {
        let mm = self.put("(LENGTH_UNIT()NAMED_UNIT(*)SI_UNIT(.MILLI.,.METRE.))");
        let radian = self.put("(NAMED_UNIT(*)PLANE_ANGLE_UNIT()SI_UNIT($,.RADIAN.))");
        let mut length = mm;
        if self.unit_mm != 1.0 {
            let factor = format!("LENGTH_MEASURE_WITH_UNIT(LENGTH_MEASURE({:?}),#{mm})", self.unit_mm);
            let factor = self.put(&factor);
            length =
                self.put(&format!("(CONVERSION_BASED_UNIT('OTHER',#{factor})LENGTH_UNIT()NAMED_UNIT(*))"));
        }
        self.put(&format!(
            "(GEOMETRIC_REPRESENTATION_CONTEXT(3)GLOBAL_UNIT_ASSIGNED_CONTEXT((#{length},#{radian}))REPRESENTATION_CONTEXT('',''))"
        ))
    }

    /// A product with these bodies, or an assembly where there are none.
    pub(crate) fn product(&mut self, name: &str, bodies: &[u64]) -> Product {
        let context = self.context();
        let origin = self.axes(Point::origin(), Vector::z(), Vector::x());
        let mut items = vec![origin];
        items.extend(bodies);
        let representation =
            self.put(&format!("SHAPE_REPRESENTATION('',({}),#{context})", references(&items)));
        let product = self.put(&format!("PRODUCT('{name}','{name}','',())"));
        let formation = self.put(&format!("PRODUCT_DEFINITION_FORMATION('','',#{product})"));
        let definition = self.put(&format!("PRODUCT_DEFINITION('','',#{formation},$)"));
        let shape = self.put(&format!("PRODUCT_DEFINITION_SHAPE('','',#{definition})"));
        self.put(&format!("SHAPE_DEFINITION_REPRESENTATION(#{shape},#{representation})"));
        Product { definition, representation, origin }
    }

    /// Places one product in another: its axes come to lie at `origin`, with `z` and `x` where those point,
    /// in the unit of now, which must be that of `parent`.
    pub(crate) fn occurrence(
        &mut self,
        name: &str,
        parent: Product,
        child: Product,
        (origin, z, x): (Point, Vector, Vector),
    ) {
        let to = self.axes(origin, z, x);
        let (p, c) = (parent.definition, child.definition);
        let usage = self.put(&format!("NEXT_ASSEMBLY_USAGE_OCCURRENCE('','{name}','',#{p},#{c},$)"));
        let shape = self.put(&format!("PRODUCT_DEFINITION_SHAPE('','',#{usage})"));
        let way = self.put(&format!("ITEM_DEFINED_TRANSFORMATION('','',#{},#{to})", child.origin));
        let relation = self.put(&format!(
            "(REPRESENTATION_RELATIONSHIP('','',#{},#{})REPRESENTATION_RELATIONSHIP_WITH_TRANSFORMATION(#{way})\
             SHAPE_REPRESENTATION_RELATIONSHIP())",
            child.representation, parent.representation
        ));
        self.put(&format!("CONTEXT_DEPENDENT_SHAPE_REPRESENTATION(#{relation},#{shape})"));
    }

    /// An operator that takes axes to these, with a scale as it is to stand in the file.
    pub(crate) fn operator(&mut self, axes: [Option<Vector>; 3], origin: Point, scale: &str) -> u64 {
        let origin = self.point(origin);
        let [x, y, z] = axes.map(|a| a.map_or("$".to_owned(), |a| format!("#{}", self.direction(a))));
        self.put(&format!("CARTESIAN_TRANSFORMATION_OPERATOR_3D('',$,{x},{y},#{origin},{scale},{z})"))
    }

    /// A product that is another one mapped once for each of these axis systems or operators.
    pub(crate) fn mapped(&mut self, name: &str, child: Product, targets: &[u64]) -> Product {
        let map = self.put(&format!("REPRESENTATION_MAP(#{},#{})", child.origin, child.representation));
        let items: Vec<u64> =
            targets.iter().map(|t| self.put(&format!("MAPPED_ITEM('mapped',#{map},#{t})"))).collect();
        self.product(name, &items)
    }

    pub(crate) fn file(&self) -> String {
        format!(
            "ISO-10303-21;\nHEADER;\nFILE_DESCRIPTION((''),'2;1');\nFILE_NAME('','',(''),(''),'','','');\n\
             FILE_SCHEMA(('AUTOMOTIVE_DESIGN'));\nENDSEC;\nDATA;\n{}ENDSEC;\nEND-ISO-10303-21;\n",
            self.data
        )
    }
}

fn references(ids: &[u64]) -> String {
    ids.iter().map(|id| format!("#{id}")).collect::<Vec<_>>().join(",")
}

fn numbers(values: &[f64]) -> String {
    values.iter().map(|v| format!("{v:?}")).collect::<Vec<_>>().join(",")
}

/// How often each knot counts, and the different knots.
fn multiplicities(knots: &[f64]) -> (String, String) {
    let groups: Vec<&[f64]> = knots.chunk_by(|a, b| a == b).collect();
    let counts: Vec<String> = groups.iter().map(|g| g.len().to_string()).collect();
    (counts.join(","), numbers(&groups.iter().map(|g| g[0]).collect::<Vec<_>>()))
}

const X: Vector = Vector::new(1.0, 0.0, 0.0);
const Y: Vector = Vector::new(0.0, 1.0, 0.0);
const Z: Vector = Vector::new(0.0, 0.0, 1.0);

/// A block of 10 x 20 x 30 mm written in inches, twice in a frame, and the frame twice in the whole, once
/// upside down; a plate of 100 x 50 x 2 mm beside them.
pub(crate) fn assembly() -> StepText {
    let mut s = StepText::new();
    s.unit_mm(25.4);
    let block = s.block(Vector::new(10.0, 20.0, 30.0));
    let block = s.product("block", &[block]);
    s.unit_mm(1.0);
    let plate = s.block(Vector::new(100.0, 50.0, 2.0));
    let plate = s.product("plate", &[plate]);
    let frame = s.product("frame", &[]);
    let whole = s.product("whole", &[]);
    s.occurrence("first", frame, block, (Point::new(5.0, 0.0, 0.0), Z, X));
    // Its x along the frame's y, its z along the frame's x: a third of a turn about (1, 1, 1).
    s.occurrence("second", frame, block, (Point::new(0.0, 40.0, 0.0), X, Y));
    s.occurrence("upright", whole, frame, (Point::new(0.0, 0.0, 100.0), Z, X));
    s.occurrence("over", whole, frame, (Point::new(0.0, 0.0, -100.0), -Z, X));
    s.occurrence("ground", whole, plate, (Point::new(-50.0, 0.0, 0.0), Z, X));
    s
}

/// Small files that have everything between them: the first inputs of the fuzz target and what is damaged in
/// tests.
pub(crate) fn samples() -> Vec<(String, String)> {
    let mut all = vec![("assembly.step".to_owned(), assembly().file())];
    let mut text = StepText::new();
    let solid = text.pyramid();
    text.product("pyramid", &[solid]);
    all.push(("triangles.step".to_owned(), text.file()));
    let mut text = StepText::new();
    let faces: Vec<u64> = faces::ANALYTIC.iter().map(|write| write(&mut text, true)).collect();
    let body = text.sheet(&faces);
    text.product("analytic", &[body]);
    all.push(("analytic.step".to_owned(), text.file()));
    for kind in faces::FREEFORM {
        let mut text = StepText::new();
        let (face, _) = faces::freeform(&mut text, kind);
        let body = text.sheet(&[face]);
        text.product(kind, &[body]);
        all.push((format!("{kind}.step"), text.file()));
    }
    all
}
